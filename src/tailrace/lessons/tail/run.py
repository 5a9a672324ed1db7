"""Why does the p99 grow before the mean does?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tailrace import theory
from tailrace.answer.result import Result
from tailrace.lessons.servers import SERVICE_S, arriving, station
from tailrace.lessons.trials import Claim, Trials, agrees, figures, known

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
                    station(law=law) + arriving(load / SERVICE_S), int(4000 + 2500 / (1 - load) ** 2)
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
            for load in (0.2, 0.5, 0.8)
        ]
    slow = {load: figures(each).latency_s for load, each in found.constant.items()}
    growth = {
        name: {load: known(each[name]) / SERVICE_S for load, each in slow.items()} for name in ("mean", "p99")
    }
    said += [
        Claim("At 20 % load the mean is hardly longer than the service: ratio", growth["mean"][0.2], 1, 1.2),
        Claim("while the p99 has doubled: ratio", growth["p99"][0.2], 2, 3),
        Claim("The mean doubles only beyond 60 %: ratio there", growth["mean"][0.6], 1, 2),
        Claim(
            "The p99 grows more than the mean at every load: least ratio of the growths",
            min((growth["p99"][load] - 1) / (growth["mean"][load] - 1) for load in LOADS[1:]),
            4,
            30,
        ),
    ]
    return tuple(said)
