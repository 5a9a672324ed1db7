"""Paths written in columns, against a naive writer that lays step after step in lists."""

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

import plans
from tailrace.forecast.ways import PerStation, slowest_way_mean_s
from tailrace.plan.columns import (
    BRANCH,
    COLLECT,
    DETACH,
    END,
    GIVE,
    RELEASE,
    SPLIT,
    TAKE,
    TAKE_RANKED,
    VISIT,
    Access,
    Steps,
)
from tailrace.plan.demand import chunk_demand
from tailrace.plan.path import Behind, Choice, Collected, InTurn, Path, Series, fork, give, take, visit

Step = tuple[Any, ...]
"""Operation, argument, work, and what the arm must know (None for nothing)."""

Written = list[list[Step]]
"""The steps of each item."""

NO_ACCESS = (0.0, 0.0, 0.0, -1.0, -1.0, 0.0)


def flat(parts: Written) -> list[Step]:
    return [step for part in parts for step in part]


def branch(way: list[Step]) -> list[Step]:
    return [(BRANCH, len(way) + 1, 0.0, NO_ACCESS), *way, (END, 0, 0.0, NO_ACCESS)]


def side_by_side(ways: Written) -> list[Step]:
    if len(ways) < 2:
        return flat(ways)
    return [(SPLIT, len(ways), 0.0, NO_ACCESS), *flat([branch(way) for way in ways])]


def behind(ways: Written) -> list[Step]:
    return flat(
        [[(DETACH, *step[1:]) if k == 0 else step for k, step in enumerate(branch(way))] for way in ways]
    )


def collected(station: int, way: list[Step]) -> list[Step]:
    return [(COLLECT, station, len(way) + 1.0, NO_ACCESS), *way, (RELEASE, station, 0.0, NO_ACCESS)]


def grouped(ways: Written, counts: list[int]) -> list[Written]:
    ends = np.cumsum([0, *counts])
    return [ways[start:end] for start, end in pairwise(ends)]


@st.composite
def single_steps(draw: st.DrawFn, count: int) -> tuple[Path, Written]:
    """One step each: argument and work as one number for all, or a column."""
    kind = draw(st.sampled_from([visit, take, give]))
    op = {visit: VISIT, take: TAKE, give: GIVE}[kind]
    columns = st.lists(st.integers(1, 999), min_size=count, max_size=count)
    arg = draw(st.integers(1, 999) | columns)
    work = draw(st.integers(1, 999) | columns)
    args = arg if isinstance(arg, list) else [arg] * count
    works = work if isinstance(work, list) else [work] * count
    written = [[(op, a, float(w), NO_ACCESS)] for a, w in zip(args, works, strict=True)]
    args_given = np.array(arg) if isinstance(arg, list) else arg
    work_given = np.array(work, dtype=np.float64) if isinstance(work, list) else float(work)
    if kind is visit and draw(st.booleans()):
        rows = np.array(draw(st.lists(columns, min_size=6, max_size=6)), dtype=np.float64).reshape(6, count)
        path = visit(count, args_given, work_given, Access(*rows))
        for step, access in zip(written, rows.T.tolist(), strict=True):
            step[0] = (*step[0][:3], tuple(access))
        return path, written
    return kind(count, args_given, work_given), written


@st.composite
def trees(draw: st.DrawFn, count: int, depth: int) -> tuple[Path, Written]:
    """A random path of ``count`` items, and what a naive writer makes of it."""
    kind = draw(
        st.sampled_from(
            ["step", "series", "choice", "collected", "fork", "in turn", "behind"] if depth else ["step"]
        )
    )
    if kind == "step":
        return draw(single_steps(count))
    if kind == "series":
        parts = [draw(trees(count, depth - 1)) for _ in range(draw(st.integers(0, 3)))]
        path = Series(count, [part for part, _ in parts])
        return path, [flat([written[item] for _, written in parts]) for item in range(count)]
    if kind == "collected":
        inside, written = draw(trees(count, depth - 1))
        station = draw(st.integers(0, 9))
        return Collected(station, inside), [collected(station, way) for way in written]
    if kind == "choice":
        chosen = np.array(draw(st.lists(st.booleans(), min_size=count, max_size=count)), dtype=bool)
        yes, yes_written = draw(trees(int(chosen.sum()), depth - 1))
        no, no_written = draw(trees(int((~chosen).sum()), depth - 1))
        ways = {True: iter(yes_written), False: iter(no_written)}
        return Choice(chosen, yes, no), [next(ways[bool(each)]) for each in chosen]
    counts = draw(st.lists(st.sampled_from([0, 1, 1, 2, 3]), min_size=count, max_size=count))
    child, ways_written = draw(trees(sum(counts), depth - 1))
    groups = grouped(ways_written, counts)
    numbers = np.array(counts, dtype=np.int64)
    if kind == "fork":
        return fork(child, numbers), [side_by_side(ways) for ways in groups]
    if kind == "in turn":
        return InTurn(child, numbers), [flat(ways) for ways in groups]
    return Behind(child, numbers), [behind(ways) for ways in groups]


