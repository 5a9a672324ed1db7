"""The drives and stations on which the lessons are given. Invented parts, of the size that such parts have."""

SPINNING = """
[server.media]
kind = "spinning"
capacity = "4 TB"
rpm = "5400 rpm"
seek_adjacent = "0.9 ms"
seek_average = "10 ms"
seek_full = "21 ms"
outer_rate = "180 MB/s"
inner_rate = "90 MB/s"
queue_slots = 128
scheduling = "shortest access first"
"""
TURN_S = 60 / 5400
SEEK_ADJACENT_S, SEEK_AVERAGE_S = 0.9e-3, 10e-3
CAPACITY_BYTES = 4e12

FLASH = """
[server.media]
kind = "flash"
capacity = "3.84 TB"
dies = 64
channels = 8
channel_rate = "1.2 GB/s"
cell_read = "65 us"
cell_program = "700 us"
cell_erase = "5 ms"
write_amplification = 1.0
command_rate = "500000 /s"
[server.lanes]
pcie_generation = 4
width = 2
"""

STATION = """
[server.media]
kind = "generic"
count = COUNT
servers = SERVERS
discipline = "fcfs"
service = {law = "LAW", mean = "MEAN"}
"""
SERVICE_S = 2e-3

CLUSTER = """
[cluster]
servers = SERVERS
copies = COPIES
reads_from = "WHICH"
"""

OPEN = """
[[workload]]
name = "booking"
rate = "RATE /s"
request_size = "8 KiB"
"""
CLOSED = """
[[workload]]
name = "booking"
queue_depth = DEPTH
request_size = "SIZE"
"""


def station(count: int = 1, servers: int = 1, law: str = "exponential", mean: str = "2 ms") -> str:
    """So many stations of 2 ms a request, or another ``mean``, with so many servers each."""
    written = STATION.replace("COUNT", str(count)).replace("SERVERS", str(servers)).replace("LAW", law)
    written = written.replace("MEAN", mean)
    return written.replace("mean = ", "value = ") if law == "constant" else written


def cluster(servers: int, copies: int = 1, reads_from: str = "first") -> str:
    """The server so many times, and which of so many copies is read."""
    written = CLUSTER.replace("SERVERS", str(servers)).replace("COPIES", str(copies))
    return written.replace("WHICH", reads_from)


def arriving(rate_per_s: float) -> str:
    """Small reads that arrive at random."""
    return OPEN.replace("RATE", repr(rate_per_s))


def keeping(depth: int, size: str = "8 KiB") -> str:
    """One client that keeps so many random reads under way, without thinking."""
    return CLOSED.replace("DEPTH", str(depth)).replace("SIZE", size)
