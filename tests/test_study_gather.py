"""What is kept of a run block by block is what the whole run would give, wherever the blocks end."""

from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from same import assert_equal
from tailrace.engine.choice import runner, started
from tailrace.engine.loop.layout import FINISHED, Records
from tailrace.engine.observations import Marks
from tailrace.plan.build import build_plan
from tailrace.plan.columns import READ
from tailrace.replicate import gather
from tailrace.replicate.boiled import boil_down
from tailrace.replicate.gather import Gathering, measured_from, start_of
from tailrace.replicate.replication import Replication, warming_means
from through import ENGINE, shared_scenario


def finished(requests: int, seed: int, latencies: int) -> Records:
    """Requests of two classes in order of completion; as few different latencies as asked for, so that many tie."""
    rng = np.random.default_rng(seed)
    block = np.zeros(requests, dtype=FINISHED)
    block["order"] = np.arange(requests)
    block["arrival_s"] = np.cumsum(rng.exponential(1.0, requests))
    block["completion_s"] = block["arrival_s"] + rng.integers(1, 1 + latencies, requests)
    block["class_index"] = rng.random(requests) < 0.3
    block["kind"] = rng.random(requests) < 0.4
    block["size_bytes"] = rng.integers(1, 10_000, requests)
    block["wait_s"] = rng.random((requests, 4))
    block["service_s"] = rng.random((requests, 4))
    return block[np.argsort(block["completion_s"], kind="stable")]


def gathered(block: Records, pieces: int, mark_time_s: np.ndarray) -> Gathering:
    """The marks are made known as they are passed."""
    gathering = Gathering(len(block), np.array([True, False]))
    for part in np.array_split(block, pieces):
        gathering.add(part.copy(), mark_time_s[mark_time_s <= part["completion_s"][-1]])
    return gathering


@given(st.integers(20, 400), st.integers(0, 2**32), st.integers(1, 50), st.integers(2, 9))
def test_the_figures_do_not_depend_on_where_blocks_end(
    requests: int, seed: int, latencies: int, pieces: int
) -> None:
    block = finished(requests, seed, latencies)
    time_s = np.linspace(0.0, float(block["completion_s"].max()), 21)
    whole, parts = gathered(block, 1, time_s), gathered(block, pieces, time_s)
    np.testing.assert_array_equal(whole.latency_s, parts.latency_s)
    np.testing.assert_array_equal(whole.open_present(21), parts.open_present(21))
    assert whole.window_s == parts.window_s
    for number in (0, 1):
        for kind in gather.KINDS:
            for pick in ("stages", "slowest", "middle"):
                one, other = (getattr(each, pick)(number, kind) for each in (whole, parts))
                assert one.requests == other.requests
                assert_equal(one.wait_s, other.wait_s, "wait_s")
                assert_equal(one.service_s, other.service_s, "service_s")


@pytest.mark.parametrize("latencies", [1, 3, 10_000], ids=["all tie", "many tie", "none ties"])
def test_the_slowest_are_exact_though_most_rows_are_forgotten(
    latencies: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gather, "FEW_ROWS", 64)
    block = finished(20_000, 5, latencies)
    gathering = gathered(block, 300, np.zeros(0))
    assert gathering._slowest._held < 2_000
    measured = block[block["order"] >= measured_from(len(block))]
    latency_s = measured["completion_s"] - measured["arrival_s"]
    for number in (0, 1):
        for kind, of_kind in (
            ("all", np.ones(len(measured), bool)),
            ("read", measured["kind"] == READ),
            ("write", measured["kind"] != READ),
        ):
            mine = np.flatnonzero((measured["class_index"] == number) & of_kind)
            count = int(np.ceil(0.01 * mine.size))
            slow = mine[np.lexsort((measured["order"][mine], -latency_s[mine]))[:count]]
            slow = slow[np.argsort(measured["order"][slow])]
            found = gathering.slowest(number, kind)
            assert found.requests == count
            np.testing.assert_array_equal(found.wait_s, measured["wait_s"][slow].sum(axis=0))
            np.testing.assert_array_equal(found.service_s, measured["service_s"][slow].sum(axis=0))


