"""A spinning drive that serves one random request after the other, through the whole path, against published values.

Values and their sources: shared/published/spinning.toml. The drives have one rate all over (inner = outer), so that
addresses lie evenly over the stroke; one closed client keeps one request under way, and arms serve in order of arrival.
"""

from typing import Any

import numpy as np
import pytest

from drives import Value, spinning
from tailrace.answer.result import Figures
from tailrace.measure.section import sectioned_mean, sectioned_ratio
from tailrace.plan.build import build_plan
from tailrace.plan.columns import VISIT
from tailrace.plan.stations import Discipline
from tailrace.scenario import parse
from tailrace.scenario.tables.scenario import Scenario
from through import (
    REPLICATIONS,
    Printed,
    assert_agrees,
    found,
    long_run,
    observe,
    per_request,
    published,
    samples,
    standard_error,
)

SPINNING = published("spinning")
MS = 1e-3

NO_SEEK = 'seek_curve = [{share = 0.0, time = "0 s"}, {share = 1.0, time = "0 s"}]'


def one_drive(
    seek: str, rpm: float, rate: str = "100 MB/s", size: str = "512 B", capacity: str = "1 GB"
) -> Scenario:
    return parse(f"""
[server.media]
kind = "spinning"
capacity = "{capacity}"
rpm = "{rpm} rpm"
outer_rate = "{rate}"
command_rate = "1e12 /s"
scheduling = "arrival order"
{seek}
[[workload]]
name = "booking"
queue_depth = 1
request_size = "{size}"
""")


def answered(scenario: Scenario, requests: int = 3000) -> Figures:
    return found(scenario, samples(scenario, requests))


def half_turn_s(rpm: float) -> float:
    return 30.0 / rpm


def published_drive() -> Scenario:
    """The measured drive with the published seek curve, asked for 8 KiB at a time."""
    row = SPINNING["seek_curve"]
    track = row["sectors_per_track"] * row["sector_bytes"]
    near, far = (", ".join(f'"{value} ms"' for value in row[piece]) for piece in ("near_ms", "far_ms"))
    pieces = f"boundary = {row['boundary']}, near = [{near}], far = [{far}]"
    curve = f"seek_curve = {{cylinders = {row['cylinders']}, {pieces}}}"
    rate = f"{track * row['rpm'] / 60} B/s"
    return one_drive(curve, row["rpm"], rate, "8 KiB", f"{row['cylinders'] * row['heads'] * track} B")


def test_the_mean_distance_of_a_random_seek_is_a_third_of_the_stroke() -> None:
    # D1: at one second a stroke the seek time is the distance
    seek = 'seek_curve = [{share = 0.0, time = "0 s"}, {share = 1.0, time = "1 s"}]'
    mean = answered(one_drive(seek, 7200)).latency_s["mean"]
    rest = half_turn_s(7200) + 512 / 100e6
    assert_agrees(mean, SPINNING["mean_seek_distance"]["share_of_stroke"] + rest, 0.005)


def test_the_mean_root_of_the_distance_of_a_random_seek_is_eight_fifteenths() -> None:
    # D2: a curve that is a root up to the longest distance, of 1 ms over one cylinder
    seek = (
        'seek_curve = {cylinders = 10001, boundary = 10000, near = ["0 s", "1 ms"], far = ["100 ms", "0 s"]}'
    )
    mean = answered(one_drive(seek, 7200)).latency_s["mean"]
    longest_s = 10000**0.5 * MS
    rest = half_turn_s(7200) + 512 / 100e6
    assert_agrees(mean, SPINNING["mean_root_of_seek_distance"]["root_share"] * longest_s + rest, 0.005)


def test_the_mean_seek_is_that_of_the_published_curve_not_the_curve_at_the_mean_distance() -> None:
    # D3, D6
    rows = SPINNING["seek_curve"], SPINNING["turn_at_4002_rpm"]
    jensen = SPINNING["mean_of_curve_is_not_curve_at_mean"]
    rest = (rows[1]["half_ms"] + rows[1]["transfer_ms"]) * MS
    mean = answered(published_drive()).latency_s["mean"]
    assert_agrees(mean, rows[0]["mean_ms"] * MS + rest, 0.005)
    assert mean.value is not None
    assert abs(mean.value - jensen["at_mean_distance_ms"] * MS - rest) > 4 * standard_error(mean)
    assert abs(mean.value - jensen["mean_ms"] * MS - rest) < 4 * standard_error(mean)


@pytest.mark.parametrize("place", range(4))
def test_without_seeks_a_random_request_waits_half_a_turn_and_anything_up_to_a_whole_one(place: int) -> None:
    # D4
    row = SPINNING["half_turn"]
    rpm, half_s = row["rpm"][place], Printed(row["mean_ms"][place], 0.0005) * MS
    transfer_s = 512 / 1e9
    scenario = one_drive(NO_SEEK, rpm, "1 GB/s")
    turns = [
        latency - transfer_s for latency in per_request(scenario, 3000, lambda observed: observed.latency_s)
    ]
    assert_agrees(sectioned_mean(turns), half_s, 0.005)
    for each in turns:
        assert each.min() >= -1e-12
        assert each.max() < 60 / rpm + 1e-12
    squares = sectioned_mean([(each - 30 / rpm) ** 2 for each in turns])
    assert_agrees(squares, (60 / rpm) ** 2 / 12)
    if rpm == 7200:
        deviation_s = row["deviation_7200_ms"] * MS
        assert (60 / rpm) ** 2 / 12 == pytest.approx(deviation_s**2, rel=2 * 0.0005 / 2.406)


