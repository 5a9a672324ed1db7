"""Fan-out: the pictures and the reasoning."""

from __future__ import annotations

from tailrace.lessons.fan_out.run import PARTS, FanOut, exact_s
from tailrace.lessons.lesson import Chapter, Lesson, written
from tailrace.lessons.lines import Panel, Series, drawing
from tailrace.lessons.trials import figures, known
from tailrace.quantity import QUANTILES

AXIS = "parts of a request"
SHARE_AXIS = "share of the requests that are done, %"
SOME = (1, 4, 16, 64)


def lesson(found: FanOut) -> Lesson:
    """The lesson, from what was found."""
    single = 1e3 * known(found.latency_s(1, "p99"))
    mean = {parts: 1e3 * known(found.latency_s(parts, "mean")) for parts in PARTS}
    by_parts, spread = _by_parts(found), _spread(found)
    return Lesson(
        "A large read lies on many drives, and all of them work at it at the same time. It is done when the last of "
        "them is. So what is rare on one drive is usual for the whole.",
        (
            Chapter(
                "The slowest of n",
                (
                    f"Each drive takes 2 ms in the mean, and {written(single)} ms once in a hundred times. A request "
                    f"in 8 parts takes {written(mean[8])} ms in the mean, one in 64 parts {written(mean[64])} ms: its "
                    "ordinary case is the bad case of a single drive. For with 64 parts the chance that none of them "
                    "falls among the slowest one in a hundred is 0.99 to the power 64, about one half.",
                    "With exponential services there is an exact answer. While n parts are under way the first of them "
                    "ends after 1/n of a service in the mean, the next after 1/(n − 1) of one, and so on to the last, "
                    "which takes a whole one: the mean is the harmonic number 1 + 1/2 + … + 1/n times the service. "
                    "It grows like the logarithm of n, slowly, but without end.",
                ),
                (
                    drawing(
                        "parts",
                        by_parts,
                        AXIS,
                        "Median, mean and p99 latency over the number of parts; all rise with every doubling by about "
                        "the same step.",
                        "One request at a time: nobody waits in a queue. Thin lines: exact values.",
                        written,
                    ),
                ),
            ),
            Chapter(
                "The whole distribution moves",
                (
                    "With one part half of the requests are done in a time in which, with 64 parts, none is. The "
                    "distribution moves to the right and becomes narrower in proportion: the fast cases disappear "
                    "first, because all parts would have to be fast together.",
                    "Hence the rule for whoever cuts requests into parts: the tail of the parts is what counts, and "
                    "cutting finer pays only while it shortens the parts by more than it adds to the slowest of them.",
                ),
                (
                    drawing(
                        "distribution",
                        spread,
                        SHARE_AXIS,
                        "Latency that a given share of the requests keeps, for requests in 1, 4, 16 and 64 parts.",
                        "Read it upwards: the latency within which that share of the requests is done.",
                    ),
                ),
            ),
        ),
        "Requests of 64 KiB times the number of parts, cut into units of 64 KiB on as many drives; each drive takes an "
        "exponential time of 2 ms in the mean. One client, one request at a time.",
    )


def _by_parts(found: FanOut) -> tuple[Panel, ...]:
    series = tuple(
        Series(
            name,
            PARTS,
            tuple(found.latency_s(parts, name) for parts in PARTS),
            tuple(exact_s(parts, QUANTILES.get(name)) for parts in PARTS),
        )
        for name in ("p50", "mean", "p99")
    )
    return (Panel("latency, ms", series, logarithmic=False),)


def _spread(found: FanOut) -> tuple[Panel, ...]:
    series = []
    for parts in SOME:
        distribution = figures(found.of[parts]).distribution_s
        levels = tuple(sorted(p for p in distribution if 0.05 <= p <= 0.99))
        label = f"{parts} parts" if parts > 1 else "1 part"
        series.append(Series(label, tuple(100 * p for p in levels), tuple(distribution[p] for p in levels)))
    return (Panel("latency, ms", tuple(series), logarithmic=False),)
