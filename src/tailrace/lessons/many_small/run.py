"""How many small servers answer as fast as a large one that does the same work?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import log

from tailrace.answer.result import Result
from tailrace.lessons.servers import SERVICE_S, arriving, cluster, station
from tailrace.lessons.trials import Claim, Trials, about, agrees, figures, known, mmc_s
from tailrace.measure.interval import IntervalEstimate

TIMES = 4
"""How many small servers do the work of the large one."""
LARGE_S = SERVICE_S / TIMES
LOADS = (0.2, 0.4, 0.6, 0.7, 0.8, 0.88)
AT = 0.88
COUNTS = (4, 5, 6, 7, 8, 10, 14, 28)
"""Small servers that are given the requests of the large one at ``AT``."""
RATE = AT / LARGE_S
IDLE_S = SERVICE_S * log(100)
"""The p99 of a small server without any wait: that of an exponential time."""


@dataclass(frozen=True)
class ManySmall:
    """Answers by the load: a fast large server, a wide one (small ones at one queue), and ``TIMES`` small ones.

    ``lying`` reads where the only copy lies, ``chosen`` the copy of the less busy of two servers. Those ``_of`` are by
    the number of small servers, at the requests of the large one at ``AT``.
    """

    fast: Mapping[float, Result]
    wide: Mapping[float, Result]
    lying: Mapping[float, Result]
    chosen: Mapping[float, Result]
    lying_of: Mapping[int, Result]
    chosen_of: Mapping[int, Result]

    @property
    def promise_s(self) -> IntervalEstimate:
        """The p99 of the fast large server at ``AT``."""
        return figures(self.fast[AT]).latency_s["p99"]

    def needed(self, answers: Mapping[int, Result]) -> int | None:
        """The least number of small servers whose p99 is no longer than that; None if no number tried is enough."""
        promise_s = known(self.promise_s)
        kept = (each for each in COUNTS if known(figures(answers[each]).latency_s["p99"]) <= promise_s)
        return next(kept, None)


def run(trials: Trials) -> ManySmall:
    """Carry out the runs."""

    def by_load(text: str) -> dict[float, Result]:
        return {load: _answer(trials, text, load / LARGE_S, load) for load in LOADS}

    def by_count(copies: int, reads_from: str) -> dict[int, Result]:
        return {
            count: _answer(trials, station() + cluster(count, copies, reads_from), RATE, AT * TIMES / count)
            for count in COUNTS
        }

    return ManySmall(
        fast=by_load(station(mean=f"{1e3 * LARGE_S} ms")),
        wide=by_load(station(servers=TIMES)),
        lying=by_load(station() + cluster(TIMES)),
        chosen=by_load(station() + cluster(TIMES, 2, "least busy")),
        lying_of=by_count(1, "first"),
        chosen_of=by_count(2, "least busy"),
    )


def _answer(trials: Trials, text: str, rate_per_s: float, load: float) -> Result:
    # Near saturation queues forget what was as slowly as one over the square of what is left.
    idle = 1 - load
    return trials.answer(text + arriving(rate_per_s), int(max(6000 / idle, 2200 / idle**2)))


def claims(found: ManySmall) -> tuple[Claim, ...]:
    """What the lesson says, as figures."""
    said = []
    for name, answers, servers, service_s in (
        ("the fast server", found.fast, 1, LARGE_S),
        ("the wide server", found.wide, TIMES, SERVICE_S),
        (f"{TIMES} small ones", found.lying, 1, SERVICE_S),
    ):
        said += [
            agrees(
                f"{quantity} of {name} at {100 * load:.0f} % is that of M/M/{servers}",
                figures(answers[load]).latency_s[quantity],
                mmc_s(quantity, load, servers, service_s),
            )
            for load in LOADS
            for quantity in ("mean", "p99")
        ]
    said += [
        agrees(
            f"{quantity} of {count} small ones, each with its own share of the requests, is that of M/M/1",
            figures(found.lying_of[count]).latency_s[quantity],
            mmc_s(quantity, AT * TIMES / count),
        )
        for count in COUNTS[1:]
        for quantity in ("mean", "p99")
    ]
    small, large = figures(found.lying[AT]).latency_s["p99"], found.promise_s
    words = f"As much work, and {TIMES} times the p99: ratio"
    said.append(about(words, known(small) / known(large), TIMES, small, large))
    said += [
        Claim(
            f"With a choice of two copies the mean at {100 * load:.0f} % lies between one queue and {TIMES} queues",
            1e3 * known(figures(found.chosen[load]).latency_s["mean"]),
            1e3 * mmc_s("mean", load, TIMES),
            1e3 * mmc_s("mean", load),
            "ms",
        )
        for load in LOADS[1:]
    ]
    return (*said, *_counted(found))


def _counted(found: ManySmall) -> tuple[Claim, ...]:
    """Which numbers of small servers keep the p99 of the large one."""
    promise_s = mmc_s("p99", AT, 1, LARGE_S)

    def p99_ms(answers: Mapping[int, Result], count: int) -> float:
        return 1e3 * known(figures(answers[count]).latency_s["p99"])

    keeps = "keep the p99 of the large one, and no number goes below that of an idle one"
    breaks = "do not keep it, and wait less than half as long as without a choice"
    return (
        Claim(f"7 small ones {keeps}", p99_ms(found.lying_of, 7), 1e3 * IDLE_S, 1e3 * promise_s, "ms"),
        Claim(f"5 with a choice {keeps}", p99_ms(found.chosen_of, 5), 1e3 * IDLE_S, 1e3 * promise_s, "ms"),
        Claim(
            f"4 with a choice {breaks}",
            p99_ms(found.chosen_of, 4),
            1e3 * promise_s,
            500 * mmc_s("p99", AT),
            "ms",
        ),
    )
