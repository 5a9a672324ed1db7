"""Plans written step by step, for tests that go below scenarios.

A path is a list of steps made by `visit`, `take`, `take_ranked`, `give`, `split`, `detach` and `collect`; its END is
added. So::

    tandem = stations(station("fcfs"), station("ps", servers=2))
    path = [visit(0, 3.0), split([visit(1, 1.0)], [visit(1, 2.0)])]
    small = plan(tandem, open_rows=rows([1.0, 0.0], [path, path]))

is a plan of two requests that arrive together at 1 s. Sources never end: behind its last row an open source goes on
with requests that ask for nothing, each FAR_S after the one before it, so that runs of as many requests as were
written see nothing of them. A closed source repeats its rows (one of which should take time) or goes on in the
way of open ones, as the test says.
"""

from collections.abc import Sequence
from typing import Any, TypeAlias

import numpy as np

from tailrace.physics.arm import ARRIVAL_ORDER
from tailrace.plan.build import Plan
from tailrace.plan.columns import (
    BRANCH,
    CHOOSE,
    COLLECT,
    DETACH,
    DRAW,
    END,
    GIVE,
    JUMP,
    QUORUM,
    READ,
    RELEASE,
    SPLIT,
    TAKE,
    TAKE_RANKED,
    VISIT,
    Chunk,
    Stage,
    Steps,
)
from tailrace.plan.source import Source
from tailrace.plan.stations import Arm, Discipline, Flow, Stations

FAR_S = 1e9
"""Gap between the rows that nobody has written, in seconds: past the end of any run of a test."""

MANY_STEPS = 2**19

Step: TypeAlias = tuple[Any, ...]
Path: TypeAlias = Sequence[Step]
Where: TypeAlias = tuple[float, ...]
"""What an arm must know of a visit: target (share of the stroke), angle (share of a turn), settle seconds, start and
end address, and how many bytes it may read on behind a read (A_WRITE for a write; 0 if left out)."""

ANYWHERE: Where = (0.0, 0.0, 0.0, -1.0, -1.0, 0.0)

# Steps


def visit(number: int, work_s: float, where: Where = ANYWHERE) -> Step:
    """A visit to the station ``number`` with ``work_s`` of service (of transfer, at an arm)."""
    return ("visit", number, work_s, (*where, *ANYWHERE[len(where) :]))


def shared_visit(number: int, work_s: float, share: float = 0.0, kind: int = READ) -> list[Step]:
    """A visit to a station of discipline FLOW, of that kind, which draws such a share of its byte rate."""
    return [("draw", kind, share), visit(number, work_s)]


def take(pool: int, permits: int = 1) -> Step:
    """Take permits of the pool with that station number, waiting until they are free."""
    return ("take", pool, permits)


def take_ranked(pool: int, rank: int) -> Step:
    """Take a permit of the ranked pool with that station number; lower ranks go first among those who wait."""
    return ("take ranked", pool, rank)


def give(pool: int, permits: int = 1) -> Step:
    """Give permits back to a pool."""
    return ("give", pool, permits)


def split(*branches: Path) -> Step:
    """Go on along all branches at once, and behind them when all have ended."""
    return ("split", branches)


def quorum(needed: int, *branches: Path) -> Step:
    """Go on along all branches at once, and behind them when so many have ended; the others go their own way."""
    return ("quorum", needed, branches)


def choose(*alternatives: tuple[int, Path]) -> Step:
    """Go on along the path, of (pool, path), at whose pool fewest permits are taken."""
    return ("choose", alternatives)


def detach(path: Path) -> Step:
    """Send a path on its own way; nobody waits for it."""
    return ("detach", path)


def collect(station_number: int, path: Path) -> Step:
    """Walk the path for all that are collected at the station of bulk service, or have it walked by another."""
    return ("collect", station_number, path)


Flat: TypeAlias = list[tuple[int, int, float, Where]]


