"""The arm: rotation, choice among the waiting, continuation; published values and a brute-force oracle."""

import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from math import fmod, inf, sqrt
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tailrace.physics import arm, platter, seek

PUBLISHED = tomllib.loads(
    (Path(__file__).parent.parent / "shared/published/spinning.toml").read_text("utf-8")
)
DATASHEET = seek.three_point_curve(0.6e-3, 8.5e-3, 17e-3)
NO_SEEK = seek.three_point_curve(0.0, 0.0, 0.0)
RULES = [arm.ARRIVAL_ORDER, arm.ELEVATOR, arm.SHORTEST_SEEK, arm.SHORTEST_ACCESS]


def lists(curve: seek.SeekCurve) -> tuple[list[float], ...]:
    return tuple(column.tolist() for column in curve)


@dataclass
class Waiting:
    """A queue in front of the arm; every column defaults to one in which nothing differs."""

    target: list[float]
    angle: list[float] = field(default_factory=list)
    start: list[float] = field(default_factory=list)
    arrived_s: list[float] = field(default_factory=list)
    settle_s: list[float] = field(default_factory=list)
    order: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        n = len(self.target)
        self.angle = self.angle or [0.0] * n
        self.start = self.start or [1e6 + i for i in range(n)]
        self.arrived_s = self.arrived_s or [0.0] * n
        self.settle_s = self.settle_s or [0.0] * n
        self.order = self.order or list(range(n))

    def choose(
        self,
        rule: int,
        *,
        now_s: float = 0.0,
        head: float = 0.0,
        end: float = arm.NOWHERE,
        at_service_end: bool = True,
        age_limit_s: float = inf,
        turns_per_s: float = 120.0,
        phase: float = 0.0,
        curve: seek.SeekCurve = DATASHEET,
    ) -> int:
        place = arm.choose(
            rule,
            now_s,
            len(self.order),
            self.order,
            self.arrived_s,
            self.start,
            self.target,
            self.angle,
            self.settle_s,
            head,
            end,
            at_service_end,
            age_limit_s,
            turns_per_s,
            phase,
            *lists(curve),
        )
        return self.order[place]


def mean_and_error(sample: list[float]) -> tuple[float, float]:
    return float(np.mean(sample)), float(np.std(sample, ddof=1)) / sqrt(len(sample))


def agrees(sample: list[float], expected: float, power: float = 0.01) -> None:
    """Bound and power: within four standard errors, and these errors small against the value."""
    mean, error = mean_and_error(sample)
    assert error < power * expected
    assert abs(mean - expected) < 4 * error


# Rotation and positioning


@pytest.mark.parametrize("row", range(len(PUBLISHED["half_turn"]["rpm"])))
def test_mean_rotation_wait_is_the_published_half_turn(row: int) -> None:
    published = PUBLISHED["half_turn"]
    turns_per_s = published["rpm"][row] / 60
    rng = np.random.default_rng(23 + row)
    waits_ms = [
        1e3 * arm.positioning_s(now, 0.5, 0.5, angle, 0.0, arm.APART, turns_per_s, 0.25, *lists(DATASHEET))
        for now, angle in zip((100 * rng.random(40_000)).tolist(), rng.random(40_000).tolist(), strict=True)
    ]
    agrees(waits_ms, published["mean_ms"][row], power=0.00125 * 4)
    turn_ms = 1e3 / turns_per_s
    assert np.std(waits_ms) == pytest.approx(turn_ms / sqrt(12), rel=0.01)
    if published["rpm"][row] == 7200:
        assert np.std(waits_ms) == pytest.approx(published["deviation_7200_ms"], rel=0.01)


