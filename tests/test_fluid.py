"""Overloaded spells by the fluid limit: by hand, against stations with a step in their rate, and over a cycle."""

import math
from pathlib import Path

import numpy as np
import pytest

from studies import ONE_STATION
from tailrace import theory
from tailrace.engine.choice import runner
from tailrace.forecast.conditions import estimate_conditions
from tailrace.forecast.estimate import estimate
from tailrace.plan.build import build_plan
from tailrace.quantity import Quantity
from tailrace.scenario import parse
from tailrace.theory import OutsideValidityError, fluid_cycle


def test_a_spell_of_half_again_too_much_by_hand() -> None:
    # An hour at 1.5: half an hour of work is left, and goes at 1 - 0.5 a second within the next hour. What comes at
    # minute m of the overload waits m / 2 minutes; what comes d minutes after its end waits 30 - d / 2.
    cycle = fluid_cycle([3600, 7200, 14400], [1.5, 0.5, 0.1])
    assert cycle.start == (0, 1800, 0)
    assert cycle.end == (1800, 0, 0)
    assert cycle.empty_s == (None, 3600, 0)
    assert not cycle.grows
    assert cycle.drain_s(0) == 3600
    assert cycle.longest_wait_s(0) == pytest.approx(1800)
    assert cycle.wait_s(0, 1200) == pytest.approx(600)
    assert cycle.wait_s(1, 1200) == pytest.approx(1200)
    # more than ten minutes: from minute 20 of the hour on, and for 40 minutes behind it
    assert cycle.beyond_s(0, 600) == pytest.approx(2400)
    assert cycle.beyond_s(1, 600) == pytest.approx(2400)
    assert cycle.beyond_s(2, 600) == 0
    assert cycle.beyond_s(0, 1800) == 0


def test_what_is_left_of_a_cycle_is_carried_into_the_next_one() -> None:
    # The night before is not long enough for what the evening leaves: the morning begins with it.
    cycle = fluid_cycle([10, 10, 30], [1.4, 0.9, 1.0])
    assert cycle.grows  # 4 more, 1 less, and nothing at full load: 3 more every day
    even = fluid_cycle([10, 10, 30], [0.2, 1.4, 0.9])
    assert not even.grows
    assert even.start == pytest.approx((1, 0, 4))  # 4 - 3 are left at the end, and gone 1.25 later
    assert even.empty_s[0] == pytest.approx(1.25)
    assert even.drain_s(1) == pytest.approx(31.25)


def test_a_cycle_that_cannot_drain_is_overloaded_for_good() -> None:
    cycle = fluid_cycle([10, 10], [1.3, 0.8])
    assert cycle.grows
    assert cycle.drain_s(0) is None


def test_work_that_takes_longer_in_the_next_spell_is_counted_by_that() -> None:
    cycle = fluid_cycle([100, 1000], [1.5, 0.5], [2.0, 1.0])
    assert cycle.end[0] == 50
    assert cycle.start[1] == 100
    assert cycle.drain_s(0) == pytest.approx(200)
    assert cycle.longest_wait_s(0) == pytest.approx(100)


@pytest.mark.parametrize(
    ("durations", "loads"), [([], []), ([1.0], [1.0, 2.0]), ([0.0], [1.0]), ([1.0], [-0.1])]
)
def test_figures_outside_their_range_are_refused(durations: list[float], loads: list[float]) -> None:
    with pytest.raises(OutsideValidityError):
        fluid_cycle(durations, loads)


