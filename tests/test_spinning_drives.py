"""Spinning drives with deep queues, a write cache and slow ones among them: rates, order of the rules, sums by hand.

Values and their sources: shared/published/spinning.toml.
"""

import numpy as np
import pytest

import tailrace
from drives import spinning
from tailrace.engine.choice import Engine, runner
from tailrace.forecast.saturation import offered_load
from tailrace.plan.build import build_plan
from tailrace.plan.columns import Stage
from tailrace.scenario import parse
from tailrace.scenario.reading.variant import Variants
from tailrace.scenario.tables.scenario import Scenario
from test_through_spinning import published_drive
from through import ENGINES, observe, published

SPINNING = published("spinning")
RULES = ("shortest access first", "shortest seek first", "elevator", "arrival order")
WRITES = "read_share = 0.0"
LINK = '[server.lanes]\nrate = "12 Gbit/s"'
LINK_RATE = 12e9 / 10 * 550 / 600
"""Bytes a second on a serial link of 12 Gbit/s: 8b/10b leaves eight tenths, frames 550 of 600 of these."""
COMMAND_S = 1 / 25_000
"""What a drive takes for a command where nothing is said of it."""

OPEN_STREAM = """
[server.media]
kind = "spinning"
capacity = "1 TB"
rpm = "7200 rpm"
seek_adjacent = "0.6 ms"
seek_average = "8.5 ms"
seek_full = "17 ms"
outer_rate = "200 MB/s"
read_ahead = "1 MiB"
[[workload]]
name = "booking"
rate = "1000 /s"
pattern = "sequential"
request_size = "512 B"
"""

NEVER = 'age_limit = "100000 s"'


def drive(media: str = "", workload: str = "queue_depth = 1", lanes: str = "", count: int = 1) -> Scenario:
    """One drive of 7,200 rpm with seeks of 0.6, 8.5 and 17 ms, asked for 4 KiB at a time."""
    size = "" if "request_size" in workload else 'request_size = "4 KiB"'
    return parse(f"""
{lanes}
{spinning(count=count)}
{media}
[[workload]]
name = "booking"
{size}
{workload}
""")


def rate_per_s(scenario: Scenario, requests: int) -> float:
    """Completions a second while the number under way is constant, the first tenth left out."""
    depth = scenario.workload[0].queue_depth or 1
    done = np.sort(observe(scenario, requests).completion_s)[: requests - depth]
    begin = requests // 10
    return float((done.size - 1 - begin) / (done[-1] - done[begin]))


@pytest.mark.parametrize("place", range(3))
@pytest.mark.parametrize(
    ("span", "row"), [("", "whole_drive_per_s"), ('span = "100 GB"', "tenth_of_the_span_per_s")]
)
def test_small_random_reads_come_at_the_rates_that_are_usual(span: str, row: str, place: int) -> None:
    # P2
    rates = SPINNING["common_rates"]
    depth = rates["depth"][place]
    scenario = drive(f"queue_slots = {depth}\n{NEVER}", f"queue_depth = {depth}\n{span}")
    assert rate_per_s(scenario, 40_000) == pytest.approx(rates[row][place], rel=rates["tolerance"])


@pytest.mark.parametrize("depth", [4, 16, 64])
def test_the_rules_come_in_their_order(depth: int) -> None:
    # Shortest access before shortest seek, which is about the elevator, before order of arrival (D16)
    workload = f"queue_depth = {depth}"
    access, seek, elevator, arrival = (
        1 / rate_per_s(drive(f'scheduling = "{rule}"\nqueue_slots = {depth}', workload), 12_000)
        for rule in RULES
    )
    assert access < 0.97 * seek
    assert seek == pytest.approx(elevator, rel=0.15)
    assert max(seek, elevator) < 0.92 * arrival


def test_the_gain_of_rotation_aware_choice_over_a_long_queue_is_about_the_published_one() -> None:
    # D15, on the drive of its time with the published seek curve
    row = SPINNING["rotation_aware_gain"]
    found = []
    for rule in ("shortest access first", "arrival order"):
        keys = (f'scheduling="{rule}"', f"queue_slots={row['queue']}", 'age_limit="100000 s"')
        settings = [f"server.media.{key}" for key in keys]
        settings.append(f"workload.booking.queue_depth={row['queue']}")
        found.append(rate_per_s(Variants(published_drive()).with_keys(settings), 15_000))
    assert row["least"] < found[0] / found[1] < row["most"]


