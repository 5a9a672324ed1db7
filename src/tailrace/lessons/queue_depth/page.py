"""Queue depth: the pictures and the reasoning."""

from __future__ import annotations

from tailrace.lessons.lesson import Chapter, Drawing, Lesson, told, written
from tailrace.lessons.lines import Panel, Series, drawing
from tailrace.lessons.queue_depth.run import DEPTHS, QueueDepth
from tailrace.lessons.trials import known, seen
from tailrace.report.pictures.curves import queue_depth_curve
from tailrace.report.sentences import limit_sentence
from tailrace.report.table import Cell, Table
from tailrace.study.curve import Curve


def lesson(found: QueueDepth) -> Lesson:
    """The lesson, from what was found."""
    named = {"spinning drive": found.spinning, "flash drive": found.flash}
    arm, dies = seen(found.spinning), seen(found.flash)
    one, many, quick, busy = arm[1], arm[32], dies[1], dies[256]
    return Lesson(
        "A client that keeps more requests under way gets more of them done each second. Sooner or later each of them "
        "takes longer. How much longer is not a matter of taste: it follows from the rate by a law without exception.",
        (
            Chapter(
                "What a deeper queue brings",
                (
                    f"The spinning drive serves {told(one.rate_per_s)} reads/s one at a time and "
                    f"{told(many.rate_per_s)} at depth 32: with more to choose from, its arm takes shorter ways. The "
                    f"mean latency goes from {told(one.latency_s['mean'], 1e3)} to "
                    f"{told(many.latency_s['mean'], 1e3)} ms.",
                    "The flash drive has many dies that work side by side, and one read keeps one of them busy. Up "
                    "to some depth more requests cost hardly any latency, because they wake dies that were idle; "
                    f"beyond it the rate stays, {told(quick.rate_per_s)} /s at depth 1 and {told(busy.rate_per_s)} at "
                    "256, and every further request only makes the queue longer. What is full then the answer itself "
                    f"says: {limit_sentence(found.flash.points[-1].result)}",
                ),
                (
                    Drawing(
                        "depth",
                        lambda width: queue_depth_curve(named, under_way=True, width=width),
                        "Rate, latency and the product of the two over the queue depth, spinning drive and flash "
                        "drive. The product lies on a straight line: it is the depth.",
                        "Above the rate, in the middle what it costs, below rate times mean latency: Little's law.",
                        (("Points of the lines", _table(named)),),
                    ),
                ),
            ),
            Chapter(
                "Little's law",
                (
                    "The number under way is the rate times the mean latency. It holds for any server, any order of "
                    "service and any distribution: requests that stay twice as long, arriving as often, are twice "
                    "as many at a time. A client that keeps 32 under way therefore sees a mean latency of 32 divided "
                    "by the rate, whatever the drive.",
                    "So the lowest part of the picture is a straight line, on both drives, though nothing else in it "
                    "is. It is a check for every measurement, too: figures that break it were not taken at the same "
                    "time, or not of the same requests.",
                ),
            ),
            Chapter(
                "The exchange",
                (
                    "Drawn against each other, rate and latency show what is bought and at which price. As long as the "
                    "line goes upwards the price is low; where it turns to the right, latency is paid for nothing. "
                    "The depth worth having lies at the bend.",
                ),
                tuple(
                    drawing(
                        f"exchange-{name.split()[0]}",
                        _exchange(curve),
                        "mean latency, ms",
                        f"Rate over mean latency on the {name}, for queue depths from 1 to 256.",
                        f"The {name}: queue depth 1 at the left, 256 at the right, doubled from mark to mark.",
                        logarithmic=True,
                    )
                    for name, curve in named.items()
                ),
            ),
        ),
        "One client without thinking keeps 1 to 256 random reads of 8 KiB under way, on a spinning drive of 4 TB at "
        "5,400 turns a minute with 128 queue slots, shortest access first, and on a flash drive of 64 dies.",
    )


def _exchange(curve: Curve) -> tuple[Panel, ...]:
    at = seen(curve)
    points = [at[depth] for depth in DEPTHS]
    latencies = tuple(1e3 * known(each.latency_s["mean"]) for each in points)
    series = Series("rate", latencies, tuple(each.rate_per_s for each in points))
    return (Panel("requests, /s", (series,), 1.0, logarithmic=False),)


def _table(named: dict[str, Curve]) -> Table:
    rows, curves = [], [seen(curve) for curve in named.values()]
    for depth in DEPTHS:
        cells: list[Cell] = []
        for curve in curves:
            each = curve[depth]
            mean = each.latency_s["mean"]
            cells += [each.rate_per_s, mean.scaled(1e3), each.latency_s["p99"].scaled(1e3)]
            cells.append(written(known(each.rate_per_s) * known(mean), 4))
        rows.append((f"{depth}", *cells))
    kinds = ("rate, /s", "mean, ms", "p99, ms", "rate × mean")
    head = ("queue depth", *(f"{name.split()[0]}: {kind}" for name in named for kind in kinds))
    return Table.of(head, rows)
