"""The stations of one server so many times, and the paths over it put where they belong."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tailrace.arrays import IntArray
from tailrace.plan.columns import COLLECT, GIVE, RELEASE, TAKE, TAKE_RANKED, VISIT, Stage, Steps
from tailrace.plan.demand import positioning_s
from tailrace.plan.path import Path
from tailrace.plan.stations import Bank, Stations
from tailrace.plan.unlike import IDLE
from tailrace.scenario.tables.cluster import Cluster
from tailrace.workload.streams import Purpose, Streams

SLOW = "slowed "
"""What the names of the stations of slow servers begin with."""
_OF_STATIONS = np.isin(np.arange(16), (VISIT, TAKE, TAKE_RANKED, GIVE, COLLECT, RELEASE))
_SLOWED = (Stage.CONTROLLER, Stage.LANE, Stage.MEDIA)


class Machines:
    """Servers with the stations of one ``machine`` each; those of a bank lie side by side, server after server.

    ``stations`` are all of them. Slow servers come first, in banks of their own. What is outside of a server is there
    once.
    """

    def __init__(self, machine: Stations, cluster: Cluster, seed: int, replication: int) -> None:
        """``seed`` and ``replication`` decide where the platters of each server stand."""
        self.stations = Stations()
        count = len(machine)
        self._base, self._stride = np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.int64)
        self._slowed = np.isin(machine.per_station("stage"), _SLOWED)
        self._up = cluster.up
        self._slow, self._factor = cluster.slow_servers, cluster.slow_factor or 1.0
        self._positioning_s = positioning_s(machine)
        slots: dict[int, int] = {}
        for bank in machine.banks:
            first, mine = len(self.stations), slice(bank.first, bank.first + bank.count)
            self._base[mine] = first + np.arange(bank.count)
            self._stride[mine] = 0 if bank.outside else bank.count
            slots[bank.first] = first
            if bank.outside:
                self.stations.banks.append(replace(bank, first=first))
                continue
            streams = Streams(seed, replication, f"servers: {bank.name}")
            for begin, end, name in (
                (0, self._slow, SLOW),
                (self._slow, cluster.servers, ""),
            ):
                if begin < end:
                    self._add(bank, begin, end, name)
                    self._turn(begin, end, streams, slots)

    def station(self, of_machine: int, server: IntArray) -> IntArray:
        """The numbers of a station of each of those servers."""
        return np.asarray(self._base[of_machine] + server * self._stride[of_machine])

    def _add(self, bank: Bank, begin: int, end: int, name: str) -> None:
        alike = None
        if bank.alike is not None or self._up < end:
            of_machine = np.zeros(bank.count, dtype=np.int64) if bank.alike is None else bank.alike
            down = np.repeat(np.arange(begin, end) >= self._up, bank.count)
            alike = np.where(down, IDLE, np.tile(of_machine, end - begin))
        first, count = len(self.stations), (end - begin) * bank.count
        name, of_servers = name + bank.name, (begin, end)
        whose = "each slow server" if end == self._slow else "each server"
        more = replace(
            bank, name=name, first=first, count=count, alike=alike, of_servers=of_servers, whose=whose
        )
        self.stations.banks.append(more)

    def _turn(self, begin: int, end: int, streams: Streams, slots: dict[int, int]) -> None:
        """Give every arm of the bank added last a phase of its own, and its drive's queue slots."""
        bank = self.stations.banks[-1]
        if bank.arm is None:
            return
        each = bank.count // (end - begin)
        index = np.arange(begin * each, end * each)
        phase = streams.uniforms(Purpose.ROTATION, index)
        offset = begin * each
        arm = replace(bank.arm, phase=phase, slots=slots[bank.arm.slots] + offset)
        self.stations.banks[-1] = replace(bank, arm=arm)

    def moved(self, steps: Steps, at: IntArray, server: IntArray) -> None:
        """Put the steps at those places, written for one server, on the server of each, shape (steps,)."""
        on_station = _OF_STATIONS[steps.op[at]]
        at, server = at[on_station], server[on_station]
        of_machine = steps.arg[at]
        steps.arg[at] = self._base[of_machine] + server * self._stride[of_machine]
        if self._slow and self._factor > 1.0:
            slower = (server < self._slow) & self._slowed[of_machine] & (steps.op[at] == VISIT)
            steps.work[at[slower]] *= self._factor
            if steps.access is not None:
                # As a slow drive in a server: it repeats seeks and turns, while the platter turns as it did.
                settle_s = steps.access.settle_s[at[slower]] * self._factor
                more_s = (self._factor - 1.0) * self._positioning_s[of_machine[slower]]
                steps.access.settle_s[at[slower]] = settle_s + more_s


class OnServers(Path):
    """A path over the stations of one server, walked by each item on a server of its own."""

    def __init__(self, inside: Path, machines: Machines, server: IntArray) -> None:
        """``server``, shape (items,). No such path lies within another."""
        self.count, self.lengths = inside.count, inside.lengths
        self._inside, self._machines, self._server = inside, machines, server

    def write(self, steps: Steps, at: IntArray) -> None:
        self._inside.write(steps, at)
        lengths = np.broadcast_to(np.asarray(self.lengths), at.shape)
        ends = np.cumsum(lengths)
        total = int(ends[-1]) if ends.size else 0
        places = np.repeat(at - ends + lengths, lengths) + np.arange(total)
        self._machines.moved(steps, places, np.repeat(self._server, lengths))