@pytest.mark.parametrize("row", PUBLISHED["access_time"], ids=lambda row: str(row["rpm"]))
def test_mean_access_is_seek_plus_half_turn_plus_transfer(row: dict[str, Any]) -> None:
    average_s, turns_per_s = row["average_seek_ms"] * 1e-3, row["rpm"] / 60
    curve = lists(seek.three_point_curve(average_s / 10, average_s, 2 * average_s))
    rng = np.random.default_rng(29)
    draws = rng.random((40_000, 4)).tolist()
    sample = [
        arm.positioning_s(50 * t, head, target, angle, 0.0, arm.APART, turns_per_s, 0.0, *curve)
        for t, head, target, angle in draws
    ]
    mean, error = mean_and_error(sample)
    assert abs(mean - (average_s + 0.5 / turns_per_s)) < 4 * error
    assert error < 0.0025 * mean
    assert mean * 1e3 == pytest.approx(row["positioning_ms"], rel=row["tolerance"])
    rate = row["rate_mb_per_s"] * 1e6
    access_s = mean + float(platter.transfer_s(0, row["size_bytes"], 1e12, rate, rate))
    assert access_s * 1e3 == pytest.approx(row["access_ms"], rel=row["tolerance"])
    low, high = row["throughput_mb_per_s"]
    assert low * (1 - row["tolerance"]) < row["size_bytes"] / access_s / 1e6 < high * (1 + row["tolerance"])


def test_random_access_on_the_published_curve_takes_the_sum_of_its_parts() -> None:
    drive, access = PUBLISHED["seek_curve"], PUBLISHED["random_access_on_seek_curve"]
    near, far = ((v[0] * 1e-3, v[1] * 1e-3) for v in (drive["near_ms"], drive["far_ms"]))
    curve = lists(seek.two_piece_curve(drive["cylinders"], drive["boundary"], near, far))
    turns_per_s = drive["rpm"] / 60
    rate = drive["sectors_per_track"] * drive["sector_bytes"] * turns_per_s
    transfer_s = float(platter.transfer_s(0, access["size_bytes"], 1.3e9, rate, rate))
    rng = np.random.default_rng(31)
    now_s, head = 0.0, 0.5
    services_ms = []
    for target, angle in rng.random((40_000, 2)).tolist():
        service_s = transfer_s + arm.positioning_s(
            now_s, head, target, angle, 0.0, arm.APART, turns_per_s, 0.4, *curve
        )
        now_s, head = now_s + service_s, target
        services_ms.append(1e3 * service_s)
    mean, error = mean_and_error(services_ms)
    assert error < 0.0025 * mean
    assert mean == pytest.approx(access["service_ms"], rel=access["tolerance"])


def test_positioning_by_hand_on_a_drive_of_ten_turns_a_second() -> None:
    curve = ([1.0], [0.010], [0.020], [0.050])  # 10 ms + 20 ms·sqrt(x) + 50 ms·x

    def positioning(now_s: float, head: float, target: float, angle: float, settle_s: float) -> float:
        return arm.positioning_s(now_s, head, target, angle, settle_s, arm.APART, 10.0, 0.5, *curve)

    # Same turn, angle under the head at 0 s is 0.5: a quarter turn to 0.75, three quarters to 0.25.
    assert positioning(0.0, 0.3, 0.3, 0.75, 0.0) == pytest.approx(0.025)
    assert positioning(0.0, 0.3, 0.3, 0.25, 0.0) == pytest.approx(0.075)
    assert positioning(0.0, 0.3, 0.3, 0.50, 0.0) == 0.0
    # A quarter of the stroke takes 10 + 10 + 12.5 = 32.5 ms: the angle is then 0.825.
    assert positioning(0.0, 0.50, 0.25, 0.9, 0.0) == pytest.approx(0.0325 + 0.0075)
    # Settling 5 ms: angle 0.875. Settling 10 ms: angle 0.925, missed by a fortieth of a turn.
    assert positioning(0.0, 0.50, 0.25, 0.9, 0.005) == pytest.approx(0.0375 + 0.0025)
    assert positioning(0.0, 0.50, 0.25, 0.9, 0.010) == pytest.approx(0.0425 + 0.0975)
    # Settling is due without a seek too, and time moves the platter: at 2.04 s the angle is 0.9.
    assert positioning(2.04, 0.3, 0.3, 0.0, 0.002) == pytest.approx(0.010)


