"""Whole plans: what balances in every request, what never depends on blocks or files, clients, and demands."""

from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from drives import controller, flash, lanes
from shortened import shortened
from tailrace.engine.reference import run_reference
from tailrace.errors import ScenarioError
from tailrace.plan.build import Plan, build_plan, needs_source_per_client, sample_demands
from tailrace.plan.columns import (
    BRANCH,
    DETACH,
    END,
    GIVE,
    READ,
    SPLIT,
    TAKE,
    TAKE_RANKED,
    VISIT,
    WRITE,
    Chunk,
    Steps,
)
from tailrace.plan.demand import chunk_demand
from tailrace.plan.server import ServerPlan
from tailrace.plan.source import BLOCK_STEPS, ClassPlan, OpenSource, Source
from tailrace.plan.stations import Bank, Discipline, Stations
from tailrace.scenario import Scenario, load, parse
from tailrace.workload.streams import Streams

SHARED = Path(__file__).parent.parent / "shared" / "scenarios"
BUSY = SHARED / "booking-flash-busy.toml"

DRIVES = flash(
    count=3,
    capacity="100 GB",
    dies=5,
    channels=2,
    pages_per_block=64,
    write_amplification=2.48,
    flush_after="100 ms",
)
FLASH = f"""
{controller(variability=None)}
{lanes()}
{DRIVES}
[server.layout]
stripe_unit = "64 KiB"
[[workload]]
name = "booking"
clients = 4
rate = "1000 /s"
request_size = "8 KiB"
read_share = 0.5
"""

CLOSED = FLASH.replace('rate = "1000 /s"', "queue_depth = 3")
assert CLOSED != FLASH

MIXED_SIZES = 'workload.booking.request_size=[{size="4 KiB", share=0.5}, {size="300 KiB", share=0.5}]'


def plan_of(text: str, *changes: str, rows: int = 1024, seed: int = 7, replication: int = 0) -> Plan:
    return build_plan(parse(text, overrides=changes), seed, replication, rows)


def source_of(plan: Plan) -> Source:
    return plan.open_source or plan.closed[0]


def taken(source: Source, rows: int) -> Chunk:
    """At least so many rows of a source, as one block."""
    chunks = [source.next_chunk()]
    while sum(map(len, chunks)) < rows:
        chunks.append(source.next_chunk())
    before = np.cumsum([0, *(chunk.steps.op.size for chunk in chunks)])
    columns = ("gap_s", "class_index", "client", "size_bytes", "kind")
    return Chunk(
        np.concatenate([chunk.first + start for chunk, start in zip(chunks, before, strict=False)]),
        *(np.concatenate([getattr(chunk, name) for chunk in chunks]) for name in columns),
        Steps.joined([chunk.steps for chunk in chunks]),
    )


def block(text: str, *changes: str, rows: int = 1024) -> tuple[Chunk, Stations]:
    plan = plan_of(text, *changes)
    return taken(source_of(plan), rows), plan.stations


def bank_named(stations: Stations, name: str) -> Bank:
    (bank,) = [bank for bank in stations.banks if bank.name == name]
    return bank


def within(bank: Bank, numbers: NDArray[Any]) -> NDArray[np.bool_]:
    return (numbers >= bank.first) & (numbers < bank.first + bank.count)


def row_of_step(chunk: Chunk) -> NDArray[np.int64]:
    return np.searchsorted(chunk.first, np.arange(chunk.steps.op.size), side="right") - 1


# Permits


def unbalanced(chunk: Chunk, stations: Stations) -> int:
    """How many pairs of row and pool there are in which a row does not give all that it takes."""
    steps = chunk.steps
    permits = np.where(steps.op == GIVE, steps.work, np.where(steps.takes(), -steps.permits(), 0.0))
    pairs, place = np.unique(
        row_of_step(chunk) * len(stations) + steps.arg * (permits != 0), return_inverse=True
    )
    return int(np.count_nonzero(np.bincount(place, permits, pairs.size)))


