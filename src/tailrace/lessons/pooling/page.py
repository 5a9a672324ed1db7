"""Pooling: the pictures and the reasoning."""

from __future__ import annotations

from tailrace.lessons.effort import figures, known
from tailrace.lessons.lesson import Drawing, Lesson, Part, written
from tailrace.lessons.parts import SERVICE_S
from tailrace.lessons.pooling.run import AT, COUNTS, LOADS, SERVERS, Pooling, exact_s
from tailrace.report.pictures.lines import Panel, Series, lines, table

AXIS = "busy share of the servers, %"
COUNT_AXIS = "servers at one queue"


def lesson(found: Pooling) -> Lesson:
    """The lesson, from what was found."""
    one, eight = (
        1e3 * (known(figures(answers[AT]).latency_s["mean"]) - SERVICE_S)
        for answers in (found.pooled, found.apart)
    )
    by_load, by_count = _by_load(found), _by_count(found)
    return Lesson(
        "Eight servers, the same requests, the same work. In one hall there is one queue for all of them, in the other "
        "a queue before each. Nobody works faster in the first, and yet its requests hardly wait.",
        (
            Part(
                "One queue against eight",
                (
                    "Where each server has its own queue, requests wait at one while another stands idle. One queue "
                    "for all makes that impossible: as long as anybody waits, all eight are at work.",
                    f"At 80 % load a request waits {written(eight)} ms in the mean where there are eight queues and "
                    f"{written(one)} ms where there is one. The service is 2 ms in both.",
                    "That is why cores share one queue, and why a layout that binds each request to one drive makes "
                    "drives less alike in load than they could be. Data lie where they lie, so drives cannot share; "
                    "copies on several of them are a way to choose, and so to pool a little.",
                ),
                (
                    Drawing(
                        "load",
                        lines(by_load, AXIS),
                        "Mean and p99 latency over the load, one queue for eight servers and eight queues; with one "
                        "queue both stay low until far beyond 80 %.",
                        "Thin lines: exact values of M/M/8 and of M/M/1.",
                        (("Points of the lines", table(by_load, AXIS)),),
                    ),
                ),
            ),
            Part(
                "The larger the pool, the fuller it may be",
                (
                    "All of these pools are loaded to 80 %. The more servers share a queue, the less anyone waits in "
                    "it: what comes too much at one moment is soon worked off by many. A pool of 32 can be run fuller "
                    "than one of two at the same latency. What pooling cannot do is shorten the service itself: the "
                    "lines end at what one request takes on an idle server.",
                ),
                (
                    Drawing(
                        "servers",
                        lines(by_count, COUNT_AXIS, written),
                        "Mean and p99 latency at 80 % load over the number of servers that share a queue.",
                        "At 80 % load. Thin lines: exact values of M/M/c.",
                        (("Points of the lines", table(by_count, COUNT_AXIS)),),
                    ),
                ),
            ),
        ),
        f"Poisson arrivals at {SERVERS} servers of 2 ms, exponential, in order of arrival: as one station, or as so "
        "many stations among which each request falls at random.",
    )


def _by_load(found: Pooling) -> tuple[Panel, ...]:
    percent = tuple(100 * load for load in LOADS)
    series = tuple(
        Series(
            f"{quantity}, {way}",
            percent,
            tuple(figures(answers[load]).latency_s[quantity] for load in LOADS),
            tuple(exact_s(quantity, servers, load) for load in LOADS),
        )
        for quantity in ("mean", "p99")
        for way, answers, servers in (
            ("one queue", found.pooled, SERVERS),
            ("eight queues", found.apart, 1),
        )
    )
    return (Panel("latency, ms", series),)


def _by_count(found: Pooling) -> tuple[Panel, ...]:
    series = tuple(
        Series(
            quantity,
            COUNTS,
            tuple(figures(found.pooled_of[count]).latency_s[quantity] for count in COUNTS),
            tuple(exact_s(quantity, count, AT) for count in COUNTS),
        )
        for quantity in ("mean", "p99")
    )
    return (Panel("latency, ms", series),)
