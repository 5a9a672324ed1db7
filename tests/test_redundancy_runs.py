"""Mirrors and parity in runs: idle latency by hand, what saturates, locks on rows, and both engines alike."""

import numpy as np
import pytest

import tailrace
from drives import controller, generic
from tailrace.engine.reference import run_reference
from tailrace.forecast.saturation import offered_load
from tailrace.plan.build import build_plan
from tailrace.plan.columns import GIVE, TAKE
from tailrace.scenario import parse

CORES = controller(
    cores=2, per_request="10 us", per_disk_operation="3 us", per_completion="5 us", copy_rate=None
)

SINGLE, DOUBLE = 'redundancy = "single parity"', 'redundancy = "double parity"'
FOLDS = '\nparity_rate = "1 GB/s"'
KIB = 1024 / 1e9  # seconds for a KiB at 1 GB/s


def written(layout, read_share, drives=8, size="4 KiB", span=None):
    return f"""
{CORES}
{generic(count=drives, capacity="1 GB")}
[server.layout]
stripe_unit = "64 KiB"
{layout}
[[workload]]
name = "booking"
rate = "0.01 /s"
request_size = "{size}"
read_share = {read_share}
start = "0 B"
span = "{span or size}"
"""


def box(*asked, **more):
    return parse(written(*asked, **more))


# One request at a time, always at address 0: data on drive 0 (single parity) or 1 (double parity), parity behind.
@pytest.mark.parametrize(
    ("layout", "read_share", "size", "disk_operations", "rounds", "folded_s"),
    [
        ('redundancy = "none"', 1, "4 KiB", 1, 1, 0),
        ('redundancy = "none"', 0, "4 KiB", 1, 1, 0),
        ('redundancy = "mirror"', 1, "4 KiB", 1, 1, 0),
        ('redundancy = "mirror"', 0, "4 KiB", 2, 1, 0),
        ('redundancy = "mirror"\ncopies = 3\nspares = 2', 0, "4 KiB", 3, 1, 0),
        ('redundancy = "mirror"\nfailed = [0]', 0, "4 KiB", 1, 1, 0),
        ('redundancy = "mirror"\nfailed = [0]', 1, "4 KiB", 1, 1, 0),
        (SINGLE + FOLDS, 1, "4 KiB", 1, 1, 0),
        (SINGLE, 0, "4 KiB", 4, 2, 0),
        (SINGLE + FOLDS, 0, "4 KiB", 4, 2, 2 * 4 * KIB),
        (SINGLE + FOLDS, 0, "448 KiB", 8, 1, 448 * KIB),
        (SINGLE + FOLDS, 0, "384 KiB", 8, 2, 448 * KIB),
        (SINGLE + FOLDS + "\nfailed = [0]", 1, "4 KiB", 7, 1, 7 * 4 * KIB),
        (SINGLE + FOLDS + "\nfailed = [0]", 0, "4 KiB", 7, 2, 7 * 4 * KIB),
        (SINGLE + FOLDS + "\nfailed = [7]", 0, "4 KiB", 1, 1, 0),
        (SINGLE + FOLDS + "\nfailed = [3]", 0, "4 KiB", 4, 2, 2 * 4 * KIB),
        (DOUBLE + FOLDS, 0, "4 KiB", 6, 2, 2 * 2 * 4 * KIB),
        (DOUBLE + FOLDS + "\nfailed = [1]", 1, "4 KiB", 6, 1, 6 * 4 * KIB),
        (DOUBLE + FOLDS + "\nfailed = [1, 2]", 1, "4 KiB", 6, 1, 6 * 4 * KIB),
        (DOUBLE + FOLDS + "\nfailed = [1]", 0, "4 KiB", 7, 2, 2 * 6 * 4 * KIB),
        (DOUBLE + FOLDS + "\nfailed = [1, 2]", 0, "4 KiB", 8, 2, (2 + 2) * 6 * 4 * KIB),
    ],
)  # fmt: skip
def test_one_request_on_an_idle_server_takes_the_sum_of_its_parts(
    layout, read_share, size, disk_operations, rounds, folded_s
):
    scenario = box(layout, read_share, size=size)
    observed = run_reference(build_plan(scenario, seed=1, replication=0), requests=3)
    by_hand = 10e-6 + 3e-6 * disk_operations + folded_s + rounds * 1e-3 + 5e-6
    assert observed.latency_s == pytest.approx(by_hand, rel=1e-9)
    assert observed.wait_s == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize(
    ("redundancy", "rate"),
    [("none", 1440), ("mirror", 1108), ("single parity", 758), ("double parity", 576)],
)
def test_eight_drives_of_180_per_second_carry_what_is_reckoned_with_at_70_per_cent_reads(redundancy, rate):
    """R3: N x / (r + (1 - r) p), derived from R1; here from the plan, and in a run with many clients at once."""
    text = written(f'redundancy = "{redundancy}"', 0.7, span="6 GB")
    text = text.replace("1 ms", "5.5556 ms").replace('span = "6 GB"', "").replace('start = "0 B"', "")
    if redundancy == "mirror":
        text = text.replace('span = "6 GB"', "")
    load = offered_load(parse(text, overrides=['workload.booking.rate="100 /s"']), seed=1)
    assert (load.binding.station, load.binding.load_factor * 100) == ("drive", pytest.approx(rate, rel=0.02))
    closed = text.replace('rate = "0.01 /s"', "queue_depth = 256")
    observed = run_reference(build_plan(parse(closed), seed=3, replication=0), requests=6000)
    time_s, done = observed.marks.time_s, observed.marks.arrived - observed.marks.present
    assert (done[-1] - done[4]) / (time_s[-1] - time_s[4]) == pytest.approx(rate, rel=0.02)


