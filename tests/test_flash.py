"""Flash drives: by their parts, by datasheet figures, by the capacity of their dies; fresh and in a steady state.

Published values and their sources: shared/published/flash.toml, links.toml and whole_path.toml.
"""

import math
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from drives import flash
from tailrace.answer.run import simulate
from tailrace.engine.observations import Observations
from tailrace.errors import ScenarioError
from tailrace.forecast.estimate import estimate
from tailrace.forecast.saturation import offered_load
from tailrace.hardware.flash import FlashCost, remarks
from tailrace.physics.flash import overprovisioning_of_amplification, write_amplification
from tailrace.plan.build import build_plan, sample_demands
from tailrace.plan.columns import DETACH, GIVE, TAKE, TAKE_RANKED, VISIT, Stage
from tailrace.scenario import Scenario, parse
from tailrace.scenario.reading.parts import Part, catalogue
from tailrace.scenario.tables.flash import Flash
from through import long_run, observe, published, shared_scenario

FLASH_VALUES, LINKS, WHOLE = published("flash"), published("links"), published("whole_path")
US = 1e-6
KIB = 1024

PARTS = """
capacity = "1 TB"
dies = 8
channels = 4
channel_rate = "1 GB/s"
cell_read = "50 us"
cell_program = "500 us"
cell_erase = "3 ms"
command_rate = "500000 /s"
buffer_time = "10 us"
"""
NO_LANES = ""


def server(drive: str = PARTS, lanes: str = NO_LANES) -> str:
    return f'{lanes}\n[server.media]\nkind = "flash"\n{drive}\n[server.layout]\nstripe_unit = "1 MiB"\n'


def scenario(drive: str, workload: str, *overrides: str, lanes: str = NO_LANES) -> Scenario:
    return parse(f'{server(drive, lanes)}[[workload]]\nname = "booking"\n{workload}\n', overrides=overrides)


def alone(
    drive: str, workload: str, *overrides: str, lanes: str = NO_LANES, requests: int = 60
) -> Observations:
    """One request at a time, one a second: nothing waits."""
    think = 'think_time = "1 s"\nthink = "constant"\n'
    observed = observe(scenario(drive, think + workload, *overrides, lanes=lanes), requests)
    assert observed.wait_s.max() < 1e-12
    return observed


def deep_rate(case: Scenario, requests: int) -> float:
    """Requests per second of closed clients, from the second half of a run to shortly before its end."""
    done = np.sort(observe(case, requests).completion_s)
    first, last = done.size // 2, done.size - 2 * (case.workload[0].queue_depth or 1) - 1
    return float((last - first) / (done[last] - done[first]))


READ_4K = 'request_size = "4 KiB"'
WRITE_4K = 'request_size = "4 KiB"\nread_share = 0.0'


# One request at a time, by hand


@pytest.mark.parametrize("place", range(7))
def test_a_page_takes_the_published_time_on_its_bus(place: int) -> None:
    # F4
    row = FLASH_VALUES["F4"]
    rate = f'server.media.channel_rate="{row["mb_per_s"][place]} MB/s"'
    latency = alone(PARTS, 'request_size = "16 KiB"', rate).latency_s
    bus_us = (latency - 52 * US) / US
    assert bus_us == pytest.approx(np.full(latency.size, float(row["time_us"][place])), abs=5e-4)


def test_a_cached_write_is_command_and_buffer_whatever_its_condition() -> None:
    for condition in ('condition="fresh"', "write_amplification=3.0"):
        latency = alone(PARTS, WRITE_4K, f"server.media.{condition}").latency_s
        assert latency == pytest.approx(np.full(latency.size, 12 * US), rel=1e-9)


def test_a_durable_write_to_a_fresh_drive_is_command_bus_and_program_and_never_an_erase() -> None:
    fresh = ('server.media.condition="fresh"', "server.media.pages_per_block=1")
    latency = alone(PARTS, WRITE_4K + "\ndurable = true", *fresh).latency_s
    assert latency == pytest.approx(np.full(latency.size, (2 + 4.096 + 500) * US), rel=1e-9)


def test_one_program_writes_a_page_in_every_plane() -> None:
    # 64 KiB: four pages, four programs side by side, or one; four pages on one bus either way
    durable = 'request_size = "64 KiB"\nread_share = 0.0\ndurable = true'
    fresh = 'server.media.condition="fresh"'
    one = alone(PARTS, durable, fresh, "server.media.planes=4").latency_s
    assert one == pytest.approx(np.full(one.size, (2 + 65.536 + 500) * US), rel=1e-9)
    four = alone(PARTS, durable, fresh).latency_s
    assert four == pytest.approx(np.full(four.size, (2 + 16.384 + 500) * US), rel=1e-9)


