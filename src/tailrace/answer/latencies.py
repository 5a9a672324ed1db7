"""How long did every single request take? Raw, or counted in classes that can be added up."""

from __future__ import annotations

from importlib.metadata import version
from typing import TYPE_CHECKING

import numpy as np

from tailrace.answer.bench import bench_for
from tailrace.answer.figures import LEVEL
from tailrace.crew.progress import Watch
from tailrace.errors import SettingError
from tailrace.measure.length import PILOT_REPLICATIONS
from tailrace.scenario.reading.read import Given, given

if TYPE_CHECKING:
    import pandas as pd

PER_DECADE = 100
"""Classes of a histogram from one power of ten to the next: each is 2.3 % wide."""


def latencies(
    scenario: Given,
    *,
    requests: int = 20_000,
    replications: int = 16,
    seed: int | None = None,
    engine: str = "auto",
    workers: int | None = None,
    progress: Watch | None = None,
) -> pd.DataFrame:
    """The latency of every measured request: a row each, with class, kind, replication and ``latency_s``.

    Of transactions they are those of transactions. With the length that a scenario gives (``run.requests`` and
    ``run.replications``) these are the very requests of its answer; intervals of 95 % of whatever is made of them come
    from the spread of its replications. ``attrs`` has seed, digest, version and level. Memory goes with the requests;
    ``to_parquet`` and ``to_csv`` of the table write it.

    Args:
        scenario: what to simulate; a scenario or a file.
        requests: of each replication, the first tenth or more of which is warm-up.
        replications: how many there are.
        seed: of all random streams, over the scenario's.
        engine: "auto", "reference" or "compiled".
        workers: number of processes; this one alone if left out.
        progress: called as replications finish.

    Raises:
        ScenarioError: the file of a scenario cannot be read.
        SettingError: a ValueError: the server is overloaded, or as `simulate`.
    """
    import pandas as pd

    known = given(scenario)
    with bench_for(known, seed, engine, workers, progress, requests * replications) as bench:
        numbers = range(PILOT_REPLICATIONS, PILOT_REPLICATIONS + replications)
        overload = bench.asked_too_much(known)
        if overload is not None:
            raise SettingError(
                f"{overload.station} cannot keep up; accepted: a load that the server can carry"
            )
        sample = bench.samples([(known, numbers, requests)], "Latencies")[0]
        if not sample.complete:
            raise SettingError("too much was under way; accepted: a load that the server can carry")
        attrs = {"seed": bench.seed, "digest": known.digest, "version": version("tailrace"), "level": LEVEL}
    parts = [
        pd.DataFrame({"class": name, "kind": kind, "replication": number, "latency_s": totals.latency_s})
        for number, each in enumerate(sample)
        for name, kinds in each.kinds.items()
        for kind, totals in kinds.items()
        if kind != "all" or len(kinds) == 1
    ]
    table = pd.concat(parts, ignore_index=True)
    table.attrs.update(attrs)
    return table


def histogram(table: pd.DataFrame, per_decade: int = PER_DECADE) -> pd.DataFrame:
    """Latencies counted: class, kind, replication, ``low_s``, ``high_s`` and the ``count`` of those between the two.

    The bounds are powers of ten and ``per_decade`` steps between them, whatever the latencies are, so that counts of
    several answers, replications or kinds add up. ``attrs`` are those of the table.
    """
    places = np.floor(np.log10(table["latency_s"]) * per_decade).astype(int)
    counted = (
        table.assign(place=places)
        .groupby(["class", "kind", "replication", "place"], sort=True)
        .size()
        .rename("count")
        .reset_index()
    )
    for name, beyond in (("low_s", 0), ("high_s", 1)):
        counted[name] = 10.0 ** ((counted["place"] + beyond) / per_decade)
    found = counted[["class", "kind", "replication", "low_s", "high_s", "count"]]
    found.attrs.update(table.attrs)
    return found
