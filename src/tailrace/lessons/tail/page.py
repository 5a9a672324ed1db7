"""Tail: the pictures and the reasoning."""

from __future__ import annotations

from collections.abc import Mapping

from tailrace.answer.result import Result
from tailrace.lessons.effort import figures, known
from tailrace.lessons.lesson import Drawing, Lesson, Part, written
from tailrace.lessons.parts import SERVICE_S
from tailrace.lessons.tail.run import LOADS, Tail, exact_s
from tailrace.report.pictures.lines import Panel, Series, lines, table
from tailrace.report.pictures.stages import stacked_time
from tailrace.report.table import Head, Table

PERCENT = tuple(100 * load for load in LOADS)
AXIS = "busy share of the server, %"


def lesson(found: Tail) -> Lesson:
    """The lesson, from what was found."""
    at = {load: figures(each).latency_s for load, each in found.constant.items()}
    mean, p99 = (1e3 * known(at[0.2][name]) for name in ("mean", "p99"))
    late = {name: 1e3 * known(at[0.6][name]) for name in ("mean", "p99")}
    panels = {
        "constant": _panels(found.constant, "constant"),
        "any": _panels(found.exponential, "exponential"),
    }
    return Lesson(
        "Load a server a little more, and its mean latency hardly stirs. The slowest one in a hundred has already "
        "doubled. Who watches the mean is told last.",
        (
            Part(
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
                    Drawing(
                        "growth",
                        lines(panels["constant"], AXIS),
                        "Mean and p99 latency over the load of a server with constant services: the p99 rises from "
                        "the beginning, the mean much later.",
                        "Every service takes 2 ms: all that is above them is wait.",
                        (("Points of the lines", table(panels["constant"], AXIS)),),
                    ),
                ),
            ),
            Part(
                "Half of all requests, and the slowest 1 %",
                (
                    "The same runs, split into wait and service. The typical request, that around the median, begins "
                    "to wait at half load. The slowest 1 % wait several services long even at a fifth of it.",
                ),
                (
                    Drawing(
                        "wait",
                        lambda width: stacked_time(
                            [f"{label}\n{100 * load:.0f} %" for label, load, _ in _bars(found.constant)],
                            {
                                "service": [SERVICE_S] * len(_bars(found.constant)),
                                "wait": [seconds for *_, seconds in _bars(found.constant)],
                            },
                            "half: requests around the median · slow: the slowest 1 %",
                            width=width,
                        ),
                        "Wait and service of requests around the median and of the slowest 1 %, by load.",
                        "Waiting apart from service, at four loads.",
                        (("Mean time", _bar_table(found.constant)),),
                    ),
                ),
            ),
            Part(
                "If services differ, too",
                (
                    "Real services are not all alike. With exponential ones of the same mean the p99 starts 4.6 times "
                    "as high as the mean, for there are long services even without any wait, and then both grow in the "
                    "same proportion: by the same factor, but the p99 by 4.6 times as many milliseconds. A promise in "
                    "milliseconds breaks at the p99 first.",
                ),
                (
                    Drawing(
                        "exponential",
                        lines(panels["any"], AXIS),
                        "Mean and p99 latency over the load of a server with exponential services.",
                        "Exponential services of 2 ms in the mean.",
                        (("Points of the lines", table(panels["any"], AXIS)),),
                    ),
                ),
            ),
        ),
        "One server, requests that arrive at random (Poisson), services of 2 ms. The thin lines are exact: M/D/1 and "
        "M/M/1, from closed forms that know nothing of the simulation.",
    )


def _panels(answers: Mapping[float, Result], law: str) -> tuple[Panel, ...]:
    series = tuple(
        Series(
            name,
            PERCENT,
            tuple(figures(answers[load]).latency_s[name] for load in LOADS),
            tuple(exact_s(law, name)),
        )
        for name in ("mean", "p99")
    )
    return (Panel("latency, ms", series),)


def _bars(answers: Mapping[float, Result]) -> list[tuple[str, float, float]]:
    """Label, load, and mean wait in seconds."""
    found = []
    for load in (0.1, 0.2, 0.5, 0.8):
        each = figures(answers[load])
        for label, stages in (("half", each.median_stages), ("slow", each.slowest_stages)):
            found.append((label, load, max(known(stages["media"].wait_s), 0.0)))
    return found


def _bar_table(answers: Mapping[float, Result]) -> Table:
    rows = []
    for load in (0.1, 0.2, 0.5, 0.8):
        each = figures(answers[load])
        for label, stages in (
            ("around the median", each.median_stages),
            ("slowest 1 %", each.slowest_stages),
        ):
            media = stages["media"]
            rows.append((f"{100 * load:.0f} %", label, media.wait_s.scaled(1e3), media.service_s.scaled(1e3)))
    return Table.of(["load", Head("requests", "name"), "wait, ms", "service, ms"], rows)