def test_slices_of_a_program_take_as_long_as_the_whole_where_nobody_waits() -> None:
    sliced = ('server.media.condition="fresh"', 'server.media.suspend_slice="150 us"')
    latency = alone(PARTS, WRITE_4K + "\ndurable = true", *sliced).latency_s
    assert latency == pytest.approx(np.full(latency.size, (2 + 4.096 + 500) * US), rel=1e-9)


def test_a_slow_drive_multiplies_command_and_cell_but_neither_bus_nor_link() -> None:
    slow = ("server.media.slow_drives=1", "server.media.slow_factor=3.0")
    read = alone(PARTS, READ_4K, *slow).latency_s
    assert read == pytest.approx(np.full(read.size, (3 * 52 + 4.096) * US), rel=1e-9)
    durable = alone(PARTS, WRITE_4K + "\ndurable = true", *slow, 'server.media.condition="fresh"').latency_s
    assert durable == pytest.approx(np.full(durable.size, (3 * 502 + 4.096) * US), rel=1e-9)


# What fills a bus, a lane, a drive


@pytest.mark.parametrize("place", range(2))
def test_as_many_dies_as_published_fill_a_bus_and_one_less_does_not(place: int) -> None:
    # F5: one bus, whole pages in sequence, each die in turn; up to the knee dies / (t_read + t_bus), then the bus
    row = FLASH_VALUES["F5"]
    bus_s = 16 * KIB / (row["mb_per_s"][place] * 1e6)
    read_s = row["cell_read_us"][place] * US
    assert 1 + read_s / bus_s == pytest.approx(float(row["ratio"][place]), abs=0.005)
    for dies in (row["dies"][place] - 1, row["dies"][place], row["dies"][place] + 3):
        case = scenario(
            PARTS,
            'queue_depth = 64\nrequest_size = "16 KiB"\npattern = "sequential"',
            f"server.media.dies={dies}",
            "server.media.channels=1",
            f'server.media.channel_rate="{row["mb_per_s"][place]} MB/s"',
            f'server.media.cell_read="{row["cell_read_us"][place]} us"',
        )
        expected = min(1 / bus_s, dies / (read_s + bus_s))
        assert deep_rate(case, 4000) == pytest.approx(expected, rel=2e-3)
        assert (expected < 0.99 / bus_s) == (dies < row["dies"][place])


def test_two_lanes_of_generation_3_for_each_of_32_drives_carry_63_gigabytes_a_second() -> None:
    # P5; common practice, no source: quoted as 64 GB/s
    row = LINKS["pcie_lane"]
    raw = 32 * 2 * row["gb_per_s"][row["generation"].index(3)]
    assert raw == pytest.approx(63.0, abs=0.05)
    lanes = "[server.lanes]\npcie_generation = 3\nwidth = 2\n"
    rate = (
        parse(f'{server(PARTS, lanes)}[[workload]]\nname = "x"\nrate = "1 /s"\n{READ_4K}')
        .server.pools[0]
        .lanes
    )
    assert 32 * rate.bytes_per_s == pytest.approx(raw * 1e9 * 256 / 280, rel=1e-4)


MILLION = """
capacity = "4 TB"
random_read_rate = "1000000 /s"
random_write_rate = "200000 /s"
rated_depth = 128
sequential_read = "7 GB/s"
sequential_write = "5 GB/s"
read_latency = "80 us"
write_latency = "15 us"
"""


def test_two_lanes_bind_a_drive_able_to_do_a_million_small_reads_a_second() -> None:
    # P7; common practice, no source
    row = WHOLE["lanes_bind"]
    lanes = f"[server.lanes]\npcie_generation = {row['pcie_generation']}\nwidth = {row['width']}\n"
    work = f'rate = "400000 /s"\nrequest_size = "{row["size"]}"\naligned = false'
    case = scenario(MILLION, work, lanes=lanes)
    binding = offered_load(case, seed=1).binding
    assert binding is not None
    assert (binding.station, binding.stage) == ("lane out", "lane")
    largest = binding.load_factor * 400_000
    assert largest == pytest.approx(2 * 0.98462e9 * 256 / 280 / 4000, rel=1e-3)
    assert largest * 4000 < row["throughput_gb_per_s"] * 1e9 * 0.5
    told = estimate(case, seed=1)
    assert told.saturation is not None
    assert told.saturation.station == "lane out"


GROWING = PARTS.replace("dies = 8\n", 'die_capacity = "32 GB"\n')


def largest_rate(lanes: str, capacity: str) -> tuple[float, str]:
    case = scenario(
        GROWING, f'rate = "1000 /s"\n{READ_4K}', f'server.media.capacity="{capacity}"', lanes=lanes
    )
    binding = offered_load(case, seed=1).binding
    assert binding is not None
    return 1000 * binding.load_factor, binding.station


