"""The parts of the compiled engine that no comparison of answers reaches: heaps, memory, interruption, compilation."""

from __future__ import annotations

import heapq
import logging
import signal
import subprocess
import sys
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plans import give, plan, rows, split, station, stations, take, visit
from tailrace.engine.compiled import CompiledRun, available, prepare, run_compiled
from tailrace.engine.reference import run_reference
from tailrace.plan.build import Plan

pytestmark = pytest.mark.skipif(
    not available(), reason="numba, which the compiled engine needs, is not installed"
)


# Heaps

entries = st.tuples(st.sampled_from([0.0, 0.25, 1.0, 1e-300, 1e300]) | st.floats(0.0, 10.0), st.booleans())


@settings(max_examples=100, derandomize=True, deadline=None)
@given(st.lists(entries, min_size=1, max_size=80), st.integers(0, 5))
def test_a_heap_gives_its_entries_in_order_of_instant_and_then_of_key(
    pushes: list[tuple[float, bool]], at: int
) -> None:
    from tailrace.engine.loop.heap import rise, sink
    from tailrace.engine.loop.layout import ENTRY, HEAP_MARGIN

    heap = np.zeros(at + len(pushes) + HEAP_MARGIN, dtype=ENTRY)
    heap["key"] = -1  # what lies around a heap, and is less than all that is in it, must not matter
    expected: list[tuple[float, int]] = []
    size = 0

    def pop() -> tuple[float, int]:
        nonlocal size
        root = (float(heap["instant"][at]), int(heap["key"][at]))
        size -= 1
        if size:
            last = (float(heap["instant"][at + size]), int(heap["key"][at + size]))
            sink(heap, at, size, *last)
        return root

    # Keys descend, so that ties come out in another order than they went in.
    for key, (instant, then_pop) in zip(range(len(pushes), 0, -1), pushes, strict=True):
        rise(heap, at, size, instant, key)
        size += 1
        heapq.heappush(expected, (instant, key))
        if then_pop:
            assert pop() == heapq.heappop(expected)
    while expected:
        assert pop() == heapq.heappop(expected)
    assert size == 0


# Numbers of events


def busy() -> Plan:
    """Many ties at all kinds of stations but arms, which schedule as fcfs stations do."""
    server = stations(station("fcfs", 2), station("ps", 2), station("delay"), station("token", 3))
    path = [take(3, 2), visit(0, 1.0), split([visit(1, 1.0)], [visit(2, 1.0), visit(1, 0.0)]), give(3, 2)]
    return plan(server, rows([1.0, 0.0, 0.0] * 30, [path] * 90))


def test_ties_go_by_number_however_many_events_there_have_been() -> None:
    """Instants are floats, numbers are not: beyond 2^53 a key that became a float would have lost its end."""
    expected = run_reference(busy(), 90)
    run = CompiledRun(busy(), 90)
    run._state.loop["number"] = 2**36  # times 2^26, for what else the key tells, just fits 63 bits
    found = np.concatenate([block.copy() for block in run.blocks()])
    found = found[np.argsort(found["order"])]
    np.testing.assert_array_equal(found["completion_s"], expected.completion_s)
    np.testing.assert_array_equal(found["wait_s"], expected.wait_s)


# Memory


def test_stretches_of_memory_never_overlap_and_are_used_again() -> None:
    from tailrace.engine.loop.state import Shelf

    rng = np.random.default_rng(5)
    shelf, owners, taken = Shelf(), np.zeros(1 << 16, dtype=int), {}
    for turn in range(1, 2000):
        count = int(rng.integers(1, 40))
        at = shelf.take(count)
        assert not owners[at : at + count].any()
        owners[at : at + count] = turn
        taken[turn] = (at, count)
        if len(taken) > 20:
            gone = int(rng.choice(list(taken)))
            at, count = taken.pop(gone)
            assert (owners[at : at + count] == gone).all()
            owners[at : at + count] = 0
            shelf.put_back(at, count)
    assert shelf.end < 64 * 40


def tandem(requests: int) -> Plan:
    rng = np.random.default_rng(11)
    server = stations(station("fcfs"), station("fcfs"))
    paths = [[visit(0, work_s), visit(1, work_s)] for work_s in rng.exponential(0.7, requests)]
    return plan(server, rows(rng.exponential(1.0, requests).tolist(), paths), block_rows=256)


def test_blocks_hold_every_request_once_and_what_a_run_needs_does_not_grow_with_them() -> None:
    requests = 30_000
    expected = run_compiled(tandem(requests), requests)
    run = CompiledRun(tandem(requests), requests)
    orders, latest = [], 0.0
    for block in run.blocks():
        assert 0 < len(block) <= 4096
        assert block["completion_s"][0] >= latest
        assert (np.diff(block["completion_s"]) >= 0.0).all()
        latest = float(block["completion_s"][-1])
        orders.append(block["order"].copy())
        np.testing.assert_array_equal(block["completion_s"], expected.completion_s[block["order"]])
    assert run.complete
    assert len(orders) > 5
    np.testing.assert_array_equal(np.sort(np.concatenate(orders)), np.arange(requests))
    arrays = run._state.arrays
    assert arrays.rows.size < requests / 4
    assert arrays.steps.size < 3 * requests / 4
    assert arrays.chunks.size == 64


# Interruption


def endless() -> Plan:
    """The first request waits for ever while others come and go in no time: the clock stands still."""
    server = stations(station("token"))
    stuck, idle = rows([0.0], [[take(0), take(0)]]), rows([0.0], [[]])
    return plan(server, closed_rows=[stuck, idle])


@pytest.mark.skipif(not hasattr(signal, "setitimer"), reason="timers by signal are there on POSIX only")
def test_a_run_can_be_interrupted_even_if_time_stands_still() -> None:
    prepare()  # or the signal might come during compilation
    before = signal.signal(signal.SIGALRM, signal.default_int_handler)
    try:
        signal.setitimer(signal.ITIMER_REAL, 0.5)
        with pytest.raises(KeyboardInterrupt):
            run_compiled(endless(), 2)
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)


# Compilation


def test_what_is_compiled_is_not_compiled_again() -> None:
    prepare()
    told: list[str] = []
    prepare(lambda: told.append("compiling"))
    assert told == []


def test_where_nothing_can_be_kept_functions_are_compiled_and_one_note_says_so(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    from numba.core.caching import CacheImpl

    from tailrace.engine.loop import compilation

    monkeypatch.setattr(CacheImpl, "_locator_classes", [])
    monkeypatch.setattr(compilation, "_unkept", [])

    def doubled(number: int) -> int:
        return 2 * number

    with caplog.at_level(logging.WARNING):
        twice: list[Callable[[int], int]] = [compilation.kept(doubled), compilation.kept(doubled)]
    assert [each(21) for each in twice] == [42, 42]
    assert len(caplog.records) == 1
    assert "NUMBA_CACHE_DIR" in caplog.text


def test_numba_is_imported_by_a_run_only() -> None:
    code = "import sys, tailrace.engine.compiled as c; c.available(); assert 'numba' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True)