def rows_of(steps: Steps, start: int, count: int) -> list[Step]:
    access = [NO_ACCESS] * count
    if steps.access is not None:
        columns = [column[start : start + count].tolist() for column in steps.access.columns()]
        access = list(zip(*columns, strict=True)) or []
    inside = slice(start, start + count)
    return list(
        zip(
            steps.op[inside].tolist(),
            steps.arg[inside].tolist(),
            steps.work[inside].tolist(),
            access,
            strict=True,
        )
    )


def laid_out(path: Path, gaps: NDArray[np.int64], with_access: bool) -> tuple[Steps, NDArray[np.int64]]:
    """Write a path with some steps left free in front of each item, and one behind the last."""
    lengths = np.broadcast_to(np.asarray(path.lengths), (path.count,))
    at = np.cumsum(gaps + lengths) - lengths
    steps = Steps.empty(int((gaps + lengths).sum()) + 1, with_access)
    path.write(steps, at)
    return steps, at


@settings(max_examples=150, deadline=None)
@given(
    tree=st.integers(0, 4).flatmap(lambda count: trees(count, 3)),
    gap=st.integers(1, 3),
    with_access=st.booleans(),
)
def test_any_path_is_written_as_a_naive_writer_does(
    tree: tuple[Path, Written], gap: int, with_access: bool
) -> None:
    path, written = tree
    assert path.count == len(written)
    lengths = np.broadcast_to(np.asarray(path.lengths), (path.count,))
    assert lengths.tolist() == [len(steps) for steps in written]
    steps, at = laid_out(path, np.full(path.count, gap), with_access)
    free = np.ones(steps.op.size, dtype=bool)
    for item, wanted in enumerate(written):
        seen = rows_of(steps, int(at[item]), len(wanted))
        if not with_access:
            wanted = [(*step[:3], NO_ACCESS) for step in wanted]
        assert seen == wanted
        free[at[item] : at[item] + len(wanted)] = False
    assert np.all(steps.op[free] == END)  # nothing is written anywhere else
    assert not np.any(steps.arg[free])
    assert not np.any(steps.work[free])


def ended(steps: Steps, at: int, last: int) -> list[int]:
    """Walk a path from ``at`` by its lengths to its END, ways on the side included, and say where each ends."""
    ends, released = list[int](), list[int]()
    while steps.op[at] != END:
        if steps.op[at] == SPLIT:
            branches, at = int(steps.arg[at]), at + 1
            for _ in range(branches):
                assert steps.op[at] == BRANCH
                ends += ended(steps, at + 1, at + int(steps.arg[at]))
                at += 1 + int(steps.arg[at])
        elif steps.op[at] == DETACH:
            ends += ended(steps, at + 1, at + int(steps.arg[at]))
            at += 1 + int(steps.arg[at])
        else:
            assert steps.op[at] in (VISIT, TAKE, GIVE, COLLECT, RELEASE)
            if steps.op[at] == COLLECT:
                released.append(at + int(steps.work[at]))
            elif steps.op[at] == RELEASE:
                assert at == released.pop()  # on the same path, behind whatever ways lie between
            at += 1
    assert at == last
    assert not released
    return [*ends, at]


@settings(max_examples=200, deadline=None)
@given(st.integers(1, 3).flatmap(lambda count: trees(count, 3)))
def test_the_lengths_lead_through_the_path_and_every_way_in_it_to_its_end(tree: tuple[Path, Written]) -> None:
    path, written = tree
    steps, at = laid_out(path, np.ones(path.count, dtype=np.int64), with_access=False)
    for item, wanted in enumerate(written):
        ends = ended(steps, int(at[item]), int(at[item]) + len(wanted))
        assert len(ends) == 1 + sum(step[0] in (BRANCH, DETACH) for step in wanted)