@pytest.mark.whole
def test_larger_drives_are_faster_until_their_link_binds_and_on_a_slow_link_they_are_not() -> None:
    # P8; common practice, no source. Dies of 32 GB: 500 GB have 16 of them, 54 us a read each.
    sizes = ("250 GB", "500 GB", "1 TB", "2 TB", "4 TB", "8 TB", "16 TB")
    fast = [largest_rate("[server.lanes]\npcie_generation = 3\nwidth = 2\n", size) for size in sizes]
    rates = [rate for rate, _ in fast]
    assert rates[1] / rates[0] == pytest.approx(16 / 8, rel=0.01)
    assert rates[1] == pytest.approx(16 / (50 * US + 4096 / 1e9), rel=0.01)
    assert [name for _, name in fast] == ["die"] * 2 + ["lane out"] * 5
    assert rates[2:] == pytest.approx([2 * 0.98462e9 * 256 / 280 / 4096] * 5, rel=1e-3)
    assert rates[2] > 1.4 * rates[1]
    slow = [largest_rate('[server.lanes]\nrate = "6 Gbit/s"\n', size) for size in sizes]
    assert {name for _, name in slow[1:]} == {"lane"}
    assert [rate for rate, _ in slow[1:]] == pytest.approx([550e6 / 4096] * 6, rel=1e-3)


def test_dies_of_a_capacity_are_as_many_as_capacity_and_spare_take() -> None:
    keys: dict[str, Any] = {"channels": 4, "channel_rate": 1e9, "cell_read": 50e-6, "cell_program": 5e-4}
    keys |= {"cell_erase": 3e-3, "command_rate": 5e5, "capacity": 10**12, "die_capacity": 64 * 10**9}
    assert Flash(**keys).physical_dies == 16  # 15.6
    assert Flash(**keys, overprovisioning=0.28, condition="steady").physical_dies == 20
    assert Flash(**{**keys, "capacity": 4 * 10**12}).physical_dies == 63  # 62.5


@pytest.mark.parametrize("part", ["flash-four-lanes", "flash-serial-6"])
def test_what_writes_ask_of_the_dies_is_what_the_amplification_says(part: str) -> None:
    # Derived: a page written is programmed once, and with each of A - 1 copies read and programmed; all use the bus.
    case = parse(
        f'[server]\nlanes = "{part}"\nmedia = {{part = "{part}", count = 1}}\n[[workload]]\nname = "booking"\n'
        f'rate = "1000 /s"\n{WRITE_4K}\n'
    )
    pool = case.server.pools[0]
    assert isinstance(pool.media, Flash)
    cost = FlashCost.of(pool.media, pool.lanes)
    bus_s, program_s = cost.width / cost.channel_rate, cost.program_s + cost.erases * cost.erase_s
    page_s = (1 + cost.copies) * (bus_s + program_s) + cost.copies * (cost.cell_read_s + bus_s)
    for seed in (1, 2, 3):
        stations, demands = sample_demands(case, seed)
        die = next(bank for bank in stations.banks if bank.name == "die")
        asked_s = demands["booking"].service_s[die.first : die.first + die.count].sum()
        assert asked_s == pytest.approx(page_s / cost.units_per_program, rel=1e-3)


# Write amplification


def greedy(
    blocks: int, pages: int, overprovisioning: float, reserve: int, writes: int
) -> tuple[float, float]:
    """Greedy collection, page by page: programs per page written and the mean valid share of a victim.

    Uniform random writes over (blocks - reserve) * pages / (1 + overprovisioning) pages; a block that is written full
    is followed by the emptiest one, whose valid pages are written again first.
    """
    draw = np.random.default_rng(5)
    filled = int(blocks * pages / (1 + overprovisioning))
    where = np.full(filled, -1)
    valid = np.zeros(blocks, dtype=int)
    content: list[list[int]] = [[] for _ in range(blocks)]
    free = list(range(blocks))
    current = free.pop()
    programs = collections = copied = 0

    def program(page: int) -> None:
        nonlocal current, programs
        if where[page] >= 0:
            valid[where[page]] -= 1
        if len(content[current]) == pages:
            current = free.pop()
        content[current].append(page)
        where[page], programs = current, programs + 1
        valid[current] += 1

    def collect() -> None:
        nonlocal collections, copied
        closed = np.where([len(each) == pages for each in content], valid, pages + 1)
        victim = int(np.argmin(closed))
        kept = [page for page in dict.fromkeys(content[victim]) if where[page] == victim]
        collections, copied = collections + 1, copied + len(kept)
        for page in kept:
            program(page)
        content[victim], valid[victim] = [], 0
        free.append(victim)

    def write(page: int) -> None:
        while len(free) < reserve:
            collect()
        program(page)

    for page in draw.permutation(filled).tolist():
        write(page)
    for page in draw.integers(filled, size=3 * filled).tolist():
        write(page)
    programs = collections = copied = 0
    for page in draw.integers(filled, size=writes).tolist():
        write(page)
    return programs / writes, copied / collections / pages


