"""Stations that every drive has of its own."""

from __future__ import annotations

from tailrace.plan.columns import Stage
from tailrace.plan.stations import Discipline, Stations
from tailrace.scenario.tables.drives import Drives


def add_to_each(
    stations: Stations,
    drives: Drives,
    name: str,
    discipline: Discipline,
    servers: int = 1,
    each: int = 1,
    ranked: bool = False,
) -> int:
    """Add ``each`` stations to every drive, numbered drive by drive, and return the number of the first.

    Those of slow drives, the first ones, are a bank of their own: evenly loaded is each bank by itself only, and an
    answer can name what binds.
    """
    slow = drives.slow_drives
    first = len(stations)
    if slow:
        stations.add(f"slow {name}", Stage.MEDIA, discipline, servers, each * slow, ranked=ranked)
    if slow < drives.count:
        stations.add(name, Stage.MEDIA, discipline, servers, each * (drives.count - slow), ranked=ranked)
    return first
