"""Sharing: the pictures and the reasoning."""

from __future__ import annotations

from functools import partial

from tailrace.lessons.lesson import Chapter, Lesson, written
from tailrace.lessons.lines import Panel, Series, drawing, latencies
from tailrace.lessons.sharing.run import LOADS, SMALL_BYTES, SMALL_RATES, Sharing, exact_s
from tailrace.lessons.trials import figures, known

AXIS = "load of the large requests, %"
DRIVE_AXIS = "small reads a second"


def lesson(found: Sharing) -> Lesson:
    """The lesson, from what was found."""
    mean = {
        way: 1e6 * known(figures(answers[0.5], "booking").latency_s["mean"])
        for way, answers in (("order", found.in_order), ("shared", found.shared))
    }
    flow = {
        rate: known(figures(each, "manifests").throughput_bytes_per_s) for rate, each in found.drive.items()
    }
    wait = {
        way: 1e3 * known(figures(answers[10], "booking").latency_s["mean"])
        for way, answers in (("order", found.drive), ("nearest", found.nearest))
    }
    cost = (flow[0] - flow[10]) / 10 / SMALL_BYTES
    link, drive = _link(found), _drive(found)
    return Lesson(
        "A nightly copy of large files runs beside the small requests of the day. The copy takes half of the link, so "
        "half is left: why do small requests suffer, and what does it matter in which order they are served?",
        (
            Chapter(
                "On a link: in order, or in turns",
                (
                    "A small request of 8 KiB needs 6.6 us of this link, a large one of 1 MiB 839 us. In order of "
                    "arrival a small request that comes behind a large one waits for all of it, 128 times its own "
                    "time, although the link is half empty in the mean.",
                    f"With the large ones at 50 %, small requests take {written(mean['order'])} us in order of arrival "
                    f"and {written(mean['shared'])} us where the link is shared, each transfer moving at its fair part "
                    "of the rate. Sharing does nothing for the link: it is as busy as before. It only keeps a short "
                    "transfer from paying for a long one.",
                    "Where sharing is not to be had, large transfers can be cut into pieces, or small requests be let "
                    "first; both do the same by other means.",
                ),
                (
                    drawing(
                        "link",
                        link,
                        AXIS,
                        "Mean and p99 latency of small requests over the load of large ones, in order of arrival and "
                        "shared; in order of arrival the means are six to fifty times as long.",
                        "Small requests only. Thin lines: exact means (M/G/1, and M/G/1 with processor sharing).",
                    ),
                ),
            ),
            Chapter(
                "On a spinning drive: the way costs more than the data",
                (
                    "Now the copy reads from a spinning drive, and small reads go elsewhere on it. Each of them takes "
                    "the arm away, and the copy has to bring it back: that is two seeks and two waits for the platter "
                    f"beside the 8 KiB. In order of arrival one small read costs the copy as much as {written(cost)} "
                    "small blocks would have been.",
                    f"The copy alone moves {written(flow[0] / 1e6)} MB/s; beside 10 small reads a second it moves "
                    f"{written(flow[10] / 1e6)}, though these are not even a tenth of a megabyte. Counting bytes says "
                    "nothing here; counting ways does.",
                    "A drive that takes the shortest access first protects the copy: its next block is always the "
                    "nearest. For the same reason the small reads are always the farthest, and wait until the drive's "
                    f"age limit of two seconds lets them in: {written(wait['nearest'])} ms in the mean instead of "
                    f"{written(wait['order'])}. What is good for the whole may be bad for each that is small.",
                ),
                (
                    drawing(
                        "drive",
                        drive,
                        DRIVE_AXIS,
                        "Throughput of a large stream on a spinning drive falls with the rate of small reads beside "
                        "it; below, the mean latency of the small reads, far longer with the nearest first.",
                        "Above the large stream, below the small reads beside it.",
                    ),
                ),
            ),
        ),
        "A link of 10 Gbit/s, filled to 5 % by small requests of 8 KiB and further by requests of 1 MiB, both at "
        "random times; and a spinning drive of 4 TB at 5,400 turns a minute with one sequential stream that keeps four "
        "reads of 1 MiB going, beside random reads of 8 KiB.",
    )


def _link(found: Sharing) -> tuple[Panel, ...]:
    ways = (("in order", "fcfs", found.in_order), ("shared", "ps", found.shared))
    means = tuple(
        latencies(
            f"mean, {way}", "mean", answers, LOADS, partial(exact_s, discipline), name="booking", factor=100
        )
        for way, discipline, answers in ways
    )
    p99s = tuple(
        latencies(f"p99, {way}", "p99", answers, LOADS, name="booking", factor=100)
        for way, _, answers in ways
    )
    return (Panel("latency of small requests, us", means + p99s, 1e6),)


def _drive(found: Sharing) -> tuple[Panel, ...]:
    rates = tuple(float(rate) for rate in SMALL_RATES)
    ways = (("in order", found.drive), ("nearest first", found.nearest))
    stream = tuple(
        Series(
            f"stream, {way}",
            rates,
            tuple(figures(answers[rate], "manifests").throughput_bytes_per_s for rate in rates),
        )
        for way, answers in ways
    )
    small = tuple(
        latencies(f"small reads, {way}", "mean", answers, rates[1:], name="booking") for way, answers in ways
    )
    return (Panel("throughput, MB/s", stream, 1e-6, logarithmic=False), Panel("mean latency, ms", small))
