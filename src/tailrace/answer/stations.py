"""How busy were the stations, and what waited there? One row a bank."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.forecast.saturation import Load
from tailrace.plan.stations import Discipline
from tailrace.replicate.replication import Replication


@dataclass(frozen=True)
class StationResult:
    """A bank of identical stations.

    ``utilisation`` is the busy share of their servers (permits, for a pool) over the measured time, the mean over
    the bank, and an arm that reads on behind a read is busy though it would leave off for any request;
    ``share_of_saturation`` the offered load over the largest that the bank can carry, None where that
    is not known; ``mean_number_waiting`` is per station. A delay has None throughout. ``paces`` is False for a pool
    whose permits bound how much is under way and carry nothing themselves.
    """

    name: str
    stage: str
    count: int
    servers: int
    discipline: str
    utilisation: float | None
    share_of_saturation: float | None
    mean_number_waiting: float | None
    paces: bool = True

    def as_dict(self) -> dict[str, Any]:
        """The same as a plain mapping, ready for JSON."""
        return {key: value for key, value in asdict(self).items() if key != "paces"}


def station_results(load: Load, replications: Sequence[Replication]) -> tuple[StationResult, ...]:
    """Utilisation, share of saturation and mean number waiting of every bank."""
    seconds = sum(each.stations.seconds_s for each in replications)
    busy: FloatArray = np.sum([each.stations.busy_s for each in replications], axis=0)
    waiting: FloatArray = np.sum([each.stations.waiting_s for each in replications], axis=0)
    results = []
    for place, bank in enumerate(load.banks):
        if bank.discipline == Discipline.PRESENT:  # only counts
            continue
        has_queue = bank.discipline != Discipline.DELAY
        share = float(load.share[place])
        results.append(
            StationResult(
                bank.name,
                bank.stage.name.lower(),
                bank.count,
                bank.servers,
                bank.discipline.name.lower(),
                float(busy[place]) / seconds / bank.loaded / bank.servers if has_queue else None,
                None if np.isnan(share) else share,
                # The integral of a wait that is none may lie a rounding below 0.
                max(float(waiting[place]), 0.0) / seconds / bank.loaded if has_queue else None,
                bank.paces,
            )
        )
    return tuple(results)
