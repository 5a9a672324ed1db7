"""Small scenarios and studies for tests."""

from drives import generic
from tailrace.scenario import parse
from tailrace.scenario.tables.scenario import Scenario

ONE_STATION = f"""
title = "Counter"
{generic("exponential", servers=2)}
[[workload]]
name = "booking"
clients = 10
rate = "100 /s"
request_size = "8 KiB"
read_share = 0.5
[workload.target]
p99 = "12 ms"
[run]
seed = 3
requests = 2000
replications = 4
"""


def a_day(noon: str, night: float = 8, at_noon: float = 2, day: float = 14) -> str:
    """Three conditions: what is set at noon, and for how many hours each lasts."""
    return f"""
[[condition]]
name = "night"
hours = {night}
set = {{ load = 0.2 }}
[[condition]]
name = "noon"
hours = {at_noon}
set = {noon}
[[condition]]
name = "day"
hours = {day}
"""


CLOSED = f"""
{generic("exponential", servers=4)}
[[workload]]
name = "scan"
queue_depth = 1
request_size = "64 KiB"
[run]
seed = 3
requests = 1500
replications = 3
"""


def counter(*settings: str) -> Scenario:
    """Two exponential servers of 1 ms, 1,000 requests a second, p99 at most 12 ms."""
    return parse(ONE_STATION, overrides=settings)


def closed(*settings: str) -> Scenario:
    """Four exponential servers, one closed client."""
    return parse(CLOSED, overrides=settings)
