"""Tail: the pictures and the reasoning."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

from tailrace.answer.result import Result, StageTimes
from tailrace.lessons.lesson import Chapter, Drawing, Lesson, written
from tailrace.lessons.lines import Panel, drawing, latencies
from tailrace.lessons.servers import SERVICE_S
from tailrace.lessons.tail.run import LOADS, Tail, exact_s
from tailrace.lessons.trials import figures, known
from tailrace.report.pictures.stages import stacked_time
from tailrace.report.table import Head, Table

AXIS = "busy share of the server, %"
BRIEFLY = {"around the median": "half", "slowest 1 %": "slow"}


def lesson(found: Tail) -> Lesson:
    """The lesson, from what was found."""
    at = {load: figures(each).latency_s for load, each in found.constant.items()}
    mean, p99 = (1e3 * known(at[0.2][name]) for name in ("mean", "p99"))
    late = {name: 1e3 * known(at[0.6][name]) for name in ("mean", "p99")}
    bars = _at_the_drive(found.constant)
    panels = {
        "constant": _panels(found.constant, "constant"),
        "any": _panels(found.exponential, "exponential"),
    }
    return Lesson(
        "Load a server a little more, and its mean latency hardly stirs. The slowest one in a hundred has already "
        "doubled. Who watches the mean is told last.",
        (
            Chapter(
                "The mean hides those who wait",
                (
                    "This server takes exactly 2 ms for every request. Whoever finds it idle is done in 2 ms; whoever "
                    "finds it busy has to wait. At 20 % load one request in five finds it busy, so four of five see "
                    f"nothing at all, and the mean is {written(mean)} ms. But one in five is far more than one in a "
                    f"hundred: the p99 is made of those who waited longest, and lies at {written(p99)} ms.",
                    f"The mean doubles only beyond 60 % load, where it is {written(late['mean'])} ms; the p99 is then "
                    f"{written(late['p99'])} ms. From a load of one per cent on the slowest one in a hundred are those "
                    "who waited, and no idle time of the server helps them.",
                ),
                (
                    drawing(
                        "growth",
                        panels["constant"],
                        AXIS,
                        "Mean and p99 latency over the load of a server with constant services: the p99 rises from "
                        "the beginning, the mean much later.",
                        "Every service takes 2 ms: all that is above them is wait.",
                    ),
                ),
            ),
            Chapter(
                "Half of all requests, and the slowest 1 %",
                (
                    "The same runs, split into wait and service. The typical request, that around the median, begins "
                    "to wait at half load. The slowest 1 % wait several services long even at a fifth of it.",
                ),
                (
                    Drawing(
                        "wait",
                        lambda width: stacked_time(
                            [f"{BRIEFLY[label]}\n{100 * load:.0f} %" for load, label, _ in bars],
                            {
                                "service": [SERVICE_S] * len(bars),
                                "wait": [max(known(media.wait_s), 0.0) for *_, media in bars],
                            },
                            "half: requests around the median · slow: the slowest 1 %",
                            width=width,
                        ),
                        "Wait and service of requests around the median and of the slowest 1 %, by load.",
                        "Waiting apart from service, at four loads.",
                        (("Mean time", _bar_table(bars)),),
                    ),
                ),
            ),
            Chapter(
                "If services differ, too",
                (
                    "Real services are not all alike. With exponential ones of the same mean the p99 starts 4.6 times "
                    "as high as the mean, for there are long services even without any wait, and then both grow in the "
                    "same proportion: by the same factor, but the p99 by 4.6 times as many milliseconds. A promise in "
                    "milliseconds breaks at the p99 first.",
                ),
                (
                    drawing(
                        "exponential",
                        panels["any"],
                        AXIS,
                        "Mean and p99 latency over the load of a server with exponential services.",
                        "Exponential services of 2 ms in the mean.",
                    ),
                ),
            ),
        ),
        "One server, requests that arrive at random (Poisson), services of 2 ms. The thin lines are exact: M/D/1 and "
        "M/M/1, from closed forms that know nothing of the simulation.",
    )


def _panels(answers: Mapping[float, Result], law: str) -> tuple[Panel, ...]:
    series = tuple(
        latencies(name, name, answers, LOADS, partial(exact_s, law, name), factor=100)
        for name in ("mean", "p99")
    )
    return (Panel("latency, ms", series),)


def _at_the_drive(answers: Mapping[float, Result]) -> list[tuple[float, str, StageTimes]]:
    """Load, which requests, and their times, of those around the median and of the slowest at four loads."""
    return [
        (load, label, stages["media"])
        for load, each in ((load, figures(answers[load])) for load in (0.1, 0.2, 0.5, 0.8))
        for label, stages in (("around the median", each.median_stages), ("slowest 1 %", each.slowest_stages))
    ]


def _bar_table(bars: list[tuple[float, str, StageTimes]]) -> Table:
    rows = [
        (f"{100 * load:.0f} %", label, media.wait_s.scaled(1e3), media.service_s.scaled(1e3))
        for load, label, media in bars
    ]
    return Table.of(["load", Head("requests", "name"), "wait, ms", "service, ms"], rows)