@pytest.mark.parametrize("file", sorted(SHARED.glob("*.toml")), ids=lambda file: file.stem)
def test_every_request_of_every_ready_scenario_gives_back_what_it_takes(file: Path) -> None:
    plan = build_plan(load(file), seed=7, replication=0)
    for source in [plan.open_source, *plan.closed][:3]:
        if source is not None:
            for _ in range(3):
                assert unbalanced(source.next_chunk(), plan.stations) == 0


@st.composite
def flash_settings(draw: st.DrawFn) -> list[str]:
    """Settings of a flash drive and of writes to it, its buffer ample or just large enough or too small."""
    page = draw(st.sampled_from([4, 16, 48]))
    pages = draw(st.sampled_from([2, 3, 5, 9, 40]))
    sizes = draw(st.lists(st.integers(1, 400), min_size=1, max_size=2))
    parts = ", ".join(f'{{size="{512 * size} B", share={1 / len(sizes)}}}' for size in sizes)
    return [
        f'server.media.page="{page} KiB"',
        f'server.media.buffer="{pages * page} KiB"',
        f"server.media.count={draw(st.integers(1, 4))}",
        f'server.lanes.transfer_piece="{draw(st.sampled_from([5, 16, 100, 128]))} KiB"',
        f'server.layout.stripe_unit="{draw(st.sampled_from([1, 16, 64, 256]))} KiB"',
        f"workload.booking.request_size=[{parts}]",
        f"workload.booking.aligned={draw(st.sampled_from(['true', 'false']))}",
        f"workload.booking.durable={draw(st.sampled_from(['true', 'false']))}",
        f'workload.booking.pattern="{draw(st.sampled_from(["random", "sequential"]))}"',
        'workload.booking.span="40 MB"',
    ]


@settings(max_examples=150, deadline=None)
@given(flash_settings())
def test_a_scenario_is_refused_or_no_take_is_larger_than_its_pool_and_all_is_given_back(
    changes: list[str],
) -> None:
    try:
        chunk, stations = block(FLASH, *changes, rows=200)
    except ScenarioError as refused:
        if not any(key in str(refused) for key in ("server.media.buffer", "server.layout.stripe_unit")):
            raise
        return
    takes = chunk.steps.takes()
    servers = stations.per_station("servers")[chunk.steps.arg[takes]]
    assert np.all(chunk.steps.permits()[takes] <= servers)
    assert np.all(chunk.steps.permits()[takes] >= 1)
    assert np.all(stations.per_station("discipline")[chunk.steps.arg[takes]] == Discipline.TOKEN)
    assert unbalanced(chunk, stations) == 0


@pytest.mark.parametrize(
    ("size", "changes", "least_kib"),
    [
        ("40 KiB", [], 52),  # with 12 KiB found in a page: three pages filled, one begun
        ("1 MiB", [], 140),  # a piece
        ("1 MiB", ['server.lanes.transfer_piece="60 KiB"'], 72),
        (
            "1 MiB",
            ['server.layout.stripe_unit="32 KiB"', "server.media.count=40"],
            44,
        ),  # one unit on each drive
        ("1 MiB", ['server.media.page="96 KiB"', 'server.layout.stripe_unit="96 KiB"'], 220),
        ("128 KiB", ["server.media.planes=4", 'server.layout.stripe_unit="128 KiB"'], 188),
    ],
)
def test_a_write_buffer_smaller_than_what_a_write_takes_at_once_is_refused(
    size: str, changes: list[str], least_kib: int
) -> None:
    changes = [*changes, f'workload.booking.request_size="{size}"', 'workload.booking.span="100 MB"']
    changes += ['server.media.flush_after="1 ms"', 'workload.booking.rate="500 /s"']
    enough, short = (f'server.media.buffer="{kib} KiB"' for kib in (least_kib, least_kib - 4))
    chunk, stations = block(FLASH, *changes, enough, rows=500)
    takes = (chunk.steps.op == TAKE) & within(bank_named(stations, "write buffer"), chunk.steps.arg)
    assert chunk.steps.work[takes].max() <= least_kib / 4
    with pytest.raises(ScenarioError) as caught:
        parse(FLASH, overrides=[*changes, short])
    said = [str(problem) for problem in caught.value.problems]
    assert any("server.media.buffer" in each and f"at least {least_kib} KiB" in each for each in said)
    for harmless in ("workload.booking.read_share=1.0", "workload.booking.durable=true"):
        two_pages = 'server.media.buffer="32 KiB"'
        if "page" not in "".join(changes) and "planes" not in "".join(changes):
            parse(FLASH, overrides=[*changes, two_pages, harmless])


