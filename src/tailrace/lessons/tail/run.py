"""Why does the p99 grow before the mean does?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tailrace import theory
from tailrace.answer.result import Result
from tailrace.lessons.effort import Claim, Effort, agrees, figures, known
from tailrace.lessons.parts import SERVICE_S, arriving, station

LOADS = (0.02, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.85)
AT = 0.5


@dataclass(frozen=True)
class Tail:
    """Answers by utilisation, of a server whose every service takes 2 ms, and of one with exponential services."""

    constant: Mapping[float, Result]
    exponential: Mapping[float, Result]


def run(effort: Effort) -> Tail:
    """Carry out the runs."""
    return Tail(
        *(
            {
                load: effort.answer(
                    station(law=law) + arriving(load / SERVICE_S), int(4000 + 2500 / (1 - load) ** 2)
                )
                for load in LOADS
            }
            for law in ("constant", "exponential")
        )
    )


def exact_s(law: str, quantity: str) -> list[float]:
    """Exact latencies at the loads of the lesson: M/D/1 for constant, M/M/1 for exponential services."""
    rates = [load / SERVICE_S for load in LOADS]
    scv = 0.0 if law == "constant" else 1.0
    if quantity == "mean":
        return [float(theory.mg1_response_mean(rate, SERVICE_S, scv)) for rate in rates]
    if law == "constant":
        return [theory.md1_response_quantile(0.99, rate, SERVICE_S) for rate in rates]
    return [float(theory.mmc_response_quantile(0.99, rate, 1 / SERVICE_S)) for rate in rates]


def claims(found: Tail) -> tuple[Claim, ...]:
    """What the lesson says, as figures."""
    said = []
    for law, answers in (("constant", found.constant), ("exponential", found.exponential)):
        for quantity in ("mean", "p99"):
            exact = dict(zip(LOADS, exact_s(law, quantity), strict=True))
            said += [
                agrees(
                    f"{quantity} at {100 * load:.0f} % with {law} services is the exact one",
                    figures(answers[load]).latency_s[quantity],
                    exact[load],
                )
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
