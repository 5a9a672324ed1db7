"""How much of what each station can carry is asked of it? By the demands of the plan, before any run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tailrace.arrays import FloatArray, IntArray
from tailrace.engine.reference import run_reference
from tailrace.plan.build import Plan, build_plan, sample_demands
from tailrace.plan.columns import VISIT, Chunk, Stage, Steps, one_visit_each
from tailrace.plan.source import Source
from tailrace.plan.stations import Bank, Discipline, Stations
from tailrace.scenario.law import Law
from tailrace.scenario.media import Generic
from tailrace.scenario.scenario import Scenario
from tailrace.scenario.server import LawStage
from tailrace.study.result import Saturation

ACCESSES = 4096
"""Accesses of the micro-run that finds what an arm can carry."""


@dataclass(frozen=True)
class Load:
    """What the open classes ask of each bank, as a share of what it can carry; NaN where there is no such limit.

    A load at or beyond 1 cannot be carried. ``arms_by_run`` says whether that of the arms comes from a closed
    micro-run with all queue slots taken: what an arm can carry depends on how many requests it can choose from.
    """

    banks: tuple[Bank, ...]
    share: FloatArray
    arms_by_run: bool

    @property
    def binding(self) -> Saturation | None:
        """The bank that saturates first as the open load grows; None if none ever does."""
        if not np.nanmax(np.append(self.share, 0.0)) > 0.0:
            return None
        bank = self.banks[int(np.nanargmax(self.share))]
        return Saturation(bank.name, bank.stage.name.lower(), 1.0 / float(np.nanmax(self.share)))


def offered_load(scenario: Scenario, seed: int) -> Load:
    """The load of the open classes on every bank of the server."""
    stations, demands = sample_demands(scenario, seed)
    service = np.zeros(len(stations))
    visits = np.zeros(len(stations))
    for workload in scenario.workload:
        if workload.rate is not None:
            rate = workload.rate * workload.clients * scenario.load
            service += rate * demands[workload.name].service_s
            visits += rate * demands[workload.name].visits
    share = np.full(len(stations.banks), np.nan)
    arms_by_run = False
    laws = _written_laws(scenario)
    for place, bank in enumerate(stations.banks):
        mine = slice(bank.first, bank.first + bank.count)
        if bank.arm is not None and visits[mine].any():
            arms_by_run = True
            slots = stations.bank_of(bank.arm.slots)
            operations = visits[slots.first : slots.first + slots.count].sum()
            waiting = round(slots.servers * visits[mine].sum() / operations)
            share[place] = visits[mine].mean() * saturated_service_s(scenario, seed, bank, waiting)
        elif bank.discipline not in (Discipline.DELAY, Discipline.ARM) and bank.paces:
            known = laws.get((bank.stage, bank.name))
            asked = service[mine].mean() if known is None else visits[mine].mean() * known.mean_s
            share[place] = asked / bank.servers
    return Load(tuple(stations.banks), share, arms_by_run)


def _written_laws(scenario: Scenario) -> dict[tuple[Stage, str], Law]:
    """Laws that the scenario itself gives, by stage and name of the bank: their means are no matter of a sample."""
    server = scenario.server
    stages = [
        (Stage.NETWORK, "network", server.network),
        (Stage.CONTROLLER, "controller", server.controller),
        *((Stage.LANE, pool.station_name("lane"), pool.lanes) for pool in server.pools),
    ]
    laws = {(stage, name): given.service for stage, name, given in stages if isinstance(given, LawStage)}
    for pool in server.pools:
        if isinstance(pool.media, Generic):
            laws[Stage.MEDIA, pool.station_name("drive")] = pool.media.service
    return laws


def saturated_service_s(
    scenario: Scenario, seed: int, bank: Bank, waiting: int, accesses: int = ACCESSES
) -> float:
    """Mean service time of an arm, in seconds, when ``waiting`` accesses are always there to choose from.

    Accesses of the open classes (of the closed ones where no open one has any), as the plan deals them to the drives,
    are put to a single arm in a closed loop.
    """
    stations = Stations()
    stations.add(bank.name, Stage.MEDIA, Discipline.ARM, arm=bank.arm)
    source = _Repeated(_accesses(scenario, seed, bank, accesses))
    plan = Plan(stations, ("",), (0,), None, (source,), tuple((0, 0) for _ in range(waiting)))
    observed = run_reference(plan, requests=accesses, marks=5)
    time_s, done = observed.marks.time_s, observed.marks.arrived - observed.marks.present
    return float((time_s[-1] - time_s[1]) / (done[-1] - done[1]))


def _accesses(scenario: Scenario, seed: int, bank: Bank, accesses: int) -> Chunk:
    """Accesses of the open or the closed classes, drive after drive, as paths of one visit to station 0."""
    plan = build_plan(scenario, seed, replication=0)
    opened = [] if plan.open_source is None else [plan.open_source]
    steps, drives = _of_bank(opened, bank, accesses)
    if not steps:
        steps, drives = _of_bank(plan.closed, bank, accesses)
    order = np.argsort(np.concatenate(drives), kind="stable")[:accesses]
    return one_visit_each(Steps.joined(steps).at(order))


def _of_bank(sources: Sequence[Source], bank: Bank, wanted: int) -> tuple[list[Steps], list[IntArray]]:
    """Accesses to the arms of a bank, block by block, and the drive of each; nothing if the sources have none."""
    found: list[Steps] = []
    drives: list[IntArray] = []
    rounds = 0
    while (found or not rounds) and sum(drive.size for drive in drives) < wanted:
        rounds += 1
        for source in sources:
            steps = source.next_chunk().steps
            mine = (steps.op == VISIT) & (steps.arg >= bank.first) & (steps.arg < bank.first + bank.count)
            at = np.flatnonzero(mine)
            if at.size:
                found.append(steps.at(at))
                drives.append(steps.arg[at].astype(np.int64) - bank.first)
    return found, drives


class _Repeated(Source):
    """The same block over and over."""

    def __init__(self, chunk: Chunk) -> None:
        super().__init__(len(chunk), chunk.steps.op.size)
        self._chunk = chunk

    def _block(self, rows: int) -> Chunk:
        del rows
        return self._chunk