@pytest.mark.parametrize(("place", "ends"), [(0, ("0.8 ms", "17 ms")), (1, ("0.4 ms", "8 ms"))])
def test_an_access_is_seek_half_a_turn_and_transfer_as_published(place: int, ends: tuple[str, str]) -> None:
    # D5. What the datasheet calls the average seek is what random requests see, whatever the ends of the curve.
    row: dict[str, Any] = SPINNING["access_time"][place]
    seek = (
        f'seek_adjacent = "{ends[0]}"\nseek_average = "{row["average_seek_ms"]} ms"\nseek_full = "{ends[1]}"'
    )
    scenario = one_drive(seek, row["rpm"], f"{row['rate_mb_per_s']} MB/s", f"{row['size_bytes']} B")
    figures = answered(scenario)
    assert_agrees(figures.latency_s["mean"], Printed(row["access_ms"], 0.005) * MS, 0.005)
    low, high = row["throughput_mb_per_s"]
    assert figures.throughput_bytes_per_s.value is not None
    throughput = figures.throughput_bytes_per_s.value / 1e6
    assert low * (1 - row["tolerance"]) < throughput < high * (1 + row["tolerance"])


def test_a_random_access_with_the_published_curve_takes_what_its_parts_add_up_to() -> None:
    # D8: the model's own value, within 1 %; 42.3 accesses a second
    row = SPINNING["random_access_on_seek_curve"]
    figures = answered(published_drive())
    assert row["tolerance"] == 0.01
    assert_agrees(figures.latency_s["mean"], Printed(row["service_ms"], 0.005) * MS, 0.005)
    assert_agrees(figures.rate_per_s, 1000 / row["service_ms"], 0.005)
    media = figures.stages["media"]
    assert media.service_s.value == pytest.approx(figures.latency_s["mean"].value, rel=1e-12)
    assert media.wait_s.value == 0.0


# The nearest of several


def crowd(drives: int, requests: int) -> Scenario:
    """So many requests that reach the drives at one and the same instant, at random places, and no other for long."""
    rule: dict[str, Value] = {
        "scheduling": "shortest seek first",
        "queue_slots": 1000,
        "age_limit": "100000 s",
    }
    return parse(f"""
{spinning(count=drives, capacity="1 GB", outer_rate="100 MB/s", command_rate="1e12 /s", **rule)}
[[workload]]
name = "booking"
clients = {requests}
think_time = "1000000 s"
think = "constant"
request_size = "4 KiB"
""")


def second_seeks(scenario: Scenario, replication: int) -> tuple[np.ndarray, np.ndarray]:
    """Of each drive with two requests or more: how many the arm chose from after its first, and the distance it went.

    The first is the one that found the arm idle, so nothing has chosen it: its place is uniform, and so are those of
    the others, however many they are.
    """
    count = scenario.workload[0].clients
    plan = build_plan(scenario, 1, replication)
    (arm,) = (bank for bank in plan.stations.banks if bank.discipline == Discipline.ARM)
    drives, targets = [], []
    while sum(each.size for each in drives) < count:
        steps = plan.closed[0].next_chunk().steps
        visit = (steps.op == VISIT) & (steps.arg >= arm.first) & (steps.arg < arm.first + arm.count)
        assert steps.access is not None
        drives.append(steps.arg[visit] - arm.first)
        targets.append(steps.access.target[visit])
    drive, target = np.concatenate(drives)[:count], np.concatenate(targets)[:count]
    observed = observe(scenario, count, replication=replication)
    assert (observed.arrival_s == 1e6).all()
    order = np.lexsort((observed.completion_s, drive))
    drive, target = drive[order], target[order]
    first = np.flatnonzero(np.diff(drive, prepend=-1))
    present = np.diff(first, append=count)
    first, present = first[present >= 2], present[present >= 2]
    return present - 1, np.abs(target[first + 1] - target[first])


def assert_nearest(n: list[int], drives: int, requests: int) -> None:
    row = SPINNING["nearest_of_n"]
    seeks = [second_seeks(crowd(drives, requests), number) for number in range(REPLICATIONS)]
    for each in n:
        chosen = [distance[choices == each] for choices, distance in seeks]
        mean = sectioned_ratio([float(d.sum()) for d in chosen], [d.size for d in chosen])
        digits = 4 if each in (1, 32) else 5
        assert_agrees(mean, Printed(row["mean_share"][row["n"].index(each)], 0.5 * 10.0**-digits))


def test_the_nearest_of_few_requests_is_as_near_as_derived() -> None:
    # D11, for one and two
    assert_nearest([1, 2], drives=1800, requests=4500)


@pytest.mark.whole
@long_run
def test_the_nearest_of_several_requests_is_as_near_as_derived() -> None:
    # D11, for four and eight
    assert_nearest([4], drives=3000, requests=13_500)
    assert_nearest([8], drives=3600, requests=31_000)
