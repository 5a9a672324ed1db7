"""How do throughput and p99 grow with the queue depth, on flash and on spinning drives?

One client keeps 1 to 512 small random reads going, without thinking: simulated against product form (exact mean value
analysis, of stations taken as exponential), asymptotic bounds and the interactive response-time law R = N / X.
"""

from __future__ import annotations

import matplotlib.pyplot as plt
import pandas as pd

from record import recorded
from simulated import COLOURS, Runs, by_runs, intervals, legend_above, plain_log, row, scaled
from tailrace.scenario.read import parse
from tailrace.scenario.scenario import Scenario
from tailrace.study.estimate import estimate
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


def picture(frame: pd.DataFrame) -> plt.Figure:
    figure, axes = plt.subplots(2, 2, figsize=(10.4, 7.6), sharex=True)
    for column, (media, part) in enumerate(frame.groupby("media", sort=False)):
        above, below = axes[0][column], axes[1][column]
        rate = part[part.quantity == "throughput_per_s"]
        above.plot(
            rate.depth, rate.closed_form / 1e3, color=COLOURS[0], label="product form (mean value analysis)"
        )
        above.plot(rate.depth, rate.bound_high / 1e3, "--", color="#777777", label="asymptotic bound")
        intervals(
            above,
            list(rate.depth),
            scaled(rate, 1e-3),
            COLOURS[1],
            linestyle="none",
            label="rate and mean, simulated",
        )
        above.set_title(MEDIA[media][1], fontsize=11)
        above.set_ylabel("throughput, 1,000 requests/s\n(bars: 95 % intervals)")
        mean, p99 = part[part.quantity == "mean_s"], part[part.quantity == "p99_s"]
        below.plot(mean.depth, mean.closed_form * 1e3, color=COLOURS[0])
        below.plot(mean.depth, mean.bound_low * 1e3, "--", color="#777777")
        below.plot(
            mean.depth,
            mean.from_throughput * 1e3,
            "+",
            color="black",
            markersize=11,
            label="depth / simulated throughput",
        )
        intervals(
            below,
            list(mean.depth),
            scaled(mean, 1e3),
            COLOURS[1],
            linestyle="none",
            label="rate and mean, simulated",
        )
        intervals(
            below,
            list(p99.depth),
            scaled(p99, 1e3),
            COLOURS[2],
            fmt="s:",
            label="p99, simulated",
        )
        below.set_ylabel("latency, ms (bars: 95 % intervals)")
        below.set_xlabel("queue depth")
        for axis in (above, below):
            axis.set_xscale("log", base=2)
            axis.set_yscale("log")
            plain_log(axis.yaxis)
            depths = sorted(part.depth.unique())
            axis.set_xticks(depths, [str(depth) for depth in depths])
            axis.grid(alpha=0.3)
    legend_above(figure, axes.flat, 3, 0.08)
    return figure


def main() -> None:
    recorded("queue_depth", __doc__.splitlines()[0], by_runs(measured), picture)


if __name__ == "__main__":
    main()
