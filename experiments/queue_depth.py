"""How do throughput and p99 grow with the queue depth, on flash and on spinning drives?

One client keeps 1 to 512 small random reads going, without thinking: simulated against product form (exact mean value
analysis, of stations taken as exponential), asymptotic bounds and the interactive response-time law R = N / X.
"""

from __future__ import annotations

import pandas as pd
from matplotlib.figure import Figure

import drawn
from record import recorded
from simulated import Runs, by_runs, row
from tailrace.forecast.estimate import estimate
from tailrace.report.pictures import style
from tailrace.scenario.reading.read import parse
from tailrace.scenario.tables.scenario import Scenario
from tailrace.theory import interactive_response_s

FLASH = """
[server.media]
kind = "flash"
count = 2
capacity = "3.84 TB"
dies = 32
channels = 8
channel_rate = "1.2 GB/s"
cell_read = "65 us"
cell_program = "700 us"
cell_erase = "5 ms"
page = "16 KiB"
pages_per_block = 1024
write_amplification = 1.0
buffer = "16 MiB"
command_rate = "1000000 /s"
"""
SPINNING = """
[server.media]
kind = "spinning"
count = 4
capacity = "2 TB"
rpm = "7200 rpm"
seek_adjacent = "0.6 ms"
seek_average = "8.5 ms"
seek_full = "17 ms"
outer_rate = "200 MB/s"
inner_rate = "100 MB/s"
queue_slots = 32
scheduling = "shortest access first"
"""
REST = """
[server.controller]
cores = 4
per_request = "4 us"
per_completion = "2 us"
[[workload]]
name = "booking"
queue_depth = DEPTH
request_size = "8 KiB"
"""
MEDIA = {"flash": (FLASH, "two flash drives, 64 dies"), "spinning": (SPINNING, "four spinning drives")}


def scenario(media: str, depth: int) -> Scenario:
    return parse(MEDIA[media][0] + REST.replace("DEPTH", str(depth)))


def measured(runs: Runs) -> pd.DataFrame:
    depths = (1, 16, 128) if runs.quick else (1, 2, 4, 8, 16, 32, 64, 128, 256, 512)
    rows = []
    for media in MEDIA:
        for depth in depths:
            requests = 8_000 if runs.quick else max(60_000 if media == "spinning" else 150_000, 400 * depth)
            closed = scenario(media, depth)
            found, _ = runs.figures(closed, requests)
            seen, known = found["booking"], estimate(closed, runs.seed).classes["booking"]
            common = {"media": media, "depth": depth}
            rows += [
                common
                | {"quantity": "throughput_per_s", "closed_form": known.rate_per_s}
                | {
                    "bound_low": known.high_s and depth / known.high_s,
                    "bound_high": known.low_s and depth / known.low_s,
                }
                | row(seen.rate_per_s),
                common
                | {"quantity": "mean_s", "closed_form": known.mean_s, "bound_low": known.low_s}
                | {
                    "bound_high": known.high_s,
                    "from_throughput": interactive_response_s(depth, seen.rate_per_s.value),
                }
                | row(seen.latency_s["mean"]),
                common | {"quantity": "p99_s"} | row(seen.latency_s["p99"]),
            ]
    return pd.DataFrame(rows)


def picture(frame: pd.DataFrame) -> Figure:
    figure, axes = drawn.panels(2, 2, 6.6, sharex=True)
    depths = sorted(frame.depth.unique())
    for column, (media, part) in enumerate(frame.groupby("media", sort=False)):
        above, below = axes[column], axes[2 + column]
        rate = part[part.quantity == "throughput_per_s"]
        drawn.compared(above, rate.depth, rate.closed_form, rate, 0, "rate and mean (line: product form)")
        drawn.bound(above, rate.depth, rate.bound_high, "asymptotic bound")
        drawn.title(above, MEDIA[media][1])
        mean, p99 = part[part.quantity == "mean_s"], part[part.quantity == "p99_s"]
        drawn.compared(
            below, mean.depth, mean.closed_form, mean, 0, "rate and mean (line: product form)", 1e3
        )
        drawn.bound(below, mean.depth, mean.bound_low * 1e3, "asymptotic bound")
        below.plot(
            mean.depth,
            mean.from_throughput * 1e3,
            "+",
            color=style.INK,
            markersize=11,
            label="depth / simulated rate",
        )
        drawn.marks(below, p99.depth, p99, 1, "p99, simulated only", 1e3, joined=True)
        for axis in (above, below):
            style.log_axis(axis.yaxis)
            style.power_axis(axis.xaxis, depths, [str(depth) for depth in depths])
        below.set_xlabel("queue depth")
    axes[0].set_ylabel("requests/s")
    axes[2].set_ylabel("latency, ms")
    drawn.legend(figure, axes, f"marks: simulated; {drawn.BARS}")
    return figure


def main() -> None:
    recorded("queue_depth", __doc__.splitlines()[0], by_runs(measured), picture)


if __name__ == "__main__":
    main()