@given(
    now_s=st.floats(0, 1e5),
    angle=st.floats(0, 1, exclude_max=True),
    turns_per_s=st.floats(50, 300),
    phase=st.floats(0, 1, exclude_max=True),
)
def test_rotation_wait_is_below_a_turn_and_brings_the_angle_under_the_head(
    now_s: float, angle: float, turns_per_s: float, phase: float
) -> None:
    wait_s = arm.positioning_s(now_s, 0.1, 0.1, angle, 0.0, arm.APART, turns_per_s, phase, *lists(DATASHEET))
    assert 0 <= wait_s < 1 / turns_per_s
    off = fmod((now_s + wait_s) * turns_per_s + phase - angle, 1.0)
    assert min(abs(off), 1 - abs(off)) < 1e-7  # 30 million turns are known to 4e-9


def test_rotation_wait_that_rounds_to_a_whole_turn_is_none() -> None:
    assert arm.positioning_s(1e-22, 0, 0, 0.0, 0.0, arm.APART, 100.0, 0.0, *lists(NO_SEEK)) == 0.0
    waiting = Waiting([0.0, 0.0], angle=[0.5, 0.0])
    assert waiting.choose(arm.SHORTEST_ACCESS, now_s=1e-22, curve=NO_SEEK) == 1


def test_positioning_without_rotation_is_the_seek_over_the_same_distance() -> None:
    drive = PUBLISHED["seek_curve"]
    stroke = drive["cylinders"] - 1
    curve = lists(
        seek.two_piece_curve(drive["cylinders"], drive["boundary"], (3.24e-3, 0.4e-3), (8e-3, 8e-6))
    )
    for distance in (0, 1, 382, 383, 384, 1961):  # the times jump by 6 us between 382 and 383
        for head, target in ((0.0, distance / stroke), (distance / stroke, 0.0)):
            whole_s = arm.positioning_s(0.0, head, target, 0.3, 0.0, arm.APART, 1e9, 0.0, *curve)
            assert whole_s == pytest.approx(seek.seek_s(distance / stroke, *curve), abs=1.01e-9)


@given(
    now_s=st.floats(0, 1e3),
    head=st.floats(0, 1),
    target=st.floats(0, 1),
    angle=st.floats(0, 1, exclude_max=True),
    settle_s=st.floats(0, 2e-3),
)
def test_positioning_takes_seek_and_settling_and_less_than_a_turn_more(
    now_s: float, head: float, target: float, angle: float, settle_s: float
) -> None:
    curve = lists(DATASHEET)
    move_s = seek.seek_s(abs(target - head), *curve) + settle_s
    whole_s = arm.positioning_s(now_s, head, target, angle, settle_s, arm.APART, 120.0, 0.7, *curve)
    assert move_s <= whole_s < move_s + 1 / 120 + 1e-15
    assert arm.positioning_s(now_s, head, target, angle, settle_s, arm.CONTINUES, 120.0, 0.7, *curve) == 0.0
    late_s = arm.positioning_s(now_s, head, target, angle, settle_s, arm.CONTINUES_LATE, 120.0, 0.7, *curve)
    assert 0 < late_s <= 1 / 120 * (1 + 1.1 * arm.MISSED_TURNS)


@pytest.mark.parametrize("pause_s", [0.0, 20e-6, 1e-3])
def test_small_sequential_writes_one_by_one_take_a_turn_each(pause_s: float) -> None:
    """Common practice, no source: about 120 unbuffered log writes a second at 7,200 rpm."""
    capacity, rate, turns_per_s, size = 2e12, 150e6, 120.0, 4096
    turns = platter.total_turns(capacity, turns_per_s, rate, rate)
    writes = 1000
    address = 0.37 * capacity // 4096 * 4096 + size * np.arange(writes)
    target, angle = (v.tolist() for v in platter.position(address / capacity, 1.0, turns))
    transfer_s = platter.transfer_s(address, size, capacity, rate, rate).tolist()
    now_s = 0.0
    for i in range(writes):
        relation = arm.CONTINUES_LATE if i else arm.APART
        now_s += arm.positioning_s(
            now_s, target[i - 1], target[i], angle[i], 1e-3, relation, turns_per_s, 0.1, *lists(DATASHEET)
        )
        now_s += transfer_s[i] + pause_s
    assert writes / now_s == pytest.approx(1 / (1 / turns_per_s + transfer_s[0]), rel=2e-3)
    assert 115 < writes / now_s < 120