def test_greedy_collection_comes_near_the_closed_form_and_its_victims_hold_what_follows_from_it() -> None:
    # F10, F12. Few blocks and some in reserve: the closed form holds for the overprovisioning without the reserve.
    row = FLASH_VALUES["F10"]
    blocks, pages, reserve = row["blocks"], row["pages_per_block"], row["reserve"]
    found, valid = greedy(blocks, pages, row["overprovisioning"], reserve, 40_000)
    assert row["from"] <= found <= row["to"]
    assert found == pytest.approx(row["write_amplification"], rel=0.02)
    effective = (blocks - reserve) / blocks * (1 + row["overprovisioning"]) - 1
    assert found == pytest.approx(write_amplification(effective), rel=0.04)
    assert valid == pytest.approx(1 - 1 / found, abs=0.01)


STEADY = PARTS + 'condition = "steady"\noverprovisioning = 0.28\n'


def cost_of(drive: str, *overrides: str, lanes: str = NO_LANES) -> FlashCost:
    pool = scenario(drive, f'rate = "1 /s"\n{READ_4K}', *overrides, lanes=lanes).server.pools[0]
    assert isinstance(pool.media, Flash)
    return FlashCost.of(pool.media, pool.lanes)


def test_the_condition_decides_copies_and_erases() -> None:
    # F8
    row = FLASH_VALUES["F8"]
    for spare, printed in zip(row["overprovisioning"], row["write_amplification"], strict=True):
        found = cost_of(STEADY, f"server.media.overprovisioning={spare}")
        assert found.copies + 1 == pytest.approx(float(printed), abs=5e-4)
        assert found.erases == 1 / 1024
    fresh = cost_of(STEADY, 'server.media.condition="fresh"')
    assert (fresh.copies, fresh.erases) == (0.0, 0.0)


def test_what_is_not_filled_is_as_good_as_spare() -> None:
    # physical 1.28 of the capacity, half of it filled: (1.28 - 0.5) / 0.5
    found = cost_of(STEADY, "server.media.filled=0.5")
    assert found.copies + 1 == pytest.approx(write_amplification(1.56), rel=1e-12)
    # The trap (F11): 0.28 of the capacity are 0.2188 of the physical.
    assert found.copies != pytest.approx(cost_of(STEADY).copies, rel=0.1)


def test_sequential_classes_of_a_steady_drive_copy_nothing_and_random_ones_by_the_closed_form() -> None:
    # F12: A = 1 for sequential overwriting
    for pattern, amplification in (("random", write_amplification(0.28)), ("sequential", 1.0)):
        work = f'queue_depth = 8\n{WRITE_4K}\npattern = "{pattern}"'
        programs, fetches, _ = cells_of(scenario(STEADY, work), 20_000)
        pages = programs - fetches
        assert programs / pages == pytest.approx(amplification, abs=4 * math.sqrt(0.25 / pages) + 1e-12)


def cells_of(case: Scenario, rows: int) -> tuple[int, int, int]:
    """Programs and page reads among the visits to cells that rows of a plan, at least so many, set in motion.

    And the number of these rows: those behind the first block, which also holds what was in the buffers before.
    """
    plan = build_plan(case, seed=3, replication=0)
    (cell,) = [bank.first for bank in plan.stations.banks if bank.name == "cell"]
    source, programs, fetches, seen = plan.open_source or plan.closed[0], 0, 0, 0
    source.next_chunk()
    while seen < rows:
        chunk = source.next_chunk()
        seen += len(chunk)
        work = chunk.steps.work[(chunk.steps.op == VISIT) & (chunk.steps.arg == cell)]
        programs += int(np.count_nonzero((work >= 500 * US) & (work != 1e-3)))
        fetches += int(np.count_nonzero(np.isclose(work, 50 * US)))
    return programs, fetches, seen


# Pages filled in part


TRICKLE = f'rate = "20 /s"\n{WRITE_4K}'


def detached_ways(case: Scenario, rows: int) -> list[list[tuple[str, float]]]:
    """Ways that rows leave behind: station and work of each step, waits for permits left out."""
    plan = build_plan(case, seed=3, replication=0, rows=rows)
    names = {n: bank.name for bank in plan.stations.banks for n in range(bank.first, bank.first + bank.count)}
    steps = (plan.open_source or plan.closed[0]).next_chunk().steps
    told = []
    for at in np.flatnonzero(steps.op == DETACH):
        inside = range(at + 1, at + 1 + steps.arg[at])
        told.append(
            [
                (
                    f"give {names[steps.arg[k]]}" if steps.op[k] == GIVE else names[steps.arg[k]],
                    float(steps.work[k]),
                )
                for k in inside
                if steps.op[k] in (VISIT, GIVE)
            ]
        )
    return told


