"""Does a larger flash drive do more? Dies grow with capacity, and so does the rate, until the link binds.

One drive of 0.48 to 15.36 TB with one die for each 128 GB, random reads of 4 KiB at a deep queue and sequential reads
of 128 KiB, behind four lanes of PCI Express and behind a serial link of 6 Gbit/s.
"""

from __future__ import annotations

import pandas as pd
from matplotlib.figure import Figure

import drawn
from record import recorded
from studied import options
from tailrace.report.pictures import style
from tailrace.scenario.reading.read import parse
from tailrace.scenario.tables.scenario import Scenario
from tailrace.study.sweep import sweep

DIE_TB = 0.128
CAPACITIES_TB = (0.48, 0.96, 1.92, 3.84, 7.68, 15.36)
LINKS = {
    "PCI Express 3, 4 lanes": "pcie_generation = 3\nwidth = 4",
    "serial, 6 Gbit/s": 'rate = "6 Gbit/s"',
}
PATTERNS = {"random 4 KiB": ("4 KiB", "random"), "sequential 128 KiB": ("128 KiB", "sequential")}
DRIVE = """
[server.lanes]
LINK
[server.media]
kind = "flash"
capacity = "CAPACITY TB"
dies = DIES
channels = 16
channel_rate = "800 MB/s"
cell_read = "70 us"
cell_program = "900 us"
cell_erase = "5 ms"
command_rate = "2000000 /s"
queue_slots = 1024
[[workload]]
name = "scan"
queue_depth = 512
request_size = "SIZE"
pattern = "PATTERN"
[run]
requests = REQUESTS
replications = REPLICATIONS
"""


def drive(link: str, capacity_tb: float, size: str, pattern: str, quick: bool) -> Scenario:
    """One drive with as many dies as its capacity fills."""
    found = DRIVE.replace("LINK", link).replace("CAPACITY", str(capacity_tb)).replace("SIZE", size)
    found = found.replace("DIES", str(round(capacity_tb / DIE_TB))).replace("PATTERN", pattern)
    return parse(
        found.replace("REQUESTS", "6000" if quick else "60000").replace("REPLICATIONS", "4" if quick else "8")
    )


def measured(seed: int, quick: bool) -> pd.DataFrame:
    rows = []
    capacities = CAPACITIES_TB[::2] if quick else CAPACITIES_TB
    for link, keys in LINKS.items():
        for name, (size, pattern) in PATTERNS.items():
            designs = [drive(keys, each, size, pattern, quick) for each in capacities]
            found = sweep(
                designs,
                {"workload.scan.queue_depth": [512]},
                names=[f"{each}" for each in capacities],
                **options(seed, quick),
            )
            for row in found.rows():
                capacity = float(row["scenario"])
                rows.append(
                    {
                        "link": link,
                        "pattern": name,
                        "capacity_tb": capacity,
                        "dies": round(capacity / DIE_TB),
                        **{key: row[key] for key in ("rate_per_s", "rate_per_s_low", "rate_per_s_high")},
                        "throughput_mb_per_s": row["throughput_bytes_per_s"] / 1e6,
                        "p99_ms": None if row["p99_s"] is None else row["p99_s"] * 1e3,
                    }
                )
    return pd.DataFrame(rows)


def picture(frame: pd.DataFrame) -> Figure:
    figure, axes = drawn.panels(1, 2, 4.2)
    for axis, (pattern, part) in zip(axes, frame.groupby("pattern", sort=False), strict=True):
        is_random = pattern.startswith("random")
        for place, (link, line) in enumerate(part.groupby("link", sort=False)):
            if is_random:
                ends = (line.rate_per_s_low, line.rate_per_s_high)
                drawn.band(axis, line.capacity_tb, line.rate_per_s, *ends, place, link)
            else:
                drawn.band(axis, line.capacity_tb, line.throughput_mb_per_s, None, None, place, link)
        style.log_axis(axis.yaxis, (1.0, 2.0, 5.0))
        capacities = sorted(part.capacity_tb.unique())
        style.power_axis(axis.xaxis, capacities, [f"{each:g}" for each in capacities])
        axis.set_xlabel("capacity, TB (a die for each 0.128 TB)")
        axis.set_ylabel("requests/s" if is_random else "throughput, MB/s")
        drawn.title(axis, f"{pattern} reads")
    drawn.legend(figure, axes, "512 reads at a time; bands: 95 % intervals of the rates")
    return figure


def main() -> None:
    recorded(
        "capacity_scaling",
        __doc__.splitlines()[0],
        lambda chosen: measured(chosen.seed, chosen.quick),
        picture,
        None,
    )


if __name__ == "__main__":
    main()