# The choice among the waiting: published values


@pytest.mark.parametrize("row", range(len(PUBLISHED["nearest_of_n"]["n"])))
def test_first_pick_of_the_nearest_of_n_has_the_published_mean_distance(row: int) -> None:
    published = PUBLISHED["nearest_of_n"]
    n = published["n"][row]
    rng = np.random.default_rng(37 + n)
    sample = []
    for head, *target in rng.random((12_000, n + 1)).tolist():
        sample.append(abs(target[Waiting(target).choose(arm.SHORTEST_SEEK, head=head)] - head))
    exact = (n + 3) / (2 * (n + 1) * (n + 2))
    assert exact == pytest.approx(published["mean_share"][row], abs=0.5e-4)
    agrees(sample, exact)


@pytest.mark.parametrize("row", range(len(PUBLISHED["one_sweep"]["n"])))
def test_one_sweep_over_n_requests_has_the_published_mean_step(row: int) -> None:
    n = PUBLISHED["one_sweep"]["n"][row]
    rng = np.random.default_rng(41)
    sample = []
    for target in rng.random((1000, n)).tolist():
        waiting, head, travelled = Waiting(target), 0.0, 0.0
        while waiting.order:
            slot = waiting.choose(arm.ELEVATOR, head=head)
            assert target[slot] >= head
            travelled += target[slot] - head
            head = target[slot]
            waiting.order.remove(slot)
        sample.append(travelled / n)
    expected = 1 / (n + 1)
    assert expected == pytest.approx(PUBLISHED["one_sweep"]["mean_step_share"][row], abs=0.5e-4)
    agrees(sample, expected)


@pytest.mark.parametrize("row", range(len(PUBLISHED["shortest_rotation"]["n"])))
def test_shortest_access_on_one_turn_has_the_published_mean_rotation(row: int) -> None:
    n = PUBLISHED["shortest_rotation"]["n"][row]
    rng = np.random.default_rng(43)
    sample = []
    for now_s, *angle in rng.random((12_000, n + 1)).tolist():
        slot = Waiting([0.5] * n, angle=angle).choose(arm.SHORTEST_ACCESS, head=0.5, now_s=now_s)
        wait_s = arm.positioning_s(
            now_s, 0.5, 0.5, angle[slot], 0.0, arm.APART, 120.0, 0.0, *lists(DATASHEET)
        )
        sample.append(wait_s * 120)
    expected = 1 / (n + 1)
    assert expected == pytest.approx(PUBLISHED["shortest_rotation"]["mean_turns"][row], abs=0.5e-4)
    agrees(sample, expected)


# The choice among the waiting: by hand


def test_each_rule_takes_its_own_among_four() -> None:
    # At 0 s angle 0 is under the head; distances 0.3, 0.2, 0.1, 0.25.
    waiting = Waiting([0.8, 0.3, 0.4, 0.75], angle=[0.2, 0.2, 0.1, 0.9], order=[0, 3, 1, 2])
    curve = seek.pair_curve([0.0, 1.0], [0.0, 0.010])  # 10 ms over the stroke, 100 ms a turn
    chosen = {rule: waiting.choose(rule, head=0.5, turns_per_s=10.0, curve=curve) for rule in RULES}
    # Accesses: 20, 20, 10, 90 ms.
    assert chosen == {
        arm.ARRIVAL_ORDER: 0,
        arm.ELEVATOR: 3,
        arm.SHORTEST_SEEK: 2,
        arm.SHORTEST_ACCESS: 2,
    }
    waiting.angle[2] = 0.0005  # passes before the arm is there: nearest still, but last to be reached
    assert waiting.choose(arm.SHORTEST_SEEK, head=0.5, turns_per_s=10.0, curve=curve) == 2
    waiting.angle[1] = 0.19
    assert waiting.choose(arm.SHORTEST_ACCESS, head=0.5, turns_per_s=10.0, curve=curve) == 1


