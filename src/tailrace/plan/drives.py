"""Stations that every drive has of its own."""

from __future__ import annotations

from tailrace.plan.columns import Stage
from tailrace.plan.stations import Dies, Discipline, Flow, Stations
from tailrace.scenario.tables.drives import Drives


def add_to_each(
    stations: Stations,
    drives: Drives,
    name: str,
    discipline: Discipline,
    servers: int = 1,
    dies: Dies | None = None,
    flow: Flow | None = None,
) -> int:
    """Add a station, or ``dies``, to every drive, numbered drive by drive, and return the number of the first.

    Those of slow drives, the first ones, are a bank of their own: evenly loaded is each bank by itself only, and an
    answer can name what binds.
    """
    slow = drives.slow_drives
    first, each = len(stations), 1 if dies is None else dies.each
    for prefix, count in (("slow ", slow), ("", drives.count - slow)):
        if count:
            stations.add(
                prefix + name,
                Stage.MEDIA,
                discipline,
                servers,
                each * count,
                ranked=dies is not None,
                dies=dies,
                flow=flow,
            )
    return first
