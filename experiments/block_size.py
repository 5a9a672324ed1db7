"""What becomes of rate, throughput and time per request as blocks grow from 512 B to 8 MiB, on spinning and on flash?

One client reads one block at a time, anywhere or one behind the other, and on the spinning drive also two at a time one
behind the other: simulated against seek + rotation + transfer, and against command + cell + bus + link of the flash
drive. The drives are those of the lessons; all closed forms are exact.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

import drawn
from record import recorded
from simulated import Runs, by_runs, row
from tailrace.lessons.servers import CAPACITY_BYTES, FLASH, SPINNING, TURN_S, keeping
from tailrace.physics.seek import seek_times_s, three_point_curve
from tailrace.report.figures import byte_size
from tailrace.report.pictures import style
from tailrace.scenario.reading.read import parse
from tailrace.scenario.tables.scenario import Scenario
from tailrace.theory import interactive_response_s

IN_ORDER = SPINNING.replace("shortest access first", "arrival order")
SEQUENTIAL = f'pattern = "sequential"\nspan = "{CAPACITY_BYTES / 100:.0f} B"\n'
OUTER, INNER = 180e6, 90e6
SEEKS_S = (0.9e-3, 10e-3, 21e-3)
COMMAND_S, CELL_S, PAGE_BYTES, CHANNEL = 2e-6, 65e-6, 16 * 1024, 1.2e9
LINK = 2 * 16e9 * 128 / 130 / 8 * 256 / (256 + 24)
"""Two lanes of generation 4, 128b/130b, packets of 256 B with 24 B around them; bytes a second."""

WAYS = {
    "spinning, random": (IN_ORDER, 1, ""),
    "spinning, sequential, one at a time": (IN_ORDER, 1, SEQUENTIAL),
    "spinning, sequential, two at a time": (IN_ORDER, 2, SEQUENTIAL),
    "flash, random": (FLASH, 1, ""),
    "flash, sequential": (FLASH, 1, SEQUENTIAL),
}
"""Drive, blocks under way, and the rest of the class."""


def scenario(way: str, size: int) -> Scenario:
    drive, depth, rest = WAYS[way]
    return parse(drive + keeping(depth, f"{size} B") + rest)


def seek_s() -> float:
    """Mean seek between two random places: capacity is in proportion to the radius, so more of them lie outside.

    The address share u lies at the share x(u) = (q − √(q² − u(q² − 1)))/(q − 1) of the stroke, q = outer over inner
    rate; the mean over all pairs by the midpoint rule. Derived.
    """
    q = OUTER / INNER
    u = (np.arange(2000) + 0.5) / 2000
    x = (q - np.sqrt(q**2 - u * (q**2 - 1))) / (q - 1)
    return float(seek_times_s(np.abs(x[:, None] - x), three_point_curve(*SEEKS_S)).mean())


def time_s(way: str, size: int) -> float:
    """Mean seconds of a block in the drive. Exact.

    Spinning, random: seek, half a turn, and the transfer at the mean rate of all tracks. One behind the other: the
    next block has just passed the head when it is asked for, which costs a whole turn; with two under way it costs
    nothing. Flash: the pages of a block come from dies and buses side by side, faster than the link carries them.
    """
    if way.startswith("flash"):
        return COMMAND_S + CELL_S + min(size, PAGE_BYTES) / CHANNEL + size / LINK
    if way == "spinning, random":
        return seek_s() + TURN_S / 2 + size / ((OUTER + INNER) / 2)
    # the span is the outermost hundredth of the addresses: the rates at its ends, from the radius
    last = INNER * np.sqrt((OUTER / INNER) ** 2 - 0.01 * ((OUTER / INNER) ** 2 - 1))
    lost = TURN_S if way.endswith("one at a time") else 0.0
    return float(lost + size / ((OUTER + last) / 2))


def measured(runs: Runs) -> pd.DataFrame:
    powers = (9, 16, 23) if runs.quick else range(9, 24)
    rows = []
    for way, (_, depth, _) in WAYS.items():
        # only random places on a turning platter take a time that varies
        requests = (1200 if runs.quick else 6000) if way == "spinning, random" else 400
        for size in (2**power for power in powers):
            found, _ = runs.figures(scenario(way, size), requests)
            seen, alone_s = found["booking"], time_s(way, size)
            common = {"way": way, "size_bytes": size}
            rate, flow = seen.rate_per_s, seen.throughput_bytes_per_s
            rows += [
                common | {"quantity": "rate_per_s", "closed_form": 1 / alone_s} | row(rate),
                common | {"quantity": "throughput_bytes_per_s", "closed_form": size / alone_s} | row(flow),
                common
                | {"quantity": "mean_s", "closed_form": interactive_response_s(depth, 1 / alone_s)}
                | row(seen.latency_s["mean"]),
            ]
    return pd.DataFrame(rows)


PANELS = {
    "rate_per_s": ("requests/s", 1.0),
    "throughput_bytes_per_s": ("throughput, MB/s", 1e-6),
    "mean_s": ("mean latency, ms", 1e3),
}


def picture(frame: pd.DataFrame) -> Figure:
    figure, axes = drawn.panels(3, 1, 8.6, sharex=True)
    for axis, (quantity, (label, factor)) in zip(axes, PANELS.items(), strict=True):
        shown = frame[(frame.quantity == quantity) & (frame.way != "flash, sequential")]
        for place, (way, part) in enumerate(shown.groupby("way", sort=False)):
            name = "flash, random or sequential" if way.startswith("flash") else way
            drawn.compared(axis, part.size_bytes, part.closed_form, part, place, name, factor)
        style.log_axis(axis.yaxis)
        axis.set_ylabel(label)
    sizes = sorted(frame.size_bytes.unique())
    style.power_axis(axes[-1].xaxis, sizes, [byte_size(size) for size in sizes])
    axes[-1].set_xlabel("size of a block")
    drawn.legend(figure, axes[:1])
    return figure


def main() -> None:
    recorded("block_size", __doc__.splitlines()[0], by_runs(measured), picture)


if __name__ == "__main__":
    main()
