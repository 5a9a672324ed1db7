"""One queue for all servers, or a queue for each?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tailrace.answer.result import Result
from tailrace.lessons.servers import SERVICE_S, arriving, station
from tailrace.lessons.trials import Claim, Trials, about, agrees, figures, known, less, mmc_s

SERVERS = 8
LOADS = (0.2, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
COUNTS = (1, 2, 4, 8, 16, 32)
AT = 0.8


@dataclass(frozen=True)
class Pooling:
    """Answers of eight servers by utilisation, and at 80 % by the number of servers."""

    pooled: Mapping[float, Result]
    apart: Mapping[float, Result]
    pooled_of: Mapping[int, Result]


def run(trials: Trials) -> Pooling:
    """Carry out the runs."""

    def answers(count: int, servers: int) -> dict[float, Result]:
        return {load: _answer(trials, count, servers, load) for load in LOADS}

    of = {servers: _answer(trials, 1, servers, AT) for servers in COUNTS}
    return Pooling(answers(1, SERVERS), answers(SERVERS, 1), of)


def _answer(trials: Trials, count: int, servers: int, load: float) -> Result:
    rate = load * count * servers / SERVICE_S
    return trials.answer(station(count, servers) + arriving(rate), int(6000 / (1 - load)))


def claims(found: Pooling) -> tuple[Claim, ...]:
    """What the lesson says, as figures."""
    said = []
    for way, answers, servers in (
        ("one queue of eight servers", found.pooled, SERVERS),
        ("eight queues", found.apart, 1),
    ):
        for load in LOADS:
            said += [
                agrees(
                    f"{quantity} of {way} at {100 * load:.0f} % is that of M/M/{servers}",
                    figures(answers[load]).latency_s[quantity],
                    mmc_s(quantity, load, servers),
                )
                for quantity in ("mean", "p99")
            ]
    said += [
        agrees(
            f"{quantity} of one queue of {count} at {100 * AT:.0f} % is that of M/M/{count}",
            figures(found.pooled_of[count]).latency_s[quantity],
            mmc_s(quantity, AT, count),
        )
        for count in COUNTS
        for quantity in ("mean", "p99")
    ]
    apart, pooled = (
        less(figures(each[AT]).latency_s["mean"], SERVICE_S) for each in (found.apart, found.pooled)
    )
    exact = (mmc_s("mean", AT, 1) - SERVICE_S) / (mmc_s("mean", AT, SERVERS) - SERVICE_S)
    words = "At 80 % the wait in eight queues is many times that in one: ratio"
    said.append(about(words, known(apart) / known(pooled), exact, apart, pooled))
    growing = [figures(found.pooled_of[count]).latency_s["mean"] for count in COUNTS]
    flattest, last = known(growing[-1]) / known(growing[-2]), COUNTS[-1]
    exact = mmc_s("mean", AT, last) / mmc_s("mean", AT, COUNTS[-2])
    words = f"The more servers share a queue, the shorter the mean, even from {COUNTS[-2]} to {last}: ratio"
    said.append(about(words, flattest, exact, *growing[-2:]))
    return tuple(said)