@pytest.mark.parametrize("servers", [1, 8])
def test_the_fluid_limit_is_what_a_station_with_a_step_in_its_rate_does(servers: int) -> None:
    # M/M/c at 1.5 for 2,000 service times, then at 0.5: recursion of the station, means of some runs. 5 % is what is
    # promised for spells of 1,000 service times and more.
    spell, after = 2000.0, 4000.0
    cycle = fluid_cycle([spell, after], [1.5, 0.5])
    backlog, longest, gone = np.mean(
        [_stepped(servers, spell, after, seed) for seed in range(48 // servers)], axis=0
    ).tolist()
    assert backlog == pytest.approx(cycle.end[0] * servers, rel=0.05)
    assert longest == pytest.approx(cycle.longest_wait_s(0), rel=0.05)
    drain = cycle.drain_s(0)
    assert drain is not None
    assert gone == pytest.approx(drain, rel=0.05)


def _stepped(servers: int, spell: float, after: float, seed: int) -> tuple[float, float, float]:
    """Requests there at the end of the spell, the longest wait, and when after its end none waits any more."""
    rng = np.random.default_rng([seed, servers])
    arrivals = np.concatenate(
        [
            np.sort(rng.uniform(0, spell, rng.poisson(1.5 * servers * spell))),
            spell + np.sort(rng.uniform(0, after, rng.poisson(0.5 * servers * after))),
        ]
    )
    free = [0.0] * servers
    services = rng.standard_exponential(arrivals.size)
    starts = np.empty(arrivals.size)
    for place, (arrival, service) in enumerate(zip(arrivals.tolist(), services.tolist(), strict=True)):
        first = min(range(servers), key=free.__getitem__)
        starts[place] = max(arrival, free[first])
        free[first] = starts[place] + service
    waits = starts - arrivals
    there = np.count_nonzero((arrivals <= spell) & (starts + services > spell))
    idle = np.flatnonzero((arrivals > spell) & (waits == 0.0))
    return float(there), float(waits.max()), float(arrivals[idle[0]] - spell)


OPENING = """
[[condition]]
name = "night"
hours = 8
set = { load = 0.2 }
[[condition]]
name = "opening"
hours = 0.5
set = { "workload.booking.rate" = "260 /s" }
[[condition]]
name = "day"
hours = 15.5
"""


def test_an_overloaded_condition_of_a_scenario_by_hand() -> None:
    # Two servers of 1 ms carry 2,000/s: 600 too many a second for half an hour; 2,000 - 1,000 go a second by day.
    found = estimate_conditions(parse(ONE_STATION + OPENING))
    (spell,) = found.spells
    assert (spell.condition, spell.station, spell.drained_in) == ("opening", "drive", "day")
    assert spell.backlog == pytest.approx(1_080_000)
    assert spell.longest_wait_s == pytest.approx(540)
    assert spell.drain_s == pytest.approx(1080)
    # nearly all of the half hour and of what it takes to drain: 12 ms are waited after 40 ms
    assert spell.broken_s["booking", Quantity("p99")] == pytest.approx(1800 + 1080, abs=0.1)
    assert found.is_overloaded


def test_a_failed_server_makes_what_waits_take_longer() -> None:
    # By day there is one server of the two: what waits takes twice as long, and 1,000 more a second come: never.
    weak = OPENING.replace('name = "day"\n', 'name = "day"\nset = { server.media.servers = 1, load = 0.5 }\n')
    (spell,) = estimate_conditions(parse(ONE_STATION + weak)).spells
    # 540 s of two servers are 1,080 s of one, which is free half of the time
    assert spell.drain_s == pytest.approx(2160)
    assert spell.longest_wait_s == pytest.approx(1080)


def test_a_day_that_cannot_drain_is_said_to_be_overloaded_for_good() -> None:
    always = OPENING.replace("hours = 15.5\n", "hours = 15.5\nset = { load = 1.99 }\n").replace("0.2", "1.99")
    (spell,) = estimate_conditions(parse(ONE_STATION + always)).spells
    assert spell.drain_s is None
    assert math.isinf(spell.longest_wait_s)
    assert spell.as_dict()["longest_wait_s"] is None


def test_without_hours_nothing_is_said_of_what_is_left() -> None:
    untimed = "\n".join(line for line in OPENING.splitlines() if "hours" not in line)
    assert estimate_conditions(parse(ONE_STATION + untimed)).spells == ()


def test_the_index_of_closed_forms_knows_the_fluid_limit() -> None:
    assert "fluid_cycle" in (theory.__doc__ or "")


FLASH = """
[server.media]
kind = "flash"
count = 1
capacity = "1 TB"
dies = 8
channels = 2
channel_rate = "1200 MB/s"
cell_read = "75 us"
cell_program = "900 us"
cell_erase = "4.5 ms"
condition = "fresh"
command_rate = "500000 /s"
[[workload]]
name = "booking"
rate = "{rate:.6g} /s"
request_size = "16 KiB"
read_share = 1.0
"""


def test_the_fluid_limit_is_what_a_flash_drive_with_a_step_in_its_rate_does(tmp_path: Path) -> None:
    # 1.4 times what the dies carry for a second, then half of it. Each die has its own queue, so chance is larger.
    pytest.importorskip("numba")
    carried = 1000 / estimate_of(FLASH.format(rate=1000))
    over, under, spell, after = 1.4 * carried, 0.5 * carried, 1.0, 2.0
    timed = (
        f'[[condition]]\nname = "rush"\nhours = {spell / 3600!r}\nset = {{ load = 1.4 }}\n'
        f'[[condition]]\nname = "calm"\nhours = {after / 3600!r}\nset = {{ load = 0.5 }}\n'
    )
    (found,) = estimate_conditions(parse(FLASH.format(rate=carried) + timed)).spells
    seen = np.mean([_replayed(tmp_path, over, under, spell, after, seed) for seed in range(2)], axis=0)
    backlog, longest, gone = seen.tolist()
    assert backlog == pytest.approx(found.backlog, rel=0.05)
    assert longest == pytest.approx(found.longest_wait_s, rel=0.05)
    assert found.drain_s is not None
    assert gone == pytest.approx(found.drain_s, rel=0.05)


def estimate_of(text: str) -> float:
    """The share of saturation that a scenario asks for."""
    saturation = estimate(parse(text)).saturation
    assert saturation is not None
    return 1 / saturation.load_factor


def _replayed(
    folder: Path, over: float, under: float, spell: float, after: float, seed: int
) -> tuple[float, float, float]:
    """Requests there at the end of the rush, the longest wait beyond an idle drive's, and when after it is drained."""
    rng = np.random.default_rng(seed)
    times = np.concatenate(
        [
            np.sort(rng.uniform(0, spell, rng.poisson(over * spell))),
            spell + np.sort(rng.uniform(0, after, rng.poisson(under * after))),
        ]
    )
    trace = folder / f"{seed}.csv"
    trace.write_text("time\n" + "\n".join(f"{each:.9f}" for each in times) + "\n")
    replay = FLASH.replace(
        'rate = "{rate:.6g} /s"', f'arrivals = "trace"\nfile = "{trace}"\ncolumns = {{time = "time"}}'
    )
    scenario = parse(replay, beside=folder)
    observed = runner("compiled")(build_plan(scenario, 1, 0), requests=times.size)
    arrival = np.sort(observed.arrival_s)
    begin = arrival[0]
    latency, done = observed.latency_s, observed.arrival_s + observed.latency_s
    end = begin + spell
    there = np.count_nonzero((observed.arrival_s <= end) & (done > end))
    idle = np.quantile(latency[observed.arrival_s > end + 0.9 * after], 0.5)
    behind = np.flatnonzero((observed.arrival_s > end) & (latency < 3 * idle))
    return float(there), float(latency.max() - idle), float(observed.arrival_s[behind].min() - end)