def test_a_lone_write_is_programmed_in_part_after_a_millisecond_and_holds_its_room_until_then() -> None:
    # 20 a second: nearly always more than 1 ms apart, each a page of its own from the second on
    ways = detached_ways(scenario(PARTS, TRICKLE, 'server.media.condition="fresh"'), 64)
    lone = [
        ("cell", 1e-3),
        ("bus", pytest.approx(4096 / 1e9)),
        ("cell", 500 * US),
        ("give die", 1.0),
        ("give write buffer", 1.0),
    ]
    assert len(ways) > 50
    assert ways[5] == lone
    assert sum(way == lone for way in ways) > 0.9 * len(ways)


def programs_of(work: str, *overrides: str, rows: int = 4000) -> float:
    """Programs for each write."""
    fresh = 'server.media.condition="fresh"'
    programs, _, seen = cells_of(scenario(PARTS, work, fresh, *overrides), rows)
    return programs / seen


def test_pages_are_packed_as_far_as_writes_come_close_together() -> None:
    # Poisson at 1,000 a second to one drive: a page ends with probability e^-1, else fills to four. Pages for each
    # write: of runs of writes whose lengths are geometric, each run of n takes ceil(n / 4) pages.
    ends = math.exp(-1.0)
    runs = np.arange(1, 400)
    expected = float(np.sum((1 - ends) ** (runs - 1) * ends**2 * np.ceil(runs / 4)))
    found = programs_of(f'rate = "1000 /s"\n{WRITE_4K}', rows=20_000)
    assert found == pytest.approx(expected, rel=0.02)
    assert programs_of(f'rate = "1000 /s"\n{WRITE_4K}', 'server.media.flush_after="1 s"') == pytest.approx(
        0.25, abs=0.01
    )
    assert programs_of(f'rate = "1 /s"\n{WRITE_4K}', rows=300) == pytest.approx(1.0, abs=0.05)


def test_closed_classes_end_pages_as_often_as_their_thinking_lets_nobody_come() -> None:
    # One cycle that thinks for 1 s on average: e^-0.001; without thinking never, and pages fill.
    assert programs_of(f'think_time = "1 s"\n{WRITE_4K}', rows=600) == pytest.approx(1.0, abs=0.02)
    assert programs_of(f"queue_depth = 1\n{WRITE_4K}") == pytest.approx(0.25, abs=0.01)
    middle = programs_of(f'think_time = "1 ms"\n{WRITE_4K}')
    assert 0.3 < middle < 0.7


def test_a_small_buffer_never_locks_however_writes_and_flushes_meet() -> None:
    sizes = 'request_size = [{size = "4 KiB", share = 0.5}, {size = "40 KiB", share = 0.5}]\nread_share = 0.2'
    tight = ('server.media.buffer="52 KiB"', "server.media.dies=40", "server.media.write_amplification=1.5")
    observed = observe(scenario(PARTS, f'rate = "2000 /s"\n{sizes}', *tight), 5000)
    assert observed.complete
    assert observed.wait_s[:, Stage.MEDIA].max() > 0


def test_rows_are_the_same_however_the_stream_is_cut_where_pages_end_in_part() -> None:
    for pattern in ("random", "sequential"):
        work = f'clients = 3\nrate = "300 /s"\n{WRITE_4K}\npattern = "{pattern}"'
        case = scenario(PARTS, work, "server.media.count=2", 'server.media.suspend_slice="200 us"')

        def steps(rows: int, case: Scenario = case) -> list[NDArray[np.float64]]:
            source = build_plan(case, 3, 0, rows=rows).open_source
            assert source is not None
            found, total = [], 0
            while total < 600:
                chunk = source.next_chunk()
                ends = np.append(chunk.first[1:], chunk.steps.op.size)
                columns = np.stack([chunk.steps.op, chunk.steps.arg, chunk.steps.work], axis=1)
                found += [columns[a:b] for a, b in zip(chunk.first, ends, strict=True)]
                total += len(chunk)
            return found[:600]

        whole, cut = steps(1000), steps(7)
        assert all(np.array_equal(a, b) for a, b in zip(whole, cut, strict=True))


# Who waits for a die


BESIDE = f"""
queue_depth = 1
{READ_4K}
think_time = "0.1 ms"
[[workload]]
name = "manifests"
rate = "1200 /s"
request_size = "16 KiB"
read_share = 0.0
"""
ONE_DIE = (
    "server.media.dies=1",
    "server.media.channels=1",
    'server.media.condition="fresh"',
    'server.media.buffer="4 MiB"',
)


def longest_read(*overrides: str) -> float:
    observed = observe(scenario(PARTS, BESIDE, *ONE_DIE, *overrides), 3000)
    return float(observed.latency_s[observed.kind == 0].max())