def test_the_least_write_buffer_is_needed_now_and_then() -> None:
    # Among small writes, one of 40 KiB finds 12 KiB in a page and is followed by none for long.
    sizes = 'workload.booking.request_size=[{size="4 KiB", share=0.5}, {size="40 KiB", share=0.5}]'
    changes = (sizes, 'server.media.flush_after="1 ms"', 'server.media.buffer="52 KiB"')
    chunk, stations = block(FLASH, *changes, rows=5000)
    takes = (chunk.steps.op == TAKE) & within(bank_named(stations, "write buffer"), chunk.steps.arg)
    assert chunk.steps.work[takes].max() == 52 / 4


def test_overtaking_cannot_lock_a_small_write_buffer() -> None:
    # Many small writes at once, by cores of variable speed: the one that fills a page comes late now and then.
    changes = (
        'server.media.buffer="32 KiB"',
        'workload.booking.request_size="4 KiB"',
        "workload.booking.read_share=0.0",
        "workload.booking.clients=64",
    )
    observed = run_reference(plan_of(CLOSED, *changes), requests=3000)
    assert observed.complete
    assert len(observed) == 3000


# Writes to flash


def test_copies_are_write_amplification_less_one_for_each_program_and_erases_one_in_a_block() -> None:
    chunk, stations = block(FLASH, "workload.booking.read_share=0.0", rows=30_000)
    steps = chunk.steps
    buffer = bank_named(stations, "write buffer")
    pages = int(np.count_nonzero((steps.op == GIVE) & within(buffer, steps.arg) & (steps.work == 4)))
    cell = steps.work[(steps.op == VISIT) & within(bank_named(stations, "cell"), steps.arg)]
    programs, erases = int(np.sum(cell >= 700e-6)), int(np.sum(cell >= 5e-3))
    copies = programs - pages
    assert pages == pytest.approx(len(chunk) / 2, abs=3)  # two units of four a request
    assert np.count_nonzero(cell == 65e-6) == copies
    assert abs(copies - 1.48 * pages) < 4 * np.sqrt(0.48 * 0.52 * pages)
    assert abs(erases - programs / 64) < 4 * np.sqrt(programs / 64)
    # The power: both standard errors are within a few per cent of what they judge.
    assert np.sqrt(0.48 * 0.52 * pages) < 0.01 * copies
    assert np.sqrt(programs / 64) < 0.05 * programs / 64


def test_sequential_writes_are_not_copied() -> None:
    chunk, stations = block(FLASH, "workload.booking.read_share=0.0", 'workload.booking.pattern="sequential"')
    cell = within(bank_named(stations, "cell"), chunk.steps.arg) & (chunk.steps.op == VISIT)
    assert not np.any(chunk.steps.work[cell] == 65e-6)


def programming_dies(chunk: Chunk, stations: Stations) -> NDArray[np.int64]:
    """The dies that program, in the order in which the plan sets them in motion."""
    steps, die = chunk.steps, bank_named(stations, "die")
    starts = np.flatnonzero(steps.takes() & within(die, steps.arg))
    programs = steps.op[starts + 1] == VISIT
    programs &= within(bank_named(stations, "bus"), steps.arg[starts + 1])  # the bus first: not a read
    return steps.arg[starts[programs]].astype(np.int64) - die.first