def test_an_age_limit_bounds_what_the_last_waits_and_costs_rate() -> None:
    free = observe(drive(f"queue_slots = 64\n{NEVER}", "queue_depth = 64"), 12_000)
    bound = observe(drive('queue_slots = 64\nage_limit = "0.4 s"', "queue_depth = 64"), 12_000)
    assert bound.latency_s.max() < 0.75 * free.latency_s.max()
    assert bound.latency_s.mean() > free.latency_s.mean()


def test_more_requests_than_slots_wait_outside_in_order_of_arrival() -> None:
    # One slot: whatever the rule, order of arrival
    at_once = 'command_rate = "1e12 /s"'
    one = observe(drive(f"queue_slots = 1\n{at_once}", "queue_depth = 8"), 400)
    order = observe(
        drive(f'queue_slots = 8\n{at_once}\nscheduling = "arrival order"', "queue_depth = 8"), 400
    )
    assert one.completion_s == pytest.approx(order.completion_s, abs=1e-9)


def test_thirty_drives_read_sequentially_as_fast_as_is_usual() -> None:
    # P6: read without a pause, two large requests ahead, so that each goes on where the last ended
    row = SPINNING["thirty_drives"]
    scenario = parse(f"""
{spinning(count=row["drives"], capacity="4 TB", outer_rate=f"{row['rate_mb_per_s']} MB/s")}
[server.layout]
stripe_unit = "1 MiB"
[[workload]]
name = "manifests"
pattern = "sequential"
queue_depth = 4
request_size = "60 MiB"
""")
    throughput = rate_per_s(scenario, 1500) * 60 * 2**20
    assert throughput == pytest.approx(row["sequential_gb_per_s"] * 1e9, rel=0.03)


# Read-ahead


def test_reads_after_a_pause_are_answered_by_what_was_read_ahead_in_their_transfer_alone() -> None:
    # 64 KiB pass under the head in a third of a millisecond, so a pause of 20 ms is more than reading on takes
    stream = 'pattern = "sequential"\nrequest_size = "64 KiB"\nthink_time = "20 ms"\nthink = "constant"'
    ahead = observe(drive('read_ahead = "256 KiB"', stream, LINK), 200)
    assert ahead.service_s[0, Stage.MEDIA] > 64 * 1024 / 200e6
    answer_s = COMMAND_S + 64 * 1024 / LINK_RATE
    assert ahead.latency_s[1:] == pytest.approx(np.full(199, answer_s), rel=1e-6)
    # Without it the sector has come round: the rest of a turn, and the transfer from the platter
    turn_s = 1 / 120
    rest_s = turn_s - (20e-3 + answer_s) % turn_s
    plain = observe(drive("", stream, LINK), 200)
    expected_s = rest_s + 64 * 1024 / 200e6 + answer_s
    assert plain.latency_s[1:] == pytest.approx(np.full(199, expected_s), rel=1e-6)


# Write cache


def test_a_cached_write_takes_its_transfer_alone_and_a_durable_one_its_whole_way_to_the_platter() -> None:
    cached = observe(drive('write_cache = "64 MiB"', f'think_time = "1 s"\n{WRITES}', LINK), 300)
    answer_s = COMMAND_S + 4096 / LINK_RATE
    assert cached.latency_s == pytest.approx(np.full(300, answer_s), abs=1e-10)
    durable = f'think_time = "1 s"\ndurable = true\n{WRITES}'
    with_cache = observe(drive('write_cache = "64 MiB"', durable, LINK), 300)
    without = observe(drive("", durable, LINK), 300)
    assert (with_cache.latency_s == without.latency_s).all()
    media_s = with_cache.service_s[:, Stage.MEDIA]
    assert media_s.mean() == pytest.approx(COMMAND_S + 8.5e-3 + 0.5 / 120 + 4096 / 200e6, rel=0.05)