def test_shortest_access_weighs_a_long_seek_that_comes_just_in_time() -> None:
    # 10 ms over the stroke, 100 ms a turn: 1 ms and 9 ms more of the turn, against 9.5 ms and 0.1 ms more.
    waiting = Waiting([0.1, 0.95], angle=[0.1, 0.096])
    curve = seek.pair_curve([0.0, 1.0], [0.0, 0.010])
    assert waiting.choose(arm.SHORTEST_ACCESS, turns_per_s=10.0, curve=curve) == 1
    waiting.angle[1] = 0.101
    assert waiting.choose(arm.SHORTEST_ACCESS, turns_per_s=10.0, curve=curve) == 0


def test_shortest_access_takes_the_farther_piece_from_its_edge_on() -> None:
    # 1 ms below half the stroke, 5 ms from there on; at 5 ms angle 0.05 is under the head, 0.02 has passed.
    curve = seek.SeekCurve(np.array([0.5, 1.0]), np.array([1e-3, 5e-3]), np.zeros(2), np.zeros(2))
    waiting = Waiting([0.5, 0.75], angle=[0.02, 0.06])
    assert waiting.choose(arm.SHORTEST_ACCESS, turns_per_s=10.0, curve=curve) == 1
    waiting.target[0] = 0.499
    assert waiting.choose(arm.SHORTEST_ACCESS, turns_per_s=10.0, curve=curve) == 0


def test_a_continuation_does_not_overtake_an_earlier_one_under_the_head() -> None:
    waiting = Waiting([0.5, 0.5], angle=[0.0, 0.3], start=[7.0, 4096.0])
    assert waiting.choose(arm.SHORTEST_ACCESS, head=0.5, end=4096.0) == 0
    waiting.angle[0] = 0.1
    assert waiting.choose(arm.SHORTEST_ACCESS, head=0.5, end=4096.0) == 1


def test_elevator_returns_to_the_outermost_when_nothing_lies_ahead() -> None:
    waiting = Waiting([0.4, 0.1, 0.3])
    assert waiting.choose(arm.ELEVATOR, head=0.5) == 1
    assert waiting.choose(arm.ELEVATOR, head=0.4) == 0  # at the head counts as ahead


@pytest.mark.parametrize("rule", RULES)
def test_ties_go_to_the_earlier_arrival(rule: int) -> None:
    assert Waiting([0.6, 0.6, 0.6], order=[2, 0, 1]).choose(rule, head=0.5) == 2
    assert Waiting([0.1, 0.1, 0.1], order=[1, 2, 0]).choose(rule, head=0.5) == 1


@pytest.mark.parametrize("rule", RULES)
def test_the_oldest_goes_when_it_has_waited_beyond_the_limit_and_not_before(rule: int) -> None:
    # The last to come is right under the head; the first is far and behind.
    waiting = Waiting([0.1, 0.9, 0.5], angle=[0.5, 0.5, 0.0], arrived_s=[1.0, 1.5, 2.5])
    expected = 0 if rule == arm.ARRIVAL_ORDER else 2
    assert waiting.choose(rule, head=0.5, now_s=3.0, age_limit_s=2.0) == expected  # exactly the limit
    assert waiting.choose(rule, head=0.5, now_s=3.25, age_limit_s=2.0) == 0


@pytest.mark.parametrize("rule", [arm.ELEVATOR, arm.SHORTEST_SEEK, arm.SHORTEST_ACCESS])
def test_a_continuation_is_at_distance_zero_although_its_turn_begins_elsewhere(rule: int) -> None:
    # Slot 2 starts where the last request ended; apart, its sector would pass before the arm is there.
    waiting = Waiting([0.505, 0.506, 0.49], angle=[0.5, 0.5, 0.1], start=[7.0, 8.0, 4096.0])
    assert waiting.choose(rule, head=0.5, end=4096.0) == 2
    assert waiting.choose(rule, head=0.5, end=4097.0) != 2