def _flat(path: Path) -> Flat:
    """A path with its END as operations, arguments, work and access, with lengths in place of lists."""
    flat: Flat = []
    for step in path:
        match step:
            case ("visit", number, work_s, where):
                flat.append((VISIT, number, work_s, where))
            case ("draw", kind, share):
                flat.append((DRAW, kind, share, ANYWHERE))
            case ("take", pool, permits):
                flat.append((TAKE, pool, permits, ANYWHERE))
            case ("take ranked", pool, rank):
                flat.append((TAKE_RANKED, pool, rank, ANYWHERE))
            case ("give", pool, permits):
                flat.append((GIVE, pool, permits, ANYWHERE))
            case ("split", branches):
                flat.append((SPLIT, len(branches), 0.0, ANYWHERE))
                for branch in branches:
                    inner = _flat(branch)
                    flat += [(BRANCH, len(inner), 0.0, ANYWHERE), *inner]
            case ("quorum", needed, branches):
                flat.append((QUORUM, len(branches), float(needed), ANYWHERE))
                for branch in branches:
                    inner = _flat(branch)
                    flat += [(BRANCH, len(inner), 0.0, ANYWHERE), *inner]
            case ("choose", alternatives):
                inners = [_flat(each)[:-1] for _, each in alternatives]
                flat.append((CHOOSE, len(inners), 0.0, ANYWHERE))
                left = sum(len(inner) + 2 for inner in inners)
                for (pool, _), inner in zip(alternatives, inners, strict=True):
                    left -= len(inner) + 2
                    flat += [(BRANCH, len(inner) + 1, float(pool), ANYWHERE), *inner]
                    flat.append((JUMP, left + 1, 0.0, ANYWHERE))
            case ("detach", own):
                inner = _flat(own)
                flat += [(DETACH, len(inner), 0.0, ANYWHERE), *inner]
            case ("collect", number, shared):
                inner = _flat(shared)[:-1]
                released = (RELEASE, number, 0.0, ANYWHERE)
                flat += [(COLLECT, number, len(inner) + 1.0, ANYWHERE), *inner, released]
            case _:
                raise AssertionError(f"no such step: {step}")
    return [*flat, (END, 0, 0.0, ANYWHERE)]


# Rows


def rows(
    gaps_s: Sequence[float],
    paths: Sequence[Path],
    class_index: int | Sequence[int] = 0,
    client: int | Sequence[int] = 0,
    size_bytes: int | Sequence[int] = 0,
    kind: int | Sequence[int] = READ,
) -> Chunk:
    """Requests, one for each gap and path; a single number serves all rows.

    ``gaps_s`` are seconds since the arrival before (open) or of thinking before the issue (closed).
    """
    assert len(gaps_s) == len(paths)
    flats = [_flat(path) for path in paths]
    lengths = np.array([len(flat) for flat in flats], dtype=np.int64)
    every = [step for flat in flats for step in flat]
    steps = Steps.empty(len(every), with_access=True)
    assert steps.access is not None
    steps.op[:], steps.arg[:], steps.work[:], where = zip(*every, strict=True)
    for column, values in zip(steps.access.columns(), np.array(where).T, strict=True):
        column[:] = values

    def column_of(value: int | Sequence[int], dtype: type) -> Any:
        return np.broadcast_to(np.asarray(value, dtype=dtype), len(paths)).copy()

    return Chunk(
        np.cumsum(lengths) - lengths,
        np.array(gaps_s, dtype=np.float64),
        column_of(class_index, np.uint16),
        column_of(client, np.uint32),
        column_of(size_bytes, np.int64),
        column_of(kind, np.uint8),
        steps,
    )


def _part(chunk: Chunk, begin: int, end: int, with_access: bool) -> Chunk:
    """The rows from ``begin`` to ``end`` as a block of their own."""
    last = chunk.first[end] if end < len(chunk) else chunk.steps.op.size
    steps = chunk.steps.at(np.arange(chunk.first[begin], last))
    if not with_access:
        steps.access = None
    part = slice(begin, end)
    return Chunk(
        chunk.first[part] - chunk.first[begin],
        chunk.gap_s[part],
        chunk.class_index[part],
        chunk.client[part],
        chunk.size_bytes[part],
        chunk.kind[part],
        steps,
    )


