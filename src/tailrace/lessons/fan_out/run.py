"""How long does a request take that is done when the slowest of its parts is?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import log1p

from tailrace import theory
from tailrace.answer.result import Result
from tailrace.lessons.servers import SERVICE_S, keeping, station
from tailrace.lessons.trials import Claim, Trials, about, agrees, figures, known
from tailrace.measure.interval import IntervalEstimate

PARTS = (1, 2, 4, 8, 16, 32, 64)
UNIT_KIB = 64


@dataclass(frozen=True)
class FanOut:
    """Answers by the number of parts: one request at a time, its parts on as many drives of 2 ms, exponential."""

    of: Mapping[int, Result]

    def latency_s(self, parts: int, quantity: str) -> IntervalEstimate:
        """Mean or a quantile of requests in so many parts."""
        return figures(self.of[parts]).latency_s[quantity]


def run(trials: Trials) -> FanOut:
    """Carry out the runs."""
    return FanOut(
        {
            parts: trials.answer(
                station(parts) + keeping(1, f"{parts * UNIT_KIB} KiB"), 2700 + 10_700 // parts
            )
            for parts in PARTS
        }
    )


def exact_s(parts: int, p: float | None = None) -> float:
    """Mean, or a quantile, of the largest of independent exponentials: H(n)·S, and −S·ln(1 − p^(1/n))."""
    if p is None:
        return float(theory.maximum_mean_exponential(parts, SERVICE_S))
    return -SERVICE_S * log1p(-theory.maximum_level(p, parts))


def claims(found: FanOut) -> tuple[Claim, ...]:
    """What the lesson says, as figures."""
    said = []
    for parts in PARTS:
        mean, p99 = found.latency_s(parts, "mean"), found.latency_s(parts, "p99")
        so_many = "1 part" if parts == 1 else f"{parts} parts"
        said += [
            agrees(f"Mean of {so_many}: the harmonic number H({parts}) services", mean, exact_s(parts)),
            agrees(f"p99 of {so_many} is the exact one", p99, exact_s(parts, 0.99)),
        ]
    single, usual = found.latency_s(1, "p99"), found.latency_s(64, "mean")
    words = "With 64 parts the mean is as long as the p99 of one: ratio"
    said.append(about(words, known(usual) / known(single), exact_s(64) / exact_s(1, 0.99), usual, single))
    return tuple(said)