def test_a_continuation_that_came_too_late_saves_the_seek_but_not_the_rotation() -> None:
    waiting = Waiting([0.5, 0.52], angle=[0.99, 0.4], start=[4096.0, 7.0])
    assert waiting.choose(arm.SHORTEST_ACCESS, head=0.5, end=4096.0) == 0
    assert waiting.choose(arm.SHORTEST_ACCESS, head=0.5, end=4096.0, at_service_end=False) == 1
    assert waiting.choose(arm.SHORTEST_SEEK, head=0.5, end=4096.0, at_service_end=False) == 0
    waiting.angle[0] = 0.0  # under the head this very instant: missed, a whole turn
    assert waiting.choose(arm.SHORTEST_ACCESS, head=0.5, end=4096.0, at_service_end=False) == 1


def test_shortest_access_serves_a_full_queue_much_faster_than_arrival_order() -> None:
    """Direction as published (Seltzer, Chen and Ousterhout 1990, from memory: up to four times)."""
    curve, turns_per_s, depth, requests = lists(DATASHEET), 120.0, 32, 3000
    rate_per_s = {}
    for rule in RULES:
        rng = np.random.default_rng(47)
        target, angle = rng.random((2, depth + requests)).tolist()
        waiting = Waiting(target, angle=angle, order=list(range(depth)))
        now_s, head = 0.0, 0.5
        for following in range(depth, depth + requests):
            slot = waiting.choose(rule, head=head, now_s=now_s)
            now_s += arm.positioning_s(
                now_s, head, target[slot], angle[slot], 0.0, arm.APART, turns_per_s, 0.0, *curve
            )
            head = target[slot]
            waiting.order.remove(slot)
            waiting.order.append(following)
        rate_per_s[rule] = requests / now_s
    in_order = rate_per_s[arm.ARRIVAL_ORDER]
    assert in_order == pytest.approx(1 / (8.5e-3 + 0.5 / 120), rel=0.02)  # no choice, so the plain sum
    assert 1.5 * in_order < rate_per_s[arm.ELEVATOR] < rate_per_s[arm.SHORTEST_ACCESS]
    assert rate_per_s[arm.SHORTEST_SEEK] < rate_per_s[arm.SHORTEST_ACCESS]
    assert 2.2 * in_order < rate_per_s[arm.SHORTEST_ACCESS] < 4 * in_order


# The choice among the waiting: any queue


def oracle(rule: int, q: "Queue") -> int:
    """The rules as sentences: sort by what the rule wants least, then by arrival."""
    if q.now_s - q.arrived_s[q.order[0]] > q.age_limit_s:
        return 0

    def distance(slot: int) -> float:
        return 0.0 if q.start[slot] == q.end else abs(q.target[slot] - q.head)

    def sweep(slot: int) -> tuple[bool, float]:
        at = q.head if q.start[slot] == q.end else q.target[slot]
        return at < q.head, at

    def access(slot: int) -> float:
        late_or_not = arm.CONTINUES if q.at_service_end else arm.CONTINUES_LATE
        relation = late_or_not if q.start[slot] == q.end else arm.APART
        return arm.positioning_s(
            q.now_s, q.head, q.target[slot], q.angle[slot], q.settle_s[slot], relation, *q.drive
        )

    wanted: dict[int, Callable[[int], Any]] = {
        arm.ARRIVAL_ORDER: lambda _: 0,
        arm.ELEVATOR: sweep,
        arm.SHORTEST_SEEK: distance,
        arm.SHORTEST_ACCESS: access,
    }
    key = wanted[rule]
    return min(range(len(q.order)), key=lambda place: (key(q.order[place]), place))


@dataclass
class Queue:
    now_s: float
    order: list[int]
    arrived_s: list[float]
    start: list[float]
    target: list[float]
    angle: list[float]
    settle_s: list[float]
    head: float
    end: float
    at_service_end: bool
    age_limit_s: float
    drive: tuple[Any, ...]

    def choose(self, rule: int, function: Callable[..., int] = arm.choose) -> int:
        convert = (lambda v: v) if function is arm.choose else np.array
        return function(
            rule,
            self.now_s,
            len(self.order),
            convert(self.order),
            *(convert(v) for v in (self.arrived_s, self.start, self.target, self.angle, self.settle_s)),
            self.head,
            self.end,
            self.at_service_end,
            self.age_limit_s,
            *self.drive[:2],
            *(convert(v) for v in self.drive[2:]),
        )


