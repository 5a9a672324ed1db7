"""What the experiments that make whole studies have in common."""

from __future__ import annotations

from tailrace.crew.executors import available_cores
from tailrace.lessons import servers
from tailrace.study.session import How

BOOKING = """
[[workload]]
name = "booking"
clients = CLIENTS
rate = "RATE /s"
request_size = "8 KiB"
read_share = 0.7
span = "4 TiB"
[workload.target]
p99 = "LIMIT"
"""
FRONT = """
[server.network]
ports = 2
rate = "25 Gbit/s"
round_trip = "60 us"
price = 150
power = "9 W"
[server.controller]
cores = 16
per_request = "7 us"
per_completion = "2 us"
per_disk_operation = "1 us"
copy_rate = "8 GB/s"
price = 90
power = "8 W"
"""
FLASH = servers.FLASH.replace(
    "write_amplification = 1.0", 'count = COUNT\nwrite_amplification = 2.48\nprice = 600\npower = "12 W"'
)
SPINNING = """
[server.lanes]
rate = "12 Gbit/s"
[server.media]
kind = "spinning"
count = COUNT
capacity = "2 TB"
rpm = "7200 rpm"
seek_adjacent = "0.6 ms"
seek_average = "8.5 ms"
seek_full = "17 ms"
outer_rate = "200 MB/s"
inner_rate = "100 MB/s"
price = 80
power = "8 W"
"""


def text(server: str, drives: int, clients: int, rate_per_s: float, limit: str, run: str) -> str:
    """A scenario of the booking servers on one of the two servers."""
    workload = (
        BOOKING.replace("CLIENTS", str(clients)).replace("RATE", repr(rate_per_s)).replace("LIMIT", limit)
    )
    return f"{FRONT}{server.replace('COUNT', str(drives))}{workload}[run]\n{run}\n"


def options(seed: int, quick: bool) -> How:
    """All cores, unless it is a small version for tests."""
    return {"seed": seed, "workers": 1 if quick else available_cores()}
