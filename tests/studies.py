"""Small scenarios and studies for tests."""

from tailrace.scenario import parse
from tailrace.scenario.tables.scenario import Scenario

ONE_STATION = """
title = "Counter"
[server.media]
kind = "generic"
servers = 2
service = {law = "exponential", mean = "1 ms"}
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

CLOSED = """
[server.media]
kind = "generic"
servers = 4
service = {law = "exponential", mean = "1 ms"}
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