def test_a_hand_written_path() -> None:
    # Two requests: one with two drive operations, the first of them with a program behind it; one with a single one.
    programs = Behind(visit(1, 9, 0.7), np.array([1, 0, 0]))
    operations = Series(3, [take(3, np.array([5, 6, 5])), visit(3, 2, np.array([0.1, 0.2, 0.3])), programs])
    path = Series(2, [visit(2, 1, 0.5), fork(operations, np.array([2, 1])), give(2, 3, 4.0)])
    assert np.asarray(path.lengths).tolist() == [14, 4]
    steps, at = laid_out(path, np.array([0, 1]), with_access=False)
    first, second = (rows_of(steps, int(at[k]), (15, 5)[k]) for k in (0, 1))
    assert [step[:3] for step in first] == [
        (VISIT, 1, 0.5),
        (SPLIT, 2, 0.0),
        (BRANCH, 6, 0.0),
        (TAKE, 5, 1.0),
        (VISIT, 2, 0.1),
        (DETACH, 2, 0.0),
        (VISIT, 9, 0.7),
        (END, 0, 0.0),
        (END, 0, 0.0),
        (BRANCH, 3, 0.0),
        (TAKE, 6, 1.0),
        (VISIT, 2, 0.2),
        (END, 0, 0.0),
        (GIVE, 3, 4.0),
        (END, 0, 0.0),
    ]
    assert [step[:3] for step in second] == [
        (VISIT, 1, 0.5),
        (TAKE, 5, 1.0),
        (VISIT, 2, 0.3),
        (GIVE, 3, 4.0),
        (END, 0, 0.0),
    ]


def test_parts_that_describe_other_items_are_refused() -> None:
    with pytest.raises(ValueError, match=r"series of 2 describe \[2, 3\] items"):
        Series(2, [visit(2, 1, 0.5), visit(3, 1, 0.5)])


def test_one_child_each_needs_no_split_and_none_at_all_no_step() -> None:
    child = visit(3, 1, 0.5)
    assert fork(child, np.array([1, 1, 1])) is child
    nothing = fork(visit(0, 1, 0.5), np.array([0, 0]))
    assert np.asarray(nothing.lengths).tolist() == [0, 0]


def test_a_ranked_take_writes_its_rank_for_one_permit() -> None:
    steps, at = laid_out(Series(2, [take(2, 5, rank=np.array([0, 3])), give(2, 5)]), np.array([0, 1]), False)
    written = [[step[:3] for step in rows_of(steps, int(at[k]), 3)] for k in (0, 1)]
    assert written == [[(TAKE_RANKED, 5, rank), (GIVE, 5, 1.0), (END, 0, 0.0)] for rank in (0.0, 3.0)]
    assert [step[:3] for step in rows_of(*laid_out(take(1, 5, rank=2), np.array([0]), False)[:1], 0, 1)] == [
        (TAKE_RANKED, 5, 2.0)
    ]


@pytest.mark.parametrize("bad", [{"permits": 2.0, "rank": 1}, {"rank": np.array([0, -1])}])
def test_a_ranked_take_of_several_permits_or_below_rank_0_is_refused(bad: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="of one permit, and its rank is 0 or more"):
        take(2, 5, **bad)


@pytest.mark.parametrize("taken", [plans.take(0), plans.take_ranked(0, 0), plans.take_ranked(0, 7)])
def test_the_demand_for_a_permit_is_the_service_while_it_is_held_whatever_its_rank(taken: Step) -> None:
    server = plans.stations(plans.station("token", ranked=True), plans.station("fcfs"))
    path = [plans.visit(1, 4.0), taken, plans.visit(1, 3.0), plans.give(0)]
    chunk = plans.rows([1.0], [path])
    demand = chunk_demand(chunk, server)
    assert demand.service_s.tolist() == [3.0, 7.0]
    assert demand.visits.tolist() == [1.0, 2.0]
    # Beside 7 s of service the request waits for 5 s at the pool and 1 s at each visit.
    surroundings = PerStation(np.array([5.0, 1.0]), np.full(2, 0.5), np.ones(2), np.zeros(2), np.zeros(2))
    assert slowest_way_mean_s(chunk, np.array([True]), surroundings) == 14.0
