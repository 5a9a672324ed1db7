"""Work that servers set themselves, as a class of requests like any other."""

from __future__ import annotations

from tailrace.scenario.tables.workload import Workload


def background_class(
    name: str, clients: int, rate: float, chunk: int, priority: int, pool: str | None = None
) -> Workload:
    """Writes of ``chunk`` bytes one after the other at regular intervals, ``rate`` bytes a second by each client."""
    return Workload.model_validate(
        {
            "name": name,
            "clients": clients,
            "rate": rate / chunk,
            "arrivals": "regular",
            "request_size": chunk,
            "read_share": 0.0,
            "pattern": "sequential",
            "priority": priority,
            "pool": pool,
        }
    )