def test_a_read_waits_for_one_program_at_most_however_many_are_waiting() -> None:
    # One read at a time: 56 us, the buses of others and 517 us of a program; programs take 62 % of the die.
    assert longest_read() < (56.1 + 516.4 + 16.4) * US
    assert longest_read() > 400 * US


def test_a_program_in_slices_lets_the_read_in_after_one_of_them() -> None:
    assert longest_read('server.media.suspend_slice="100 us"') < (56.1 + 116.4 + 16.4) * US


def test_what_is_half_done_goes_before_what_is_not_begun() -> None:
    # Sliced programs must not take turns: the steps of the rest are ranked before those of new programs.
    plan = build_plan(scenario(PARTS, BESIDE, *ONE_DIE, 'server.media.suspend_slice="100 us"'), 1, 0)
    (die,) = [bank for bank in plan.stations.banks if bank.name == "die"]
    assert die.ranked
    assert plan.open_source is not None
    steps = plan.open_source.next_chunk().steps
    ranks = steps.work[(steps.op == TAKE_RANKED) & (steps.arg == die.first)]
    assert set(ranks) == {1.0, 2.0}
    assert np.count_nonzero(ranks == 1.0) == 4 * np.count_nonzero(ranks == 2.0)  # 500 us in five slices
    assert not np.any((steps.op == TAKE) & (steps.arg == die.first))


def test_suspending_helps_the_slowest_reads_most() -> None:
    def p999(*overrides: str) -> float:
        work = BESIDE.replace("queue_depth = 1", "queue_depth = 1").replace('"1200 /s"', '"9000 /s"')
        case = scenario(PARTS, work, *ONE_DIE[2:], *overrides)
        observed = observe(case, 8000)
        return float(np.quantile(observed.latency_s[observed.kind == 0], 0.99))

    assert p999('server.media.suspend_slice="50 us"') < 0.6 * p999()


# Datasheets

LANES_4X4 = "[server.lanes]\npcie_generation = 4\nwidth = 4\n"
SERIAL = '[server.lanes]\nrate = "6 Gbit/s"\n'
DRIVES: dict[str, tuple[str, str]] = {
    "a million reads a second on four lanes": (LANES_4X4, MILLION),
    "a small one on a slow serial link": (
        SERIAL,
        """
capacity = "480 GB"
random_read_rate = "90000 /s"
random_write_rate = "30000 /s"
rated_depth = 32
sequential_read = "540 MB/s"
sequential_write = "500 MB/s"
read_latency = "130 us"
write_latency = "40 us"
""",
    ),
    "a slow dense one": (
        "[server.lanes]\npcie_generation = 3\nwidth = 4\n",
        """
capacity = "30 TB"
random_read_rate = "60000 /s"
random_write_rate = "3000 /s"
rated_depth = 64
sequential_read = "1.5 GB/s"
sequential_write = "300 MB/s"
read_latency = "300 us"
write_latency = "50 us"
map_unit = "16 KiB"
channels = 4
""",
    ),
    "writes nearly as fast as reads": (
        LANES_4X4,
        """
capacity = "8 TB"
random_read_rate = "800000 /s"
random_write_rate = "300000 /s"
rated_depth = 256
sequential_read = "6 GB/s"
sequential_write = "5.6 GB/s"
read_latency = "90 us"
write_latency = "12 us"
channels = 16
""",
    ),
}
LARGE = 'request_size = "128 KiB"\npattern = "sequential"'
RATED = {
    "random_read_rate": (READ_4K, 60_000, 1),
    "random_write_rate": (WRITE_4K, 120_000, 1),
    "sequential_read": (LARGE, 15_000, 128 * KIB),
    "sequential_write": (LARGE + "\nread_share = 0.0", 20_000, 128 * KIB),
}


@long_run
@pytest.mark.parametrize("figure", RATED)
@pytest.mark.parametrize("drive", DRIVES)
def test_a_deep_queue_gives_back_the_figure_of_the_datasheet(drive: str, figure: str) -> None:
    lanes, sheet = DRIVES[drive]
    work, requests, unit = RATED[figure]
    depth = scenario(sheet, f"queue_depth = 1\n{work}", lanes=lanes).server.pools[0].media
    assert isinstance(depth, Flash)
    case = scenario(sheet, f"queue_depth = {depth.rated_depth}\n{work}", lanes=lanes)
    assert deep_rate(case, requests) * unit == pytest.approx(getattr(depth, figure), rel=0.03)


@pytest.mark.parametrize("drive", DRIVES)
def test_a_request_alone_has_exactly_the_latency_of_the_datasheet(drive: str) -> None:
    lanes, sheet = DRIVES[drive]
    for work, figure in ((READ_4K, "read_latency"), (WRITE_4K, "write_latency")):
        observed = alone(sheet, work, lanes=lanes)
        media = scenario(sheet, f"queue_depth = 1\n{work}", lanes=lanes).server.pools[0].media
        assert observed.latency_s == pytest.approx(np.full(len(observed), getattr(media, figure)), rel=1e-9)


