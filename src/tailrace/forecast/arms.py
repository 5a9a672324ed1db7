"""How long do requests wait for an arm, whose service takes the less the more requests it can choose from?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tailrace import theory
from tailrace.arrays import FloatArray
from tailrace.forecast.banks import BankWait, ExponentialWait, Offered
from tailrace.forecast.by_itself import MOST_WAITING, at_any_load, idle_positioning_s, saturated_service
from tailrace.plan.stations import Stations
from tailrace.scenario.tables.scenario import Scenario

CHOICES = (1, 2, 3, 5, 8, 16)
"""Requests to choose from, beside all slots, with which the service of an arm is measured."""

UNCHOSEN_ERROR = 0.002
"""Relative error of the mean service without any choice, where it is summed over places."""


@dataclass(frozen=True)
class ArmService:
    """Service of an arm by the number of requests that it can choose from, each of shape (numbers,).

    ``mean_s`` is its mean in seconds, ``beyond_s`` what of that is not transfer, and ``scv`` the variability;
    ``error`` half of the 95 % confidence interval of the mean over the mean. ``unlinked`` says whether each access is
    somewhere else than the one before it.
    """

    choices: FloatArray
    mean_s: FloatArray
    beyond_s: FloatArray
    scv: FloatArray
    error: FloatArray
    unlinked: bool

    def at(self, choices: FloatArray, column: FloatArray) -> FloatArray:
        """A column at other numbers to choose from, straight over their logarithm."""
        among = np.clip(choices, 1.0, self.choices[-1])
        return np.interp(np.log(among), np.log(self.choices), column)


@dataclass(frozen=True)
class ArmWait:
    """The wait at an arm, the law of its service, and the mean of what the service takes beyond the transfer."""

    wait: BankWait
    service: theory.Law
    beyond_work_s: float


def arm_wait(scenario: Scenario, seed: int, stations: Stations, place: int, offered: Offered) -> ArmWait:
    """Poisson arrivals at an arm whose service law depends on how many requests wait when a service begins.

    Raises OutsideValidityError if more is asked of the arm than it can carry.
    """
    rate = offered.rate_per_s
    known = arm_service(scenario, seed, stations, place)
    names = list(offered.rates)
    work_s = sum(
        offered.rates[name] * float(offered.works[name].mean()) for name in names if offered.rates[name]
    )
    choices = np.arange(1.0, known.choices[-1] + 1)
    service_s = known.at(choices, known.beyond_s) + work_s / rate
    found = theory.mg1_by_queue(rate, service_s, known.at(choices, known.scv))
    waits = BankWait(
        rate * found.service_s,
        dict.fromkeys(names, found.wait_s),
        found.wait_probability,
        ExponentialWait(found.wait_probability, found.wait_s),
    )
    law = theory.two_moment_law(found.service_s, found.service_scv)
    return ArmWait(waits, law, found.service_s - work_s / rate)


def arm_service(
    scenario: Scenario, seed: int, stations: Stations, place: int, requests: int | None = None
) -> ArmService:
    """The service of the arms of a bank by how many requests they can choose from.

    There are at most so many ``requests``, or as many as one likes. Of n in a closed loop the arm chooses among n - 1,
    the last one served being on its way: where all queue slots are taken among one less.
    """
    bank, mix = stations.banks[place], at_any_load(scenario)
    slots = 1 if bank.arm is None else stations.bank_of(bank.arm.slots).servers
    slots = min(slots, requests or slots)
    most = max(min(slots, MOST_WAITING) - 1, 1)
    choices = np.array([each for each in CHOICES if each < most] + [most])
    waiting = [slots if each == most else int(each) + 1 for each in choices]
    # The longest run first, which may load the engine that is the faster one for all.
    measured = [saturated_service(mix, seed, bank.first, each) for each in reversed(waiting)][::-1]
    mean_s, work_s = (
        np.array([each.mean_s for each in measured]),
        np.array([each.work_s for each in measured]),
    )
    error, scv = np.array([each.error for each in measured]), np.array([each.scv for each in measured])
    unchosen_s = idle_positioning_s(mix, seed, bank.first)
    if unchosen_s is not None and choices[0] == 1:
        mean_s[0], error[0] = unchosen_s + work_s[0], UNCHOSEN_ERROR
    return ArmService(choices.astype(np.float64), mean_s, mean_s - work_s, scv, error, unchosen_s is not None)