def test_the_middle_is_the_tenth_around_the_median() -> None:
    block = np.zeros(1000, dtype=FINISHED)
    block["order"] = np.random.default_rng(1).permutation(1000)
    block["completion_s"] = 1.0 + block["order"]
    block["wait_s"][:, 0] = block["order"]
    gathering = gathered(block, 3, np.zeros(0))
    # measured are 100 to 999, their latencies 101 to 1000: the tenth around the median is 505 to 594
    middle = gathering.middle(0, "read")
    assert middle.requests == 90
    assert middle.wait_s[0] == sum(range(505, 595))


class Whole:
    """A run that is over, as one block."""

    complete = True

    def __init__(self, block: Records, marks: Marks) -> None:
        self._block, self._marks = block, marks

    def blocks(self) -> Iterator[Records]:
        yield self._block

    def marks(self) -> Marks:
        return self._marks


def sampled(scenario_name: str) -> tuple[Replication, Replication]:
    """What is kept block by block, and of the same requests as one block."""
    scenario = shared_scenario(scenario_name)
    run = started(ENGINE)(build_plan(scenario, 3, 8), 12_000, marks=21)
    plan = build_plan(scenario, 3, 8)
    is_open = np.array([scenario.workload_named(name).is_open for name in plan.classes])
    start = start_of(scenario)
    kept = boil_down(run, 12_000, plan, is_open, start)
    again = started(ENGINE)(build_plan(scenario, 3, 8), 12_000, marks=21)
    block = np.concatenate([each.copy() for each in again.blocks()])
    return kept, boil_down(Whole(block, again.marks()), 12_000, plan, is_open, start)


@pytest.mark.parametrize("name", ["mixed", "booking-flash-busy"])
def test_a_sample_is_what_the_columns_of_the_run_say(name: str) -> None:
    kept, whole = sampled(name)
    scenario = shared_scenario(name)
    observed = runner(ENGINE)(build_plan(scenario, 3, 8), 12_000, marks=21)
    begin = measured_from(12_000, start_of(scenario))
    assert kept.window_s == whole.window_s
    # whole bins, so wide that a thousand of them are hardly enough for the run, between the arrivals measured
    width = 2.0 ** np.ceil(np.log2(observed.completion_s.max() / 2048) + 1e-9)
    opens_s = np.ceil(observed.arrival_s[begin - 1] / width) * width
    closes_s = np.floor(observed.arrival_s[-1] / width) * width
    assert kept.window_s == closes_s - opens_s
    passed = (observed.completion_s >= opens_s) & (observed.completion_s < closes_s)
    names = sorted(each.name for each in scenario.workload)
    is_open = np.array([scenario.workload_named(each).is_open for each in names])
    for number, each in enumerate(names):
        mine = observed.class_index == number
        np.testing.assert_array_equal(kept.kinds[each]["all"].latencies.every_s, observed.latency_s[mine])
        np.testing.assert_array_equal(kept.warming_s[each], warming_means(observed.latency_s[mine]))
        assert kept.issued[each] == np.count_nonzero(mine)
        for kind in kept.kinds[each]:
            chosen = mine & (np.arange(12_000) >= begin)
            if kind != "all":
                chosen &= (observed.kind == READ) == (kind == "read")
            part, going = kept.kinds[each][kind], mine & passed
            if kind != "all":
                going = going & ((observed.kind == READ) == (kind == "read"))
            assert part.completed == going.sum()
            assert part.bytes_moved == observed.size_bytes[going].sum()
            of_kind = mine if kind == "all" else mine & ((observed.kind == READ) == (kind == "read"))
            inside = np.clip(observed.completion_s[of_kind], opens_s, closes_s)
            inside -= np.clip(observed.arrival_s[of_kind], opens_s, closes_s)
            assert part.under_way_s == pytest.approx(inside.sum(), rel=1e-6)
            np.testing.assert_array_equal(part.latency_s, observed.latency_s[chosen])
            assert part.requests == chosen.sum()
            # summed in another order than here
            np.testing.assert_allclose(part.stages.wait_s, observed.wait_s[chosen].sum(axis=0), rtol=1e-11)
    mine = is_open[observed.class_index]
    time_s = observed.marks.time_s[:, None]
    present = (observed.arrival_s[mine] <= time_s) & (observed.completion_s[mine] > time_s)
    under_way = present.sum(axis=1) + (observed.marks.detached if is_open.all() else 0)
    np.testing.assert_array_equal(kept.under_way, under_way[-kept.under_way.size :])
