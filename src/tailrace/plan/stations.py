"""The stations of a server: who can be waited for, and under which discipline."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np

from tailrace.arrays import FloatArray, IntArray
from tailrace.plan.columns import Stage


class Discipline(IntEnum):
    """How a station serves those who are present.

    PRESENT serves nobody and lets nobody wait: a pool without end, whose permits say how many are there.
    """

    FCFS = 0
    PS = 1
    DELAY = 2
    ARM = 3
    TOKEN = 4
    BULK = 5
    FLOW = 6
    PRESENT = 7


DISCIPLINES = {"fcfs": Discipline.FCFS, "ps": Discipline.PS, "delay": Discipline.DELAY}


@dataclass(frozen=True)
class Arm:
    """What the arms of one kind of drive have in common, and the phase of each spindle.

    ``rule`` is one of the scheduling constants of :mod:`tailrace.physics.arm`; the seek curve is
    ``a + b sqrt(x) + c x`` seconds on pieces of the stroke that end at ``edges``; ``phase`` in turns, one entry
    a drive. ``slots`` is the pool of the first drive's queue slots; ``segments`` is how many stretches of addresses
    that its arm has read each drive can hold (0: what is read on behind a read is lost).
    """

    rule: int
    turns_per_s: float
    age_limit_s: float
    edges: FloatArray
    a: FloatArray
    b: FloatArray
    c: FloatArray
    phase: FloatArray
    slots: int
    segments: int = 0


@dataclass(frozen=True)
class Dies:
    """What the dies of flash drives of one kind have in common.

    A drive has ``each`` of them, die k on bus k modulo ``channels``; its write buffer holds so many ``programs`` at
    once.
    """

    each: int
    channels: int
    programs: int


@dataclass(frozen=True)
class Flow:
    """What a station whose rate depends on the number present gives all of them together, in seconds of work a second.

    ``totals``, shape (2, n): with 1, 2 ... n present, all READ (the first row) or all WRITE; beyond n as with n.
    """

    totals: FloatArray


@dataclass(frozen=True)
class Bank:
    """Identical stations with consecutive numbers: the dies of all drives, say.

    ``servers`` is per station (permits, for a pool of tokens; places of those served together, for bulk service).
    ``paces`` is False where permits bound how much
    is under way rather than serve: such a pool can be full without anything being short. ``ranked`` is True for
    pools in which ranked takes go by their rank. ``alike``, shape (count,), labels stations that bear the same load,
    below 0 those that bear none; None where all are alike.
    ``key`` is the key of the scenario that says how many permits there are, as its table has it. ``outside`` is True
    for what belongs to clients, or to the way to them: several servers have no more of it than one. ``of_servers``,
    where there are several servers, are the first of those whose stations these are, server after server, and the one
    behind them; ``whose`` says in words which servers are meant.
    """

    name: str
    stage: Stage
    discipline: Discipline
    first: int
    count: int
    servers: int
    paces: bool = True
    arm: Arm | None = None
    ranked: bool = False
    alike: IntArray | None = None
    dies: Dies | None = None
    key: str = ""
    flow: Flow | None = None
    outside: bool = False
    of_servers: tuple[int, int] | None = None
    whose: str = ""

    @property
    def each(self) -> int:
        """Stations of one server."""
        return (
            self.count if self.of_servers is None else self.count // (self.of_servers[1] - self.of_servers[0])
        )

    @property
    def serves(self) -> bool:
        """Whether it does work at a pace that nothing else in the server can slow down."""
        return self.discipline in (Discipline.FCFS, Discipline.PS, Discipline.FLOW)

    @property
    def most(self) -> float:
        """Seconds of service a second that a station gives at most."""
        return float(self.servers) if self.flow is None else float(self.flow.totals.max())

    @property
    def loaded(self) -> int:
        """Stations that are there for any load at all."""
        return self.count if self.alike is None else max(int(np.count_nonzero(self.alike >= 0)), 1)

    def means_alike(self, values: FloatArray) -> FloatArray:
        """The mean of ``values``, shape (count,), over each set of stations alike; or over all of them."""
        if self.alike is None or not (self.alike >= 0).any():
            return np.array([values.mean()])
        some = self.alike >= 0
        sums, counts = np.bincount(self.alike[some], values[some]), np.bincount(self.alike[some])
        return np.asarray(sums[counts > 0] / counts[counts > 0])


@dataclass
class Stations:
    """All banks of a server in the order in which they were added; numbers run through."""

    banks: list[Bank] = field(default_factory=list)

    def __len__(self) -> int:
        return sum(bank.count for bank in self.banks)

    @property
    def have_arms(self) -> bool:
        """Whether any station is an arm."""
        return any(bank.discipline == Discipline.ARM for bank in self.banks)

    def add(
        self,
        name: str,
        stage: Stage,
        discipline: Discipline,
        servers: int = 1,
        count: int = 1,
        *,
        paces: bool = True,
        arm: Arm | None = None,
        ranked: bool = False,
        dies: Dies | None = None,
        key: str = "",
        flow: Flow | None = None,
        outside: bool = False,
    ) -> int:
        """Add ``count`` identical stations and return the number of the first. Only pools of tokens are ranked."""
        first = len(self)
        bank = Bank(
            name, stage, discipline, first, count, servers, paces, arm, ranked, None, dies, key, flow, outside
        )
        self.banks.append(bank)
        return first

    def bank_of(self, number: int) -> Bank:
        """The bank that a station belongs to. Raises IndexError if there is no such station."""
        for bank in self.banks:
            if bank.first <= number < bank.first + bank.count:
                return bank
        raise IndexError(f"station {number} of {len(self)}")

    def per_station(self, attribute: str) -> IntArray:
        """An integer attribute of the banks (stage, discipline, servers, paces, ranked), one entry a station."""
        values = [int(getattr(bank, attribute)) for bank in self.banks]
        return np.repeat(np.array(values, dtype=np.int64), [bank.count for bank in self.banks])
