"""How long do requests wait for an arm, whose service takes the less the more requests it can choose from?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tailrace import theory
from tailrace.arrays import FloatArray
from tailrace.forecast.banks import BankWait, ExponentialWait, Offered
from tailrace.forecast.saturation import saturated_service
from tailrace.plan.stations import Stations
from tailrace.scenario.tables.scenario import Scenario

DEPTHS = (1, 4)
"""Queue lengths, beside all slots, at which the service time of an arm is measured."""
ACCESSES = 768
SPREAD = 0.15
"""Squared coefficient of variation of the service of an arm: seek uniform-like, rotation uniform (common practice)."""


@dataclass(frozen=True)
class ArmWait:
    """The wait at an arm, the law of its service, and the mean of what the service takes beyond the transfer."""

    wait: BankWait
    service: theory.Law
    beyond_work_s: float


def arm_wait(scenario: Scenario, seed: int, stations: Stations, place: int, offered: Offered) -> ArmWait:
    """Birth and death with the service rate that belongs to each number present, exponential in each state.

    Beyond the queue slots requests wait in order of arrival and the rate stays what it is. Raises
    OutsideValidityError if more is asked of the arm than it can carry.
    """
    bank = stations.banks[place]
    slots = 1 if bank.arm is None else stations.bank_of(bank.arm.slots).servers
    rate = offered.rate_per_s
    depths, service = service_by_depth(scenario, seed, stations, place)
    present = np.arange(1, max(4 * slots, 64) + 1)
    served = np.interp(np.log(np.minimum(present, slots)), np.log(depths), service)
    ratio = rate * float(served[-1])
    if ratio >= 1:
        raise theory.OutsideValidityError(f"utilisation of the arm = {ratio:g}: accepted is below 1")
    weights = np.concatenate([[1.0], np.exp(np.cumsum(np.log(rate * served)))])
    # Beyond the last state the rate stays, and the weights fall geometrically.
    rest = weights[-1] * ratio / (1 - ratio)
    total = float(weights.sum()) + rest
    number = float(weights[1:] @ present) + rest * (present[-1] + 1 / (1 - ratio))
    busy = 1 - 1 / total
    mean_service = busy / rate
    wait = max(number / total / rate - mean_service, 0.0) * (1 + SPREAD) / 2
    names = list(offered.rates)
    works = np.concatenate([offered.works[name] for name in names if offered.rates[name] > 0])
    waits = BankWait(busy, dict.fromkeys(names, wait), busy, ExponentialWait(busy, wait))
    return ArmWait(waits, theory.two_moment_law(mean_service, SPREAD), mean_service - float(works.mean()))


def service_by_depth(
    scenario: Scenario, seed: int, stations: Stations, place: int
) -> tuple[FloatArray, FloatArray]:
    """Numbers of requests to choose from, and the mean service time of an arm with each, in seconds."""
    bank = stations.banks[place]
    slots = 1 if bank.arm is None else stations.bank_of(bank.arm.slots).servers
    depths = [depth for depth in DEPTHS if depth < slots] + [slots]
    times = [saturated_service(scenario, seed, bank.first, depth, ACCESSES).mean_s for depth in depths]
    return np.array(depths, dtype=np.float64), np.array(times)