def test_read_modify_writes_of_one_row_never_overlap_and_those_of_two_rows_do():
    """One row of seven units: with every write at it, each takes two rounds of 1 ms on its own."""
    for span, per_s in (("448 KiB", 500), ("896 KiB", 1000)):
        scenario = parse(
            written(SINGLE, 0, span=span)
            .replace('rate = "0.01 /s"', "queue_depth = 16")
            .replace('"10 us"', '"0 us"').replace('"3 us"', '"0 us"').replace('"5 us"', '"0 us"')
        )  # fmt: skip
        observed = run_reference(build_plan(scenario, seed=2, replication=0), requests=2000)
        begin, end = observed.completion_s - 2e-3, observed.completion_s
        rate = len(observed) / end.max()
        if span == "448 KiB":
            order = np.argsort(begin)
            assert (begin[order][1:] >= end[order][:-1] - 1e-9).all()
            assert rate == pytest.approx(per_s, rel=0.01)
        else:
            assert 1.2 * 500 < rate <= per_s * 1.001


def test_row_locks_are_taken_before_any_drive_one_in_each_branch_and_given_back():
    scenario = box(SINGLE, 0, size="1 MiB", span="100 MiB")
    plan = build_plan(scenario, seed=1, replication=0)
    (lock,) = [bank for bank in plan.stations.banks if bank.name == "row lock"]
    steps = plan.open_source.next_chunk().steps
    mine = (steps.arg >= lock.first) & (steps.arg < lock.first + lock.count)
    taken, given = mine & (steps.op == TAKE), mine & (steps.op == GIVE)
    assert taken.sum() == given.sum() > 0
    held = np.cumsum(taken.astype(int) - given.astype(int))
    assert set(held.tolist()) == {0, 1}
    assert steps.arg[taken].tolist() == steps.arg[given].tolist()


def test_64_cores_at_8_us_a_request_bind_before_32_drives():
    """P9: 64 / 8 us = 8,000,000 requests/s (common practice, no source, exact as an identity)."""
    scenario = parse(
        f"""
        [server.controller]
        cores = 64
        per_request = "8 us"
{generic("constant", "80 us", count=32, servers=64)}
        [[workload]]
        name = "booking"
        rate = "1000000 /s"
        request_size = "4 KiB"
        """
    )
    binding = tailrace.estimate(scenario).saturation
    assert (binding.station, binding.load_factor) == ("cores", pytest.approx(8.0, rel=0.02))


def test_the_mirror_reads_from_copies_that_are_up_alike():
    scenario = box('redundancy = "mirror"\ncopies = 3\nfailed = [1]', 1, drives=6, span="1 GB")
    plan = build_plan(scenario, seed=1, replication=0, rows=20_000)
    (drive,) = [bank for bank in plan.stations.banks if bank.name == "drive"]
    drives = []
    for _ in range(4):
        arg = plan.open_source.next_chunk().steps.arg
        drives.append(arg[arg >= drive.first] - drive.first)
    visits = np.bincount(np.concatenate(drives), minlength=6)
    assert visits.sum() > 20_000
    assert visits[1] == 0
    sets = visits.reshape(2, 3)
    assert sets[0, 0] == pytest.approx(sets[0, 2], rel=0.1)
    assert sets[1] == pytest.approx(sets[1].mean(), rel=0.1)