def test_no_drive_answers_more_requests_than_its_processor_takes_commands() -> None:
    # 512 B in sequence, two at a time: 200 MB/s under the head would be 390,000 a second.
    stream = 'pattern = "sequential"\nrequest_size = "512 B"\nqueue_depth = 2'
    ahead = 'read_ahead = "1 MiB"'
    assert rate_per_s(drive(ahead, stream), 6000) == pytest.approx(25_000, rel=1e-3)
    # Without, each sector has passed when its command is taken: two come in a turn.
    assert rate_per_s(drive("", stream), 6000) == pytest.approx(240, rel=0.01)
    faster = drive(f'{ahead}\ncommand_rate = "100000 /s"', stream)
    assert rate_per_s(faster, 6000) == pytest.approx(100_000, rel=0.01)
    # By demands: the processor binds, at 25,000 a second.
    opened = parse(OPEN_STREAM)
    binding = offered_load(opened, 1).binding
    assert binding is not None
    assert (binding.station, binding.load_factor) == ("command processor", pytest.approx(25.0, rel=1e-6))


def test_a_read_that_comes_while_a_write_is_destaged_waits_for_the_arm() -> None:
    # A write of 64 MiB in one go is acknowledged after its transfer, and keeps the arm for a third of a second
    scenario = drive(
        'write_cache = "128 MiB"',
        'think_time = "0.1 s"\nthink = "constant"\nrequest_size = "64 MiB"\nread_share = 0.5',
    )
    observed = observe(scenario, 200)
    assert observed.wait_s[observed.kind == 0, Stage.MEDIA].max() > 0.1
    assert observed.wait_s[observed.kind == 1, Stage.MEDIA].min() == 0.0


def test_a_full_write_cache_holds_writes_back_to_the_pace_of_the_arm() -> None:
    plain = rate_per_s(drive("", f"queue_depth = 1\n{WRITES}"), 12_000)
    # room for one write only: as without a cache; room for many: the arm has all its slots to choose from
    tiny = rate_per_s(drive('write_cache = "4 KiB"', f"queue_depth = 1\n{WRITES}"), 12_000)
    large = rate_per_s(drive('write_cache = "8 MiB"', f"queue_depth = 1\n{WRITES}"), 30_000)
    deep = rate_per_s(drive("", f"queue_depth = 32\n{WRITES}"), 12_000)
    assert tiny == pytest.approx(plain, rel=0.02)
    assert large == pytest.approx(deep, rel=0.03)


def test_no_more_destages_than_slots_are_at_the_arm_at_once() -> None:
    slots = 'queue_slots = 4\nwrite_cache = "8 MiB"'
    few = rate_per_s(drive(slots, f"queue_depth = 1\n{WRITES}"), 30_000)
    assert few == pytest.approx(
        rate_per_s(drive("queue_slots = 4", f"queue_depth = 4\n{WRITES}"), 12_000), rel=0.03
    )


def test_a_write_larger_than_the_cache_passes_it_piece_by_piece() -> None:
    scenario = drive('write_cache = "16 KiB"', f'think_time = "1 s"\nrequest_size = "1 MiB"\n{WRITES}', LINK)
    observed = observe(scenario, 50)
    # every piece but the last must be on the platter before the next has room
    assert observed.latency_s.min() > (1 - 1 / 64) * 2**20 / 200e6


def test_overload_of_the_platters_behind_a_write_cache_is_found_before_the_run() -> None:
    for rate, overloaded in ((150, False), (400, True)):
        scenario = drive('write_cache = "64 MiB"', f'rate = "{rate} /s"\n{WRITES}')
        binding = offered_load(scenario, seed=1).binding
        assert binding is not None
        assert binding.station == "arm"
        assert (binding.load_factor < 1) == overloaded


# Slow drives


@pytest.mark.parametrize("kind", ["read_share = 1.0", WRITES])
def test_a_slow_drive_takes_slow_factor_as_long_in_the_mean(kind: str) -> None:
    settle = 'write_settle = "1 ms"'
    healthy = observe(drive(settle, f'think_time = "1 s"\n{kind}'), 6000).latency_s
    slow = observe(
        drive(f"{settle}\nslow_drives = 1\nslow_factor = 3.0", f'think_time = "1 s"\n{kind}'), 6000
    ).latency_s
    ratio = slow.mean() / healthy.mean()
    # standard error of a mean of 6,000: below 0.5 % of it
    error = np.hypot(slow.std() / slow.mean(), healthy.std() / healthy.mean()) / 6000**0.5
    assert error < 0.006
    assert abs(ratio / 3 - 1) < 4 * error


def test_the_slow_drive_among_many_is_what_binds() -> None:
    scenario = drive("slow_drives = 1\nslow_factor = 4.0", 'rate = "100 /s"', count=4)
    binding = offered_load(scenario, seed=1).binding
    assert binding is not None
    assert binding.station == "slow arm"