@pytest.mark.parametrize("durable", ["true", "false"])
def test_the_dies_of_a_drive_program_in_turn_from_block_to_block(durable: str) -> None:
    plan = plan_of(FLASH, MIXED_SIZES, f"workload.booking.durable={durable}", rows=300)
    source = source_of(plan)
    dies = np.concatenate([programming_dies(source.next_chunk(), plan.stations) for _ in range(3)])
    first = set()
    for drive in range(3):
        mine = dies[dies // 5 == drive] % 5
        assert mine.size > 100
        assert np.all(np.diff(mine) % 5 == 1)
        first.add((drive, int(mine[0])))
    assert len({die for _, die in first}) > 1  # each drive begins at a die of its own


def detached(chunk: Chunk) -> NDArray[np.bool_]:
    """Which steps lie on detached ways, by walking through them."""
    inside = np.zeros(chunk.steps.op.size, dtype=bool)
    for at in np.flatnonzero(chunk.steps.op == DETACH):
        inside[at + 1 : at + 1 + chunk.steps.arg[at]] = True
    return inside


def test_programs_are_awaited_by_durable_writes_only_and_copies_by_none() -> None:
    for durable in (True, False):
        told = ("workload.booking.read_share=0.0", f"workload.booking.durable={str(durable).lower()}")
        chunk, stations = block(FLASH, *told)
        behind, steps = detached(chunk), chunk.steps
        cell = within(bank_named(stations, "cell"), steps.arg) & (steps.op == VISIT)
        awaited = steps.work[cell & ~behind]
        if durable:
            assert np.count_nonzero(awaited >= 700e-6) == len(chunk)  # 8 KiB at a time: one page each
            assert not np.any(within(bank_named(stations, "write buffer"), steps.arg) & (steps.op == TAKE))
        else:
            assert awaited.tolist() == [10e-6] * len(chunk)  # the time of the buffer
        assert np.any(cell & behind & (steps.work == 65e-6))  # copies


def test_few_writes_to_many_drives_fill_their_share_of_pages() -> None:
    chunk, stations = block(
        FLASH,
        "server.media.count=400",
        'workload.booking.rate="100000 /s"',
        "workload.booking.read_share=0.0",
        'workload.booking.request_size="4 KiB"',
        rows=2000,
    )
    buffer = within(bank_named(stations, "write buffer"), chunk.steps.arg)
    pages = np.count_nonzero((chunk.steps.op == GIVE) & buffer & (chunk.steps.work == 4))
    # From an even place within the page, the pages of a drive differ from a quarter of its writes by less than
    # one, with a variance of at most 3 / 16 (four places); started empty, 400 drives would lack 150 pages.
    assert abs(pages - len(chunk) / 4) < 4 * np.sqrt(400 * 3 / 16)


# Blocks, files, and designs compared


def rows_told(plan: Plan, count: int) -> list[tuple[Any, ...]]:
    """The first rows of the first source, each with its steps."""
    told: list[tuple[Any, ...]] = []
    source = source_of(plan)
    while len(told) < count:
        chunk = source.next_chunk()
        ends = np.append(chunk.first[1:], chunk.steps.op.size).tolist()
        columns = (chunk.gap_s, chunk.class_index, chunk.client, chunk.size_bytes, chunk.kind)
        steps = [chunk.steps.op, chunk.steps.arg, chunk.steps.work]
        steps += chunk.steps.access.columns() if chunk.steps.access is not None else ()
        for row, values in enumerate(zip(*(column.tolist() for column in columns), strict=True)):
            span = slice(chunk.first[row], ends[row])
            told.append((*values, *(column[span].tolist() for column in steps)))
    return told[:count]


SECOND_CLASS = """
[[workload]]
name = "cameras"
clients = 7
rate = "300 /s"
arrivals = "regular"
request_size = "64 KiB"
read_share = 0.1
pattern = "sequential"
"""

PLANS: dict[str, tuple[str, list[str]]] = {
    "open": (FLASH + SECOND_CLASS, [MIXED_SIZES, "server.controller.variability=0.5"]),
    "exponential processor times": (FLASH, [MIXED_SIZES]),
    "closed": (CLOSED, [MIXED_SIZES, 'workload.booking.think_time="1 ms"']),
    "closed without thinking": (CLOSED, [MIXED_SIZES]),
    "sequential clients": (CLOSED, [MIXED_SIZES, 'workload.booking.pattern="sequential"']),
    "surges": (FLASH, ['workload.booking.surge={factor=5.0, share=0.1, length="20 ms"}']),
    "popular": (FLASH, ["workload.booking.popularity=0.8", 'workload.booking.limit="2000 /s"']),
}


@pytest.mark.parametrize("name", shortened(PLANS, kept={"open", "closed", "surges"}))
def test_rows_are_the_same_to_the_last_bit_however_the_stream_is_cut_into_blocks(name: str) -> None:
    text, changes = PLANS[name]
    whole = rows_told(plan_of(text, *changes, rows=2000), 1500)
    for rows in (1, 37, 300):
        count = 150 if rows == 1 else 1500
        assert rows_told(plan_of(text, *changes, rows=rows), count) == whole[:count]


def test_rows_of_spinning_drives_are_the_same_however_cut() -> None:
    scenario = load(SHARED / "booking-spinning.toml")
    whole = rows_told(build_plan(scenario, 7, 0, rows=1000), 800)
    assert rows_told(build_plan(scenario, 7, 0, rows=64), 800) == whole


def test_the_order_of_the_classes_in_the_file_changes_nothing_where_each_has_its_start() -> None:
    head, first = FLASH.split("[[workload]]")
    first += 'start = "0 B"\nspan = "1 GB"\n'
    second = SECOND_CLASS.replace("[[workload]]", "") + 'start = "2 GB"\nspan = "1 GB"\n'
    one, other = (f"{head}[[workload]]{a}[[workload]]{b}" for a, b in ((first, second), (second, first)))
    assert rows_told(plan_of(one), 1000) == rows_told(plan_of(other), 1000)
    assert plan_of(one).classes == plan_of(other).classes == ("booking", "cameras")


def test_two_designs_compared_see_the_same_requests() -> None:
    flash, spinning = (
        rows_told(build_plan(load(SHARED / f"booking-{kind}.toml"), 7, 0), 2000)
        for kind in ("flash", "spinning")
    )
    assert [row[:5] for row in flash] == [row[:5] for row in spinning]


@pytest.mark.parametrize("text", [FLASH, CLOSED], ids=["open", "closed"])
def test_seeds_and_replications_differ_and_the_same_ones_agree(text: str) -> None:
    first = rows_told(plan_of(text, seed=0), 200)
    assert rows_told(plan_of(text, seed=0), 200) == first
    assert rows_told(plan_of(text, seed=1), 200) != first
    assert rows_told(plan_of(text, seed=0, replication=1), 200) != first


# Open classes


class Arrivals:
    """Arrivals given outright: times and clients."""

    def __init__(self, *arrivals: tuple[float, int]) -> None:
        self.rate_per_s = 1.0
        self._left = list(arrivals)

    def until(self, horizon_s: float) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        now = self.ahead(horizon_s)
        self._left = self._left[now[0].size :]
        return now

    def ahead(self, horizon_s: float) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        now = [each for each in self._left if each[0] < horizon_s]
        return np.array([time for time, _ in now]), np.array([client for _, client in now], dtype=np.int64)


def test_arrivals_of_all_classes_merge_by_time_then_name_then_client() -> None:
    scenario = parse(FLASH + SECOND_CLASS)
    server = ServerPlan(scenario, 7, 0, {})
    plans = [
        ClassPlan(server, each, span, Streams(7, 0, each.name), number)
        for number, (each, span) in enumerate(zip(scenario.workload, scenario.spans(), strict=True))
    ]
    booking = Arrivals((0.5, 3), (1.0, 2), (1.0, 1), (7.5, 0))
    cameras = Arrivals((0.25, 6), (1.0, 0), (1.5, 4), (7.5, 5))
    source = OpenSource(plans, [booking, cameras], server.stations, rows=8)  # four seconds a block
    chunk, later = source.next_chunk(), source.next_chunk()
    assert np.cumsum(chunk.gap_s).tolist() == [0.25, 0.5, 1.0, 1.0, 1.0, 1.5]
    assert chunk.class_index.tolist() == [1, 0, 0, 0, 1, 1]
    assert chunk.client.tolist() == [6, 3, 1, 2, 0, 4]
    assert later.gap_s.tolist() == [6.0, 0.0]  # since the last arrival of the block before
    assert later.class_index.tolist() == [0, 1]


def test_blocks_are_never_empty_however_rare_the_arrivals() -> None:
    source = source_of(plan_of(FLASH, 'workload.booking.rate="0.001 /s"', rows=1))
    gaps = [source.next_chunk().gap_s for _ in range(50)]
    assert all(gap.size for gap in gaps)
    assert np.concatenate(gaps).mean() == pytest.approx(250.0, rel=0.6)


def test_the_load_reaches_every_open_class_and_no_closed_one() -> None:
    scenario = parse(FLASH + SECOND_CLASS, overrides=["load=3.0"])
    chunk = taken(source_of(build_plan(scenario, 7, 0)), 8000)
    counts = np.bincount(chunk.class_index) / chunk.gap_s.sum()
    assert counts == pytest.approx([12_000, 6_300], rel=0.1)
    thinking = 'workload.booking.think_time="1 ms"'
    assert rows_told(plan_of(CLOSED, thinking, "load=3.0"), 100) == rows_told(plan_of(CLOSED, thinking), 100)


# Closed classes


TWO_CLOSED = """
[[workload]]
name = "manifests"
clients = 2
queue_depth = 2
request_size = "64 KiB"
pattern = "sequential"
"""


def test_closed_classes_have_their_slots_in_order_of_name_client_and_place() -> None:
    plan = plan_of(CLOSED.replace("clients = 4", "clients = 2") + TWO_CLOSED + SECOND_CLASS)
    assert plan.classes == ("booking", "cameras", "manifests")
    assert plan.open_source is not None
    assert len(plan.closed) == 3  # one shared by the clients of booking, one for each of manifests
    booking = [(0, 0), (0, 0), (0, 0), (0, 1), (0, 1), (0, 1)]
    assert plan.slots == (*booking, (1, 0), (1, 0), (2, 1), (2, 1))
    chunks = [source.next_chunk() for source in plan.closed]
    assert [set(chunk.class_index.tolist()) for chunk in chunks] == [{0}, {2}, {2}]
    assert set(chunks[2].client.tolist()) == {1}


def test_a_plan_without_open_classes_has_no_open_source_and_one_without_closed_ones_no_slots() -> None:
    assert plan_of(CLOSED).open_source is None
    assert plan_of(FLASH).closed == ()
    assert plan_of(FLASH).slots == ()


@pytest.mark.parametrize(
    ("changes", "needed"),
    [
        ([], False),
        (['workload.booking.pattern="sequential"'], True),
        (['server.network={rate="10 Gbit/s", client_rate="1 Gbit/s"}'], True),
        (['server.network={rate="10 Gbit/s"}'], False),
        (['server.network={service={law="constant", value="1 us"}}'], False),
    ],
)
def test_clients_have_sources_of_their_own_where_their_requests_differ(
    changes: list[str], needed: bool
) -> None:
    scenario = parse(CLOSED, overrides=changes)
    assert needs_source_per_client(scenario, scenario.workload[0]) is needed
    plan = plan_of(CLOSED, *changes)
    assert len(plan.closed) == (4 if needed else 1)
    assert len(plan.slots) == 12


def test_first_issues_are_spread_over_the_service_that_a_request_waits_for_and_later_ones_follow_at_once() -> (
    None
):
    plan = plan_of(CLOSED, "workload.booking.clients=100", "workload.booking.read_share=1.0")
    gaps = taken(source_of(plan), 1000).gap_s
    # 10 us of processor, 1 us of copying, 2 of command, 65 + 6.8 of reading, 2.3 of the lane: 87 us.
    spread = gaps[:300]
    assert 70e-6 < spread.max() < 100e-6
    assert spread.mean() == pytest.approx(43.5e-6, rel=0.15)
    assert len(set(spread.tolist())) == 300
    assert not gaps[300:].any()


def test_first_issues_of_clients_with_sources_of_their_own_are_spread_each_for_itself() -> None:
    plan = plan_of(CLOSED, 'workload.booking.pattern="sequential"', "workload.booking.clients=50")
    first = np.concatenate([source.next_chunk().gap_s[:3] for source in plan.closed])
    assert len(set(first.tolist())) == 150


def test_thinking_comes_before_every_issue_the_first_included() -> None:
    gaps = taken(source_of(plan_of(CLOSED, 'workload.booking.think_time="2 ms"')), 20_000).gap_s
    assert gaps.mean() == pytest.approx(2e-3, rel=4 / np.sqrt(20_000))
    assert gaps.std() == pytest.approx(2e-3, rel=0.05)
    assert gaps[:12].min() > 0.0
    constant = ('workload.booking.think_time="2 ms"', 'workload.booking.think="constant"')
    assert set(source_of(plan_of(CLOSED, *constant)).next_chunk().gap_s.tolist()) == {2e-3}


def test_the_first_blocks_of_many_clients_with_sources_of_their_own_hold_no_more_than_one_block() -> None:
    changes = ('workload.booking.pattern="sequential"', "workload.booking.clients=3000")
    plan = plan_of(CLOSED, *changes, rows=2**15)
    # The first client's holds what is in the buffers besides.
    sample = [source.next_chunk().steps.op.size for source in plan.closed[1::60]]
    assert np.mean(sample) * 3000 < 2 * BLOCK_STEPS


# Priorities, kinds and sizes


def test_classes_carry_their_priorities_in_order_of_name() -> None:
    changes = ("workload.booking.priority=3", "workload.cameras.priority=1")
    assert plan_of(FLASH + SECOND_CLASS, *changes).priorities == (3, 1)


def test_rows_tell_kind_and_size_of_their_requests() -> None:
    chunk, stations = block(FLASH, MIXED_SIZES)
    assert set(chunk.kind.tolist()) == {READ, WRITE}
    assert Counter(chunk.size_bytes.tolist()).keys() == {4096, 300 * 1024}
    row = row_of_step(chunk)
    into = np.zeros(len(chunk), dtype=bool)
    visits = (chunk.steps.op == VISIT) & within(bank_named(stations, "lane in"), chunk.steps.arg)
    into[row[visits]] = True
    assert into.tolist() == (chunk.kind == WRITE).tolist()  # and only writes cross the lanes inward


# Demands


def ways(chunk: Chunk, at: int, held: dict[int, float], awaited: bool) -> Iterator[tuple[int, float, bool]]:
    """Walk a path: (station, seconds, awaited) of each visit, and of each permit held through it."""
    op, arg, work = chunk.steps.op, chunk.steps.arg, chunk.steps.work
    while op[at] != END:
        here = int(arg[at])
        if op[at] == VISIT:
            yield here, float(work[at]), awaited
            for pool, permits in held.items():
                yield pool, permits * float(work[at]), False
        elif op[at] in (TAKE, TAKE_RANKED):
            held[here] = held.get(here, 0.0) + float(chunk.steps.permits()[at])
        elif op[at] == GIVE:
            held[here] = held.get(here, 0.0) - float(work[at])
        elif op[at] in (BRANCH, DETACH):
            yield from ways(chunk, at + 1, {}, awaited and op[at] == BRANCH)
            at += here
        else:
            assert op[at] == SPLIT
        at += 1


@pytest.mark.parametrize(
    "changes",
    [
        [MIXED_SIZES],
        pytest.param(["workload.booking.durable=true", MIXED_SIZES], marks=pytest.mark.whole),
        ['workload.booking.limit="2000 /s"'],
        [MIXED_SIZES, "generic media"],
    ],
    ids=["buffered", "durable", "limit", "generic"],
)
def test_demands_are_what_a_plain_recount_of_the_steps_finds(changes: list[str]) -> None:
    text = FLASH
    if changes[-1] == "generic media":
        media = text[text.index("[server.media]") : text.index("[server.layout]")]
        generic = 'kind = "generic"\ncount = 3\nservice = {law = "gamma", mean = "1 ms", scv = 2.0}\n'
        text = text.replace(media, "[server.media]\n" + generic)
        changes = changes[:-1]
    chunk, stations = block(text, *changes, rows=60)
    demand = chunk_demand(chunk, stations)
    service, awaited_s = np.zeros(len(stations)), 0.0
    for row in range(len(chunk)):
        for where, seconds, awaited in ways(chunk, int(chunk.first[row]), {}, True):
            service[where] += seconds
            awaited_s += seconds if awaited else 0.0
    service *= stations.per_station("paces")
    asked = (chunk.steps.op == VISIT) | chunk.steps.takes()
    visits = np.bincount(chunk.steps.arg[asked], minlength=len(stations))
    assert demand.requests == len(chunk)
    assert demand.service_s == pytest.approx(service / len(chunk), rel=1e-9, abs=1e-15)
    assert demand.visits == pytest.approx(visits / len(chunk), rel=1e-12)
    assert demand.awaited_s == pytest.approx(awaited_s / len(chunk), rel=1e-9)
    assert service[within(bank_named(stations, "cores"), np.arange(len(stations)))] > 0


def summed(stations: Stations, values: NDArray[np.float64], name: str) -> float:
    bank = bank_named(stations, name)
    return float(values[bank.first : bank.first + bank.count].sum())


def test_the_demands_of_the_busy_flash_box_are_those_reckoned_by_hand() -> None:
    stations, demands = sample_demands(load(BUSY), seed=7)
    demand = demands["booking"]
    reads, writes = 0.7, 0.3
    cores = 7e-6 + 2e-6 + 1e-6 + 8192 / 8e9
    assert summed(stations, demand.service_s, "cores") == pytest.approx(cores, rel=0.02)
    # Half a page each write; each page once by the host and 1.48 times copied, each copy read before.
    bus, program = 16384 / 1.2e9, 700e-6 + 5e-3 / 1024
    page = bus + program + 1.48 * (65e-6 + bus + bus + program)
    die = reads * (65e-6 + 8192 / 1.2e9) + writes * 0.5 * page
    assert summed(stations, demand.service_s, "die") == pytest.approx(die, rel=0.02)
    assert summed(stations, demand.service_s, "command processor") == pytest.approx(2e-6, rel=1e-6)
    assert summed(stations, demand.visits, "queue slots") == pytest.approx(1.0, rel=1e-12)
    # Reads come out with data and go in as a header, writes the other way.
    data, header = (8192 + 6 * 90) / 3.125e9, (72 + 90) / 3.125e9
    assert summed(stations, demand.service_s, "network out") == pytest.approx(
        reads * data + writes * header, rel=0.02
    )
    assert summed(stations, demand.service_s, "network in") == pytest.approx(
        reads * header + writes * data, rel=0.03
    )


def test_every_drive_gets_its_share_of_evenly_spread_requests() -> None:
    stations, demands = sample_demands(load(BUSY), seed=7)
    bank = bank_named(stations, "command processor")
    visits = demands["booking"].visits[bank.first : bank.first + bank.count]
    assert visits == pytest.approx(1 / 12, rel=0.15)


def test_a_plan_holds_all_classes_of_a_scenario() -> None:
    mixed: Scenario = load(SHARED / "mixed.toml")
    plan = build_plan(mixed, 7, 0)
    assert plan.classes == ("booking", "manifests")
    assert plan.open_source is not None
    assert len(plan.closed) == 4  # each client of the scan walks by itself
    assert len(plan.slots) == 32