def test_a_durable_write_of_a_datasheet_drive_is_the_sum_of_its_parts() -> None:
    parts = cost_of(MILLION, lanes=LANES_4X4)
    lane_s = 4096 / (4 * 1.96923e9 * 256 / 280)
    exact = 1 * US + lane_s + 4096 / (7e9 / 8) + parts.program_s
    latency = alone(MILLION, WRITE_4K + "\ndurable = true", lanes=LANES_4X4, requests=20).latency_s
    assert np.median(latency) == pytest.approx(exact, rel=1e-6)


def test_the_answer_says_what_overprovisioning_a_datasheet_implies() -> None:
    work = f'rate = "1000 /s"\n{READ_4K}\n'
    case = scenario(MILLION, work, "run.requests=1000", "run.replications=2", lanes=LANES_4X4)
    copies = cost_of(MILLION, lanes=LANES_4X4).copies
    implied = overprovisioning_of_amplification(copies + 1)
    notes = " ".join(simulate(case, seed=1).notes)
    assert f"overprovisioning of {implied:.3g} " in notes
    assert f"write amplification of {copies + 1:.3g}" in notes
    media = scenario(PARTS, work).server.pools[0].media
    assert isinstance(media, Flash)
    assert remarks("the drives", media, None) == ()


@pytest.mark.parametrize("drive", DRIVES)
def test_closed_forms_answer_for_datasheet_drives_and_name_what_binds(drive: str) -> None:
    lanes, sheet = DRIVES[drive]
    told = estimate(scenario(sheet, f'rate = "1000 /s"\n{READ_4K}\nread_share = 0.7', lanes=lanes), seed=1)
    assert told.saturation is not None
    assert told.classes["booking"].mean_s is not None
    assert told.saturation.station in ("command processor", "die", "bus")


# What is refused


def refused(drive: str, *overrides: str, lanes: str = NO_LANES) -> str:
    with pytest.raises(ScenarioError) as caught:
        scenario(drive, f"queue_depth = 1\n{READ_4K}", *overrides, lanes=lanes)
    return str(caught.value)


@pytest.mark.parametrize(
    ("override", "said"),
    [
        ('page="12000 B"', "not a multiple of map_unit"),
        ('die_capacity="64 GB"', "given beside die_capacity"),
        ('buffer="16 KiB"', "less than two pages"),
        ('condition="steady"', "no room is spare"),
        ("overprovisioning=0.28", "means nothing without a condition"),
        ("filled=0.5", "means nothing without a condition"),
        ("rated_depth=32", "given beside datasheet figures"),
        ("filled=1.5", "at most 1"),
        ("planes=0", "at least 1"),
    ],
)
def test_keys_of_the_parts_that_contradict_each_other_are_refused(override: str, said: str) -> None:
    assert said in refused(PARTS, f"server.media.{override}")


@pytest.mark.parametrize("key", ['condition="steady"', "overprovisioning=0.1", "filled=0.9"])
def test_an_amplification_given_outright_excludes_what_it_would_follow_from(key: str) -> None:
    assert "given beside write_amplification" in refused(
        PARTS, "server.media.write_amplification=2.0", f"server.media.{key}"
    )


@pytest.mark.parametrize(
    "key",
    [
        "dies=8",
        'die_capacity="64 GB"',
        'channel_rate="1 GB/s"',
        'cell_read="50 us"',
        'cell_program="500 us"',
        'command_rate="1000 /s"',
        'buffer_time="10 us"',
        'condition="steady"',
        "write_amplification=2.0",
        "overprovisioning=0.28",
        "filled=0.5",
    ],
)
def test_parts_beside_a_datasheet_are_refused(key: str) -> None:
    assert "given beside datasheet figures, which imply it" in refused(MILLION, f"server.media.{key}")


@pytest.mark.parametrize(
    ("override", "said"),
    [
        ('read_latency="6 us"', "more than "),
        ('random_read_rate="3000000 /s"', "near sequential_read or beyond it"),
        ('read_latency="200 us"', "128 requests under way do not come to it"),
        ('random_read_rate="20000 /s"', "below the rate of the sequential reads of 128 KiB"),
        ('random_write_rate="1100000 /s"', "above random_read_rate"),
        ('sequential_write="8 GB/s"', "above sequential_read"),
        ('sequential_write="500 MB/s"', "more bytes than sequential_write"),
        ('write_latency="1 us"', "command and link take more"),
        ("rated_depth=2000", "at most 1024"),
        ("queue_slots=64", "at most 64"),
        ('buffer="4 MiB"', "too small to keep"),
        ('cell_erase="2 s"', "cell_erase"),
    ],
)
def test_figures_that_no_drive_has_together_are_refused(override: str, said: str) -> None:
    assert said in refused(MILLION, f"server.media.{override}", lanes=LANES_4X4)