@pytest.mark.whole
@pytest.mark.skipif(len(ENGINES) < 2, reason="needs the compiled engine")
def test_both_engines_give_the_same_bits_with_cache_and_slow_drives() -> None:
    media = 'write_cache = "1 MiB"\nqueue_slots = 8\nslow_drives = 1\nslow_factor = 2.5'
    for pattern in ("random", "sequential"):
        workload = (
            f'queue_depth = 6\nclients = 3\nread_share = 0.4\npattern = "{pattern}"\nrequest_size = "200 KiB"'
        )
        scenario = drive(media, workload, LINK, count=3)
        one, other = (runner(engine)(build_plan(scenario, 5, 0), 1500) for engine in ENGINES)
        for name in ("completion_s", "wait_s", "service_s"):
            np.testing.assert_array_equal(getattr(one, name), getattr(other, name))


STARVED = """
[server.media]
part = "spinning-7200"
count = 1
[[workload]]
name = "manifests"
queue_depth = 4
request_size = "1 MiB"
pattern = "sequential"
span = "1 TB"
[[workload]]
name = "booking"
rate = "5 /s"
request_size = "8 KiB"
span = "1 TB"
[run]
seed = 3
requests = 1500
replications = 2
"""


@pytest.mark.parametrize("way", ["shortest access first", "arrival order"])
def test_readers_whom_a_stream_keeps_waiting_to_the_age_limit_are_named_in_a_note(way: str) -> None:
    found = tailrace.simulate(parse(STARVED, overrides=[f'server.media.scheduling="{way}"']))
    notes = [note for note in found.notes if "age_limit" in note]
    if way == "arrival order":
        assert notes == []
        return
    assert len(notes) == 1
    assert notes[0].startswith(
        "The slowest 1 % of class 'booking' wait 2 s at the media, where the age_limit of 2 s"
    )


@pytest.mark.parametrize("engine", ENGINES)
def test_an_arm_that_reads_on_is_busy_until_it_has_read_as_far_as_it_may(engine: Engine) -> None:
    # Derived: 1 MiB at 200 MB/s behind every read, for a client that thinks far longer.
    scenario = drive('read_ahead = "1 MiB"', 'think_time = "1 s"\nspan = "900 GB"')
    observed = runner(engine)(build_plan(scenario, 1, 0), 41)
    arm = next(bank for bank in build_plan(scenario, 1, 0).stations.banks if bank.name == "arm")
    served_s = observed.service_s[:40, Stage.MEDIA].sum() - 40 * COMMAND_S
    assert observed.marks.busy_s[-1, arm.first] == pytest.approx(served_s + 40 * 2**20 / 200e6, rel=1e-9)


def test_an_arm_that_a_stream_is_read_from_is_busy_for_all_that_passes_under_it() -> None:
    # 64 KiB after 64 KiB, from what the arm has read ahead: all bytes pass under the head once, at 200 MB/s.
    scenario = drive(
        'read_ahead = "1 MiB"', 'queue_depth = 1\nrequest_size = "64 KiB"\npattern = "sequential"'
    )
    marks = observe(scenario, 4000).marks
    arm = next(bank for bank in build_plan(scenario, 1, 0).stations.banks if bank.name == "arm")
    done = (marks.arrived - marks.present)[-1]
    assert marks.busy_s[-1, arm.first] > 0.999 * done * 65536 / 200e6
    assert marks.busy_s[-1, arm.first] <= marks.time_s[-1]
    assert done * 65536 / marks.time_s[-1] > 180e6


@pytest.mark.parametrize(("depth", "a_turn"), [(1, 1), (2, 2), (4, 4)])
def test_a_stream_without_read_ahead_gets_a_block_a_turn_for_each_request_at_hand(
    depth: int, a_turn: int
) -> None:
    # Derived: a block passes in 2.6 us, but the next command takes 40 us, and by then its sector has gone by: a whole
    # turn of 8.33 ms, as on drives of old, which numbered their sectors in leaps for that reason. Those that wait
    # meanwhile follow without a gap.
    workload = f'queue_depth = {depth}\nrequest_size = "512 B"\npattern = "sequential"'
    assert rate_per_s(drive(workload=workload), 2000) == pytest.approx(a_turn * 120, rel=0.01)
