"""Pooling: the pictures and the reasoning."""

from __future__ import annotations

from functools import partial

from tailrace.lessons.lesson import Chapter, Lesson, written
from tailrace.lessons.lines import Panel, drawing, latencies
from tailrace.lessons.pooling.run import AT, COUNTS, LOADS, SERVERS, Pooling
from tailrace.lessons.servers import SERVICE_S
from tailrace.lessons.trials import figures, known, mmc_s

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
            Chapter(
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
                    drawing(
                        "load",
                        by_load,
                        AXIS,
                        "Mean and p99 latency over the load, one queue for eight servers and eight queues; with one "
                        "queue both stay low until far beyond 80 %.",
                        "Thin lines: exact values of M/M/8 and of M/M/1.",
                    ),
                ),
            ),
            Chapter(
                "The larger the pool, the fuller it may be",
                (
                    "All of these pools are loaded to 80 %. The more servers share a queue, the less anyone waits in "
                    "it: what comes too much at one moment is soon worked off by many. A pool of 32 can be run fuller "
                    "than one of two at the same latency. What pooling cannot do is shorten the service itself: the "
                    "lines end at what one request takes on an idle server.",
                ),
                (
                    drawing(
                        "servers",
                        by_count,
                        COUNT_AXIS,
                        "Mean and p99 latency at 80 % load over the number of servers that share a queue.",
                        "At 80 % load. Thin lines: exact values of M/M/c.",
                        written,
                    ),
                ),
            ),
        ),
        f"Poisson arrivals at {SERVERS} servers of 2 ms, exponential, in order of arrival: as one station, or as so "
        "many stations among which each request falls at random.",
    )


def _by_load(found: Pooling) -> tuple[Panel, ...]:
    series = tuple(
        latencies(
            f"{quantity}, {way}",
            quantity,
            answers,
            LOADS,
            partial(mmc_s, quantity, servers=servers),
            factor=100,
        )
        for quantity in ("mean", "p99")
        for way, answers, servers in (("one queue", found.pooled, SERVERS), ("eight queues", found.apart, 1))
    )
    return (Panel("latency, ms", series),)


def _by_count(found: Pooling) -> tuple[Panel, ...]:
    series = tuple(
        latencies(quantity, quantity, found.pooled_of, COUNTS, partial(mmc_s, quantity, AT))
        for quantity in ("mean", "p99")
    )
    return (Panel("latency, ms", series),)
