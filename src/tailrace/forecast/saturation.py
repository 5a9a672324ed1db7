"""How much of what each station can carry is asked of it? By the demands of the plan, before any run."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.forecast.by_itself import HELD_ERROR, at_any_load, held_per_s, saturated_service, writes_alone_s
from tailrace.forecast.dies import ERROR as STRETCH_ERROR
from tailrace.forecast.dies import stretch_of_dies
from tailrace.forecast.flow import share_carried
from tailrace.forecast.result import Saturation
from tailrace.forecast.servers import over_servers
from tailrace.plan.build import sample_demands
from tailrace.plan.columns import Stage
from tailrace.plan.stations import Bank, Discipline
from tailrace.plan.write_back import DESTAGES
from tailrace.scenario.tables.law import Law
from tailrace.scenario.tables.media import Generic
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.server import LawStage


@dataclass(frozen=True)
class Load:
    """What open classes and rebuilds ask of each bank, as a share of what it can carry; NaN where there is no limit.

    ``error`` is half of the 95 % confidence interval of each share over the share: 0 where it follows from demands.

    A load at or beyond 1 cannot be carried; a log whose commits are collected carries 1 with its writes full and
    nothing else in their way. ``background`` is the part of rebuilds in it, which does not grow with the
    load of the classes. ``arms_by_run`` says whether that of the arms comes from a closed
    micro-run with all queue slots taken: what an arm can carry depends on how many requests it can choose from.
    ``per_request_s`` is, by the name of each class and rebuild, the service that one request asks of each bank.
    """

    banks: tuple[Bank, ...]
    share: FloatArray
    background: FloatArray
    error: FloatArray
    arms_by_run: bool
    per_request_s: Mapping[str, FloatArray]

    @property
    def binding(self) -> Saturation | None:
        """The bank that saturates first as the open load grows; None if none ever does."""
        factor = self._factors(1.0)
        if not np.isfinite(factor).any():
            return None
        # Permits that drives set the pace of carry as much as these: first is who binds whatever the errors are.
        latest = self._factors(1.0 - self.error)
        first = int(np.argmin(latest))
        bank, least, widest = self.banks[first], float(factor[first]), float(latest[first])
        error = widest / least - 1.0 if least > 0.0 else 0.0
        return Saturation(bank.name, bank.stage.name.lower(), least, error, bank.key, bank.each, bank.whose)

    def factor_at(self, bank: str) -> float:
        """How far the load of the classes can grow until a bank, by its name, saturates; infinite if never."""
        factors = zip(self.banks, self._factors(1.0), strict=True)
        return next((float(factor) for each, factor in factors if each.name == bank), math.inf)

    def _factors(self, scale: float | FloatArray) -> FloatArray:
        """How far the load of the classes can grow at each bank if all shares were so many times what they are."""
        grows = (self.share - self.background) * scale
        return _until_full(self.background * scale, grows)


def _until_full(background: FloatArray, grows: FloatArray) -> FloatArray:
    """By what factor a load can grow beside one that does not until both fill a station; infinite without any."""
    left = np.maximum(1.0 - background, 0.0)
    factor = np.divide(left, grows, out=np.full(left.shape, np.inf), where=grows > 0.0)
    return np.asarray(np.where(left == 0.0, 0.0, factor))


def offered_load(scenario: Scenario, seed: int) -> Load:
    """The load of the open classes and of rebuilds on every bank of the server."""
    stations, demands = sample_demands(scenario, seed)
    demands, banks = over_servers(scenario, seed, stations, demands)
    # Of classes and of rebuilds: seconds of service, visits, and what `flow.share_carried` asks.
    both = np.zeros((2, 4, len(stations)))
    for place, classes, factor in ((0, scenario.workload, scenario.load), (1, scenario.background, 1.0)):
        for workload in classes:
            if workload.is_open:
                demand = demands[workload.name]
                columns = (demand.service_s, demand.visits, demand.writing_s, demand.drawn_s)
                both[place] += workload.rate_at(factor) * np.stack(columns)
    service, visits, writing, drawn = both.sum(axis=0)
    share = np.full(len(stations.banks), np.nan)
    background, error = np.zeros(len(stations.banks)), np.zeros(len(stations.banks))
    arms_by_run = False
    laws = written_laws(scenario)
    firsts = [bank.first for bank in stations.banks]
    per_request = {name: np.add.reduceat(each.service_s, firsts) for name, each in demands.items()}
    for place, bank in enumerate(banks):
        mine = slice(bank.first, bank.first + bank.count)
        if bank.arm is not None and visits[mine].any():
            arms_by_run = True
            slots = stations.bank_of(bank.arm.slots)
            operations = visits[slots.first : slots.first + slots.count].sum()
            waiting = round(slots.servers * visits[mine].sum() / operations)
            mix = at_any_load(scenario)
            beside = apart = saturated_service(mix, seed, bank.first, waiting)
            if both[1, 1, mine].any():
                apart = saturated_service(mix, seed, bank.first, slots.servers, with_rebuilds=False)
            share[place], background[place] = _fullest(
                bank, both[0, 1, mine] * apart.mean_s, visits[mine] * beside.mean_s
            )
            error[place] = max(apart.error, beside.error)
        elif bank.discipline == Discipline.BULK:
            if visits[bank.first] > 0.0:
                each_s = float(writes_alone_s(scenario, seed, bank.first).mean())
                share[place] = visits[bank.first] * each_s / bank.servers
        elif bank.key == DESTAGES and visits[mine].any():
            begun_per_s = float(bank.means_alike(visits[mine]).max())
            share[place] = begun_per_s / held_per_s(at_any_load(scenario), seed, bank.first)
            error[place] = HELD_ERROR
        elif bank.flow is not None:
            asked = (
                share_carried(bank.flow, each[0, mine], each[2, mine], each[3, mine])
                for each in (both[0], np.stack([service, visits, writing, drawn]))
            )
            share[place], background[place] = _fullest(bank, *asked)
        elif bank.discipline not in (Discipline.DELAY, Discipline.ARM) and bank.paces:
            known = laws.get((bank.stage, bank.name))
            alone, all_ = both[0, 0, mine], service[mine]
            if known is not None:
                for name, each in demands.items():
                    per_request[name][place] = each.visits[mine].sum() * known.mean_s
                alone, all_ = both[0, 1, mine] * known.mean_s, visits[mine] * known.mean_s
            elif bank.dies is not None and visits[mine].any():
                stretch = stretch_of_dies(at_any_load(scenario), seed, bank.first)
                alone, all_, error[place] = alone * stretch, all_ * stretch, STRETCH_ERROR
            share[place], background[place] = _fullest(bank, alone / bank.servers, all_ / bank.servers)
    return Load(tuple(banks), share, background, error, arms_by_run, per_request)


def _fullest(bank: Bank, of_classes: FloatArray, of_all: FloatArray) -> tuple[float, float]:
    """Load, and the part of rebuilds in it, of those stations alike that the growing classes fill first.

    ``of_classes`` and ``of_all``: what is asked of each station, shape (count,), without rebuilds and with them.
    """
    alone, total = bank.means_alike(of_classes), bank.means_alike(of_all)
    background = np.maximum(total - alone, 0.0)
    factor = _until_full(background, alone)
    first = int(np.argmin(factor)) if np.isfinite(factor).any() else int(np.argmax(total))
    return float(total[first]), float(background[first])


def written_laws(scenario: Scenario) -> dict[tuple[Stage, str], Law]:
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