class ListedSource(Source):
    """The rows of a list in blocks of at most ``block_rows``, and then others without end.

    As ``repeats`` says these are the same ones over and over, or rows of the first one's class that ask for
    nothing, FAR_S apart.
    """

    def __init__(self, listed: Chunk, block_rows: int, repeats: bool, with_access: bool) -> None:
        super().__init__(block_rows, MANY_STEPS)
        self._listed, self._repeats, self._with_access = listed, repeats, with_access
        self._next = 0

    def _block(self, rows_wanted: int) -> Chunk:
        if self._next == len(self._listed):
            if not self._repeats:
                number, client = int(self._listed.class_index[0]), int(self._listed.client[0])
                return _part(rows([FAR_S], [[]], number, client), 0, 1, self._with_access)
            self._next = 0
        begin, self._next = self._next, min(self._next + rows_wanted, len(self._listed))
        return _part(self._listed, begin, self._next, self._with_access)


# Stations and plans

Station: TypeAlias = tuple[Discipline, int, Stage, Arm | None, bool, Flow | None]


def arm(
    rule: int = ARRIVAL_ORDER,
    turns_per_s: float = 1.0,
    age_limit_s: float = np.inf,
    seek_s: tuple[float, float, float] = (0.0, 0.0, 1.0),
    phase: float = 0.0,
    segments: int = 0,
) -> Arm:
    """One arm whose seek over a share x of the stroke takes a + b sqrt(x) + c x, of ``seek_s`` = (a, b, c).

    By default a seek over the whole stroke takes 1 s, as does a turn, and nothing is read ahead.
    """
    a, b, c = (np.array([value]) for value in seek_s)
    return Arm(rule, turns_per_s, age_limit_s, np.array([1.0]), a, b, c, np.array([phase]), 0, segments)


def station(
    discipline: str,
    servers: int = 1,
    stage: Stage = Stage.CONTROLLER,
    of_arm: Arm | None = None,
    ranked: bool = False,
    totals: Sequence[Sequence[float]] | None = None,
) -> Station:
    """A station, for `stations`: "fcfs", "ps", "flow", "delay", "arm", "token" or "bulk".

    ``servers`` are permits for a pool, and for bulk service how many it takes together.

    An arm without ``of_arm`` is `arm()`. ``ranked`` is for pools, ``totals`` for "flow": of reads and of writes.
    """
    which = Discipline[discipline.upper()]
    if which == Discipline.ARM and of_arm is None:
        of_arm = arm()
    return (which, servers, stage, of_arm, ranked, None if totals is None else Flow(np.array(totals)))


def stations(*each: Station) -> Stations:
    """Stations numbered in the order in which they are written, named "station 0" and so on."""
    added = Stations()
    for number, (discipline, servers, stage, of_arm, ranked, flow) in enumerate(each):
        added.add(f"station {number}", stage, discipline, servers, arm=of_arm, ranked=ranked, flow=flow)
    return added


def plan(
    server: Stations,
    open_rows: Chunk | None = None,
    closed_rows: Sequence[Chunk] = (),
    slots: Sequence[tuple[int, int]] | None = None,
    classes: Sequence[str] = ("booking",),
    priorities: Sequence[int] | None = None,
    block_rows: int = 4096,
    repeats: bool = True,
) -> Plan:
    """A fresh plan; run it once, since its sources are used up.

    ``closed_rows`` holds a list of rows for each closed source. ``slots`` are (place of the source, client), one for
    each independent cycle in the order of their start; by default one cycle a source, as client 0. ``repeats`` says how
    closed sources go on behind their last row. Priorities are 0 unless given, lower first.
    """
    if slots is None:
        slots = [(number, 0) for number in range(len(closed_rows))]
    with_access = server.have_arms
    return Plan(
        server,
        tuple(classes),
        tuple(priorities) if priorities is not None else (0,) * len(classes),
        ListedSource(open_rows, block_rows, False, with_access) if open_rows is not None else None,
        tuple(ListedSource(listed, block_rows, repeats, with_access) for listed in closed_rows),
        tuple(slots),
    )