def random_queue(rng: np.random.Generator, coarse: bool) -> Queue:
    """A queue of 1 to 40 in 40 slots; coarse ones lie on a grid, so that ties and continuations abound."""
    n = int(rng.integers(1, 41))
    columns = rng.random((3, 40))
    if coarse:
        columns = np.floor(columns * 32) / 32
    curves = [DATASHEET, NO_SEEK, seek.pair_curve([0.1, 0.4, 1.0], [1e-3, 3e-3, 4e-3])]
    steps = np.array([0.25, 0.5, 1.0])  # jumps where coarse distances fall
    curves.append(seek.SeekCurve(steps, 10e-3 * steps, 0 * steps, 0 * steps))
    now_s = float(rng.choice([0.0, 2.0, 1e3 * rng.random()]))
    return Queue(
        now_s=now_s,
        order=rng.permutation(40)[:n].tolist(),
        arrived_s=(now_s - rng.random(40)).tolist(),
        start=rng.integers(0, 40 if coarse else 10**9, 40).astype(float).tolist(),
        target=columns[0].tolist(),
        angle=columns[1].tolist(),
        settle_s=(1e-3 * rng.integers(0, 2, 40)).tolist(),
        head=float(columns[2, 0]),
        end=float(rng.integers(-1, 12)),
        at_service_end=bool(rng.integers(0, 2)),
        age_limit_s=float(rng.choice([0.9, 2.0])),
        drive=(float(rng.choice([90.0, 120.0])), float(columns[2, 1]), *lists(curves[rng.integers(4)])),
    )


@pytest.mark.parametrize("rule", RULES)
@given(seed=st.integers(0, 2**32), coarse=st.booleans())
def test_choose_agrees_with_the_rule_as_a_sentence(rule: int, seed: int, coarse: bool) -> None:
    queue = random_queue(np.random.default_rng(seed), coarse)
    assert queue.choose(rule) == oracle(rule, queue)


def test_random_queues_contain_the_cases_that_matter() -> None:
    queues = [random_queue(np.random.default_rng(seed), True) for seed in range(300)]
    continuing = [q for q in queues if any(q.start[slot] == q.end for slot in q.order)]
    aged = [q for q in queues if q.now_s - q.arrived_s[q.order[0]] > q.age_limit_s]
    picks = {rule: [q.choose(rule) for q in queues] for rule in RULES}
    assert 80 < len(continuing) < 220
    assert len(aged) > 10
    for one in RULES:
        for other in RULES:
            if one != other:
                assert sum(p != r for p, r in zip(picks[one], picks[other], strict=True)) > 30


# Compiled


def test_compiled_the_arm_gives_the_same_bits() -> None:
    numba = pytest.importorskip("numba", reason="numba (extra 'fast') is not installed")
    choose, positioning_s = numba.njit(arm.choose), numba.njit(arm.positioning_s)
    seek_s = numba.njit(seek.seek_s)
    rng = np.random.default_rng(53)
    for i in range(1000):
        q = random_queue(rng, coarse=i % 2 == 0)
        for rule in RULES:
            assert q.choose(rule, choose) == q.choose(rule)
        slot = q.order[0]
        turns_per_s, phase, *curve = q.drive
        arrays = [np.array(column) for column in curve]
        for relation in (arm.APART, arm.CONTINUES, arm.CONTINUES_LATE):
            arguments = (
                q.now_s, q.head, q.target[slot], q.angle[slot], q.settle_s[slot], relation, turns_per_s, phase
            )  # fmt: skip
            interpreted = arm.positioning_s(*arguments, *curve)
            assert positioning_s(*arguments, *arrays).hex() == interpreted.hex()
        share = abs(q.target[slot] - q.head)
        assert seek_s(share, *arrays).hex() == seek.seek_s(share, *curve).hex()
