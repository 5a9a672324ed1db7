"""Many small or one large: the pictures and the reasoning."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial

from tailrace.answer.result import Result
from tailrace.lessons.lesson import Chapter, Lesson, told, written
from tailrace.lessons.lines import Panel, Series, drawing, latencies
from tailrace.lessons.many_small.run import (
    AT,
    COUNTS,
    IDLE_S,
    LARGE_S,
    LOADS,
    RATE,
    TIMES,
    ManySmall,
)
from tailrace.lessons.servers import SERVICE_S
from tailrace.lessons.trials import figures, known, mmc_s

AXIS = "busy share of the servers, %"
COUNT_AXIS = "small servers"


def lesson(found: ManySmall) -> Lesson:
    """The lesson, from what was found."""
    small, large, wide, chosen = (
        1e3 * known(figures(answers[AT]).latency_s["p99"])
        for answers in (found.lying, found.fast, found.wide, found.chosen)
    )
    most = COUNTS[-1]
    least = 1e3 * known(figures(found.lying_of[most]).latency_s["p99"])
    by_load, by_count = _by_load(found), _by_count(found)
    return Lesson(
        f"A large server does the work of {TIMES} small ones. So {TIMES} small ones will do in its place, says plain "
        "division. They carry as many requests a second, indeed; but how long does a request take, and how many of "
        "them are as good as the large one?",
        (
            Chapter(
                f"As much work, {TIMES} times the latency",
                (
                    f"At {100 * AT:.0f} % load the p99 of a large server that is {TIMES} times as fast is "
                    f"{written(large)} ms, that of {TIMES} small ones {written(small)} ms. Each of the small ones is a "
                    "queue like that of the large one in slow motion: all times are as many times as long, the wait as "
                    "well as the service.",
                    f"A large server that is wide rather than fast, with {TIMES} small ones at one queue, serves no "
                    "request faster than a small one does; but none of them stands idle while a request waits, and "
                    f"that alone brings the p99 to {written(wide)} ms.",
                    "Small servers with data of their own cannot share a queue: a request has to go where its data "
                    "lie. With two copies of all data there are two places, and a look at which of them has fewer "
                    f"requests under way is enough for {written(chosen)} ms, most of what one queue gains.",
                ),
                (
                    drawing(
                        "load",
                        by_load,
                        AXIS,
                        f"p99 latency over the load of a fast large server, a wide one, and {TIMES} small "
                        "ones with and without a choice of two copies; without a choice they are far above the others "
                        "at every load.",
                        "Thin lines: exact values of M/M/1 and M/M/4; none is known for so few servers with a choice.",
                    ),
                ),
            ),
            Chapter(
                "How many are as good?",
                (
                    f"Now the requests of the large server, {written(RATE)} a second, on more and more small ones, "
                    f"which are less and less busy. Its p99 of {told(found.promise_s, 1e3)} ms is the promise. Where "
                    f"each request must go where its data lie, {_enough(found, found.lying_of)}; where the less busy "
                    f"of two copies is read, {_enough(found, found.chosen_of)}. Plain division said {TIMES}.",
                    f"What more servers cannot do is shorten the service. With {most} of them the p99 is still "
                    f"{written(least)} ms, and on an idle one it is {written(1e3 * IDLE_S)} ms: a "
                    "promise below that needs faster servers, not more of them. If a request is cut into parts, so "
                    "that many servers work at it together, it waits for the slowest of them: see the lesson on "
                    "fan-out.",
                    "All this is about latency alone. Many small servers lose less when one of them fails, and copies "
                    "cost writes and room; both belong to the choice.",
                ),
                (
                    drawing(
                        "servers",
                        by_count,
                        COUNT_AXIS,
                        "p99 latency over the number of small servers at the same requests, with and without a choice "
                        "of two copies, beside that of the large server.",
                        f"{written(RATE)} requests a second. Thin lines: exact values of M/M/1.",
                        written,
                    ),
                ),
            ),
        ),
        f"Poisson arrivals of reads. Small servers take {written(1e3 * SERVICE_S)} ms, exponential, in order of "
        f"arrival; the large one takes {written(1e3 * LARGE_S)} ms, or has {TIMES} small ones at one queue. Pieces of "
        "4 MiB are spread over the small servers, and reads fall on them evenly. Network and processors take no time.",
    )


def _enough(found: ManySmall, answers: Mapping[int, Result]) -> str:
    needed = found.needed(answers)
    return "no number of those tried is enough" if needed is None else f"it takes {needed} to keep it"


def _by_load(found: ManySmall) -> tuple[Panel, ...]:
    ways: tuple[tuple[str, Mapping[float, Result], Callable[[float], float] | None], ...] = (
        ("one, fast", found.fast, partial(mmc_s, "p99", service_s=LARGE_S)),
        ("one, wide", found.wide, partial(mmc_s, "p99", servers=TIMES)),
        (f"{TIMES} small", found.lying, partial(mmc_s, "p99")),
        (f"{TIMES} small, choice of two", found.chosen, None),
    )
    series = tuple(latencies(name, "p99", of, LOADS, exact, factor=100) for name, of, exact in ways)
    return (Panel("p99, ms", series),)


def _by_count(found: ManySmall) -> tuple[Panel, ...]:
    promise = Series(
        "one, fast",
        COUNTS,
        tuple(found.promise_s for _ in COUNTS),
        tuple(mmc_s("p99", AT, service_s=LARGE_S) for _ in COUNTS),
    )
    lying = latencies("small", "p99", found.lying_of, COUNTS, lambda count: mmc_s("p99", AT * TIMES / count))
    chosen = latencies("small, choice of two", "p99", found.chosen_of, COUNTS)
    return (Panel("p99, ms", (promise, lying, chosen)),)