def test_what_is_missing_of_either_form_is_named() -> None:
    assert "channels, cell_erase missing" in refused(
        PARTS.replace("channels = 4\n", "").replace('cell_erase = "3 ms"\n', "")
    )
    assert "dies or die_capacity missing" in refused(PARTS.replace("dies = 8\n", ""))
    assert "rated_depth, write_latency missing" in refused(
        MILLION.replace("rated_depth = 128\n", "").replace('write_latency = "15 us"\n', "")
    )


def test_a_stripe_unit_that_is_not_whole_pages_is_refused() -> None:
    assert "not a multiple of the page" in refused(PARTS, 'server.layout.stripe_unit="24 KiB"')


# The catalogue


FLASH_PARTS = [part for part in catalogue() if part.tables.get("media", {}).get("kind") == "flash"]


def test_the_catalogue_has_flash_on_a_slow_link_on_two_and_on_four_lanes() -> None:
    assert {"flash-serial-6", "flash-two-lanes", "flash-four-lanes", "flash-four-lanes-fresh"} <= {
        part.name for part in FLASH_PARTS
    }


@pytest.mark.parametrize("part", FLASH_PARTS, ids=lambda part: part.name)
def test_times_of_cells_in_the_catalogue_lie_within_the_published_table(part: Part) -> None:
    # F1, F3
    taken = f'[server]\nmedia = "{part.name}"\nlanes = "{part.name}"\n'
    work = f'[[workload]]\nname = "booking"\nqueue_depth = 4\n{READ_4K}\nread_share = 0.5\n'
    case = parse(taken + work)
    media, row = case.server.pools[0].media, FLASH_VALUES["F1"]
    assert isinstance(media, Flash)
    if not media.has_datasheet:
        read, program, erase = media.cell_read, media.cell_program, media.cell_erase
        assert read is not None
        assert program is not None
        assert erase is not None
        bits = [low for low, _ in row["read_us"]].index(round(read / US))
        assert row["program_us"][bits][0] <= round(program / US) <= row["program_us"][bits][1]
        assert row["erase_ms"][bits][0] <= round(erase * 1e3, 3) <= row["erase_ms"][bits][1]
        assert media.channel_rate is not None
        assert media.channel_rate / 1e6 in FLASH_VALUES["F3"]["mb_per_s"]
    assert observe(case, 300).complete


def test_each_further_bit_in_a_cell_makes_a_write_slower_within_the_published_factor() -> None:
    # F1, F2: a trend
    row = FLASH_VALUES["F1"]

    def write_s(place: int) -> float:
        read, program = f"{row['read_us'][place][0]} us", f"{np.mean(row['program_us'][place])} us"
        erase = f"{np.mean(row['erase_ms'][place])} ms"
        drive = flash(
            dies=8,
            channels=4,
            cell_read=read,
            cell_program=program,
            cell_erase=erase,
            command_rate="1000000 /s",
        )
        work = 'queue_depth = 1\nrequest_size = "16 KiB"\nread_share = 0.0\ndurable = true'
        case = parse(f"""
{drive}
[[workload]]
name = "booking"
{work}
""")
        return float(np.median(observe(case, 300).latency_s))

    times = [write_s(place) for place in range(len(row["bits_per_cell"]))]
    for fewer, more in pairwise(times):
        assert 1.2 < more / fewer <= FLASH_VALUES["F2"]["factor_a_bit"]


# Speed of planning is measured by experiments; here only that every form is planned.


@pytest.mark.parametrize("change", [lambda d: d, lambda d: d.replace("dies = 8", 'die_capacity = "64 GB"')])
def test_both_physical_forms_carry_reads_and_writes(change: Callable[[str], str]) -> None:
    case = scenario(change(STEADY), f'rate = "2000 /s"\n{READ_4K}\nread_share = 0.5')
    assert observe(case, 500).complete
    told = estimate(case, seed=1)
    assert told.classes["booking"].mean_s is not None


def test_closed_forms_know_that_reads_go_before_waiting_programs() -> None:
    # A die a third busy, nearly all of it programs: in order of arrival its reads would wait half as long again.
    loud = ("load=5.0", 'server.network.rate="100 Gbit/s"', "server.controller.cores=64")
    case = shared_scenario("booking-flash-busy", *loud)
    found = observe(case, 60_000)
    told = estimate(case, seed=7).classes["booking"]
    assert told.mean_s == pytest.approx(float(found.latency_s[6000:].mean()), rel=0.02)
    assert told.p99_s == pytest.approx(float(np.quantile(found.latency_s[6000:], 0.99)), rel=0.03)
