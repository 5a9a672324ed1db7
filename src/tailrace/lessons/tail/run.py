"""Why does the p99 grow before the mean does?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tailrace import theory
from tailrace.answer.result import Result
from tailrace.lessons.servers import SERVICE_S, arriving, station
from tailrace.lessons.trials import Claim, Trials, about, agrees, figures, known, less

LOADS = (0.02, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.85)


@dataclass(frozen=True)
class Tail:
    """Answers by utilisation, of a server whose every service takes 2 ms, and of one with exponential services."""

    constant: Mapping[float, Result]
    exponential: Mapping[float, Result]


def run(trials: Trials) -> Tail:
    """Carry out the runs."""
    return Tail(
        *(
            {
                load: trials.answer(
                    station(law=law) + arriving(load / SERVICE_S), int(2700 + 1700 / (1 - load) ** 2)
                )
                for load in LOADS
            }
            for law in ("constant", "exponential")
        )
    )


def exact_s(law: str, quantity: str, load: float) -> float:
    """The exact latency: M/D/1 for constant, M/M/1 for exponential services."""
    rate = load / SERVICE_S
    if quantity == "mean":
        return float(theory.mg1_response_mean(rate, SERVICE_S, 0.0 if law == "constant" else 1.0))
    if law == "constant":
        return theory.md1_response_quantile(0.99, rate, SERVICE_S)
    return float(theory.mmc_response_quantile(0.99, rate, 1 / SERVICE_S))


def claims(found: Tail) -> tuple[Claim, ...]:
    """What the lesson says, as figures."""
    said = []
    for law, answers in (("constant", found.constant), ("exponential", found.exponential)):
        said += [
            agrees(
                f"{quantity} at {100 * load:.0f} % with {law} services is the exact one",
                figures(answers[load]).latency_s[quantity],
                exact_s(law, quantity, load),
            )
            for quantity in ("mean", "p99")
            for load in LOADS
        ]
    for name, load, words in (
        ("mean", 0.2, "At 20 % load the mean is hardly longer than the service"),
        ("p99", 0.2, "while the p99 has doubled"),
        ("mean", 0.6, "The mean doubles only beyond 60 %: there it has not"),
    ):
        seen = figures(found.constant[load]).latency_s[name]
        said.append(
            about(
                f"{words}: ratio", known(seen) / SERVICE_S, exact_s("constant", name, load) / SERVICE_S, seen
            )
        )
    growths = {
        load: (exact_s("constant", "p99", load) - SERVICE_S) / (exact_s("constant", "mean", load) - SERVICE_S)
        for load in LOADS[1:]
    }
    load = min(growths, key=lambda each: growths[each])
    p99, mean = (less(figures(found.constant[load]).latency_s[name], SERVICE_S) for name in ("p99", "mean"))
    words = f"The p99 grows more than the mean at every load, least so at {100 * load:.0f} %: ratio of the growths"
    said.append(about(words, known(p99) / known(mean), growths[load], p99, mean))
    return tuple(said)
