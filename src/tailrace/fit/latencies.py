"""The latencies themselves, where an answer's figures are not enough: to hold two distributions against each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.engine.choice import Engine, choose_engine
from tailrace.measure.distance import relative_distance
from tailrace.measure.length import PILOT_REPLICATIONS
from tailrace.quantity import Kind
from tailrace.replicate.boiled import replicate
from tailrace.scenario.tables.scenario import Scenario

REPLICATIONS = 8
COMPARED_REQUESTS = 20_000


@dataclass(frozen=True)
class Distance:
    """Root mean square of quantile differences as a share of the mean.

    ``floor`` is the same between two halves of what was simulated: a distance near it is none that could be seen.
    """

    value: float
    floor: float
    simulated: int
    measured: int


def latencies(
    scenario: Scenario,
    seed: int,
    requests: int,
    name: str | None = None,
    kind: Kind = "all",
    replications: int = REPLICATIONS,
    engine: Engine | None = None,
) -> list[FloatArray]:
    """Latencies in seconds of a class (of all classes, without a name) in each replication, past the warm-up.

    ``requests`` is the length of a replication. Without values where the server was overloaded.
    """
    engine = engine or choose_engine("auto", requests * replications)
    samples = []
    for number in range(PILOT_REPLICATIONS, PILOT_REPLICATIONS + replications):
        sample = replicate(scenario, seed, number, requests, engine)
        kinds = [each for key, each in sample.kinds.items() if name in (None, key)]
        parts = [each[kind].latency_s for each in kinds if kind in each]
        samples.append(np.concatenate(parts) if parts else np.empty(0))
    return samples


def distance(samples: list[FloatArray], measured: FloatArray) -> Distance:
    """How far what was simulated, replication by replication, lies from what was measured; both in seconds."""
    whole = np.concatenate(samples)
    halves = np.concatenate(samples[::2]), np.concatenate(samples[1::2])
    return Distance(relative_distance(whole, measured), relative_distance(*halves), whole.size, measured.size)


def distances(
    scenarios: Sequence[Scenario],
    names: Sequence[str],
    measured: FloatArray,
    seed: int | None = None,
    requests: int = COMPARED_REQUESTS,
) -> dict[str, Distance | None]:
    """How far each design's latencies, of all its classes together, lie from measured ones; None where overloaded.

    ``measured`` in seconds, shape (n,). Without ``seed`` each scenario's own holds, or 0.
    """
    found: dict[str, Distance | None] = {}
    for scenario, name in zip(scenarios, names, strict=True):
        own = scenario.run.seed if seed is None else seed
        samples = latencies(scenario, own or 0, requests)
        found[name] = distance(samples, measured) if all(each.size for each in samples) else None
    return found
