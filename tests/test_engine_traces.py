"""Small plans traced by hand: the whole log of every discipline and every kind of step, on both engines.

All times are binary fractions, so what is traced on paper must come out to the last bit.
"""

from collections.abc import Sequence

import numpy as np
import pytest

from plans import (
    arm,
    choose,
    detach,
    give,
    plan,
    quorum,
    rows,
    split,
    station,
    stations,
    take,
    take_ranked,
    visit,
)
from tailrace.engine.choice import runner
from tailrace.engine.observations import Observations
from tailrace.physics.arm import ARRIVAL_ORDER, ELEVATOR, SHORTEST_ACCESS, SHORTEST_SEEK
from tailrace.physics.read_ahead import A_WRITE
from tailrace.plan.build import Plan
from tailrace.plan.columns import Stage
from through import ENGINES, Engine

pytestmark = pytest.mark.parametrize("engine", ENGINES)

Log = Sequence[tuple[float, float, float, float]]
"""Arrival, completion, all waiting and all service of each request, in order of arrival."""


def run(engine: Engine, small: Plan, requests: int) -> Observations:
    return runner(engine)(small, requests)


def log(observed: Observations) -> list[tuple[float, ...]]:
    columns = (
        observed.arrival_s,
        observed.completion_s,
        observed.wait_s.sum(axis=1),
        observed.service_s.sum(axis=1),
    )
    return [tuple(row) for row in np.array(columns).T.tolist()]


def check(engine: Engine, small: Plan, expected: Log) -> None:
    assert log(run(engine, small, len(expected))) == list(expected)


def test_one_server_takes_requests_in_order_of_arrival(engine: Engine) -> None:
    # 1-4 | arrived 2, waits to 4, -5 | arrived 2 behind it, waits to 5, -7
    small = plan(stations(station("fcfs")), rows([1, 1, 0], [[visit(0, 3)], [visit(0, 1)], [visit(0, 2)]]))
    check(engine, small, [(1, 4, 0, 3), (2, 5, 2, 1), (2, 7, 3, 2)])


def test_two_servers_take_whoever_is_next(engine: Engine) -> None:
    # 1-5 on the one, 1-3 on the other, which is free first: the third waits from 2 to 3
    small = plan(
        stations(station("fcfs", servers=2)), rows([1, 0, 1], [[visit(0, 4)], [visit(0, 2)], [visit(0, 1)]])
    )
    check(engine, small, [(1, 5, 0, 4), (1, 3, 0, 2), (2, 4, 1, 1)])


def test_the_lower_rank_goes_first_but_never_interrupts(engine: Engine) -> None:
    # class 0 has rank 1, class 1 rank 0. The server is busy to 5; the request of class 1 has arrived last.
    listed = rows([1, 1, 1], [[visit(0, 4)], [visit(0, 1)], [visit(0, 1)]], class_index=[0, 0, 1])
    small = plan(stations(station("fcfs")), listed, classes=("manifests", "seats"), priorities=(1, 0))
    check(engine, small, [(1, 5, 0, 4), (2, 7, 4, 1), (3, 6, 2, 1)])


def test_two_that_share_a_processor_are_served_at_half_rate(engine: Engine) -> None:
    # From 1 to 2 the first has it alone and 2 s of its 3 are left. Then both at 1/2: the second has its 1 s at 4, and
    # the last second of the first takes from 4 to 5.
    small = plan(stations(station("ps")), rows([1, 1], [[visit(0, 3)], [visit(0, 1)]]))
    check(engine, small, [(1, 5, 1, 3), (2, 4, 1, 1)])


def test_three_on_two_shared_processors_get_two_thirds_each(engine: Engine) -> None:
    # 2 s at 2/3 of the rate take 3; they leave one by one at the same instant
    small = plan(stations(station("ps", servers=2)), rows([1, 0, 0], [[visit(0, 2)]] * 3))
    check(engine, small, [(1, 4, 1, 2)] * 3)


def test_two_on_two_shared_processors_do_not_disturb_each_other(engine: Engine) -> None:
    small = plan(stations(station("ps", servers=2)), rows([1, 1], [[visit(0, 4)], [visit(0, 1)]]))
    check(engine, small, [(1, 5, 0, 4), (2, 3, 0, 1)])


def test_a_delay_serves_all_at_once(engine: Engine) -> None:
    small = plan(stations(station("delay")), rows([1, 1], [[visit(0, 5)], [visit(0, 1)]]))
    check(engine, small, [(1, 6, 0, 5), (2, 3, 0, 1)])


# A turn takes 1 s, a transfer too, and a seek 4 s over the whole stroke. The first request arrives at 1 and seeks from
# the edge to 0.5 until 3, when its angle 0 is under the head; it ends at 4. By then three wait:
#   A arrived 2.00 target 0.4375 angle 0.125: seek 0.25 to 4.25, turn 0.875, in all 1.125
#   B arrived 2.25 target 0.75   angle 0    : seek 1.00 to 5.00, turn 0,     in all 1.0
#   C arrived 2.50 target 0.625  angle 0.25 : seek 0.50 to 4.50, turn 0.75,  in all 1.25
ARM_ROWS = rows(
    [1, 1, 0.25, 0.25],
    [
        [visit(0, 1, (0.5, 0.0, 0.0, 0, 1))],
        [visit(0, 1, (0.4375, 0.125, 0.0, 10, 11))],
        [visit(0, 1, (0.75, 0.0, 0.0, 20, 21))],
        [visit(0, 1, (0.625, 0.25, 0.0, 30, 31))],
    ],
)
FIRST = (1, 4, 0, 3)


@pytest.mark.parametrize(
    ("rule", "expected"),
    [
        # A to 6.125. B: seek 0.3125 to 7.375, turn 0.625, ends 9. C: seek 0.125 to 9.5, turn 0.75, ends 11.25.
        (ARRIVAL_ORDER, [FIRST, (2, 6.125, 2, 2.125), (2.25, 9, 3.875, 2.875), (2.5, 11.25, 6.5, 2.25)]),
        # C, the nearest inward, to 6.25. B: seek 0.125 to 6.75, turn 0.25, ends 8. Back to A: seek 0.3125 to 9.25,
        # turn 0.875, ends 11.125.
        (ELEVATOR, [FIRST, (2, 11.125, 6, 3.125), (2.25, 8, 4, 1.75), (2.5, 6.25, 1.5, 2.25)]),
        # A, the nearest, to 6.125. C at 0.1875: to 6.875, turn 0.375, ends 8.25. B: seek to 8.75, turn 0.25, ends 10.
        (SHORTEST_SEEK, [FIRST, (2, 6.125, 2, 2.125), (2.25, 10, 6, 1.75), (2.5, 8.25, 3.625, 2.125)]),
        # B to 6. Then C: seek to 6.5, turn 0.75, 1.25 in all, against 2.125 for A: ends 8.25. A: seek to 9, turn 0.125,
        # ends 10.125.
        (SHORTEST_ACCESS, [FIRST, (2, 10.125, 6.25, 1.875), (2.25, 6, 1.75, 2), (2.5, 8.25, 3.5, 2.25)]),
    ],
)
def test_the_arm_picks_by_its_rule(engine: Engine, rule: int, expected: Log) -> None:
    one = stations(station("arm", of_arm=arm(rule, seek_s=(0.0, 0.0, 4.0))))
    check(engine, plan(one, ARM_ROWS), expected)


def test_the_age_limit_comes_before_the_rule(engine: Engine) -> None:
    # By shortest access B would go first, but A has waited for 2 s at 4. Then, at 6.125, B has waited longest.
    one = stations(station("arm", of_arm=arm(SHORTEST_ACCESS, age_limit_s=1.5, seek_s=(0.0, 0.0, 4.0))))
    check(
        engine,
        plan(one, ARM_ROWS),
        [FIRST, (2, 6.125, 2, 2.125), (2.25, 9, 3.875, 2.875), (2.5, 11.25, 6.5, 2.25)],
    )


def test_what_continues_by_address_needs_no_positioning_if_it_was_waiting_and_a_turn_if_not(
    engine: Engine,
) -> None:
    # The second waited when the first ended, at 1.5: it goes straight on, to 2. The third comes at 3 for the next
    # address: no seek, but its sector, at angle 0, has just passed at 3: a whole turn, and half a second of transfer.
    listed = rows(
        [1, 0, 2],
        [
            [visit(0, 0.5, (0.0, 0.0, 0.0, 0, 100))],
            [visit(0, 0.5, (0.0, 0.5, 0.0, 100, 200))],
            [visit(0, 0.5, (0.0, 0.0, 0.0, 200, 300))],
        ],
    )
    small = plan(stations(station("arm", of_arm=arm(SHORTEST_ACCESS))), listed)
    check(engine, small, [(1, 1.5, 0, 0.5), (1, 2, 0.5, 0.5), (3, 4.5, 0, 1.5)])


def test_settling_comes_between_seek_and_rotation(engine: Engine) -> None:
    # Seek 0.25 from 1, settle 0.25 to 1.5, and the angle 0.25 comes round at 2.25; half a second of transfer.
    listed = rows([1], [[visit(0, 0.5, (0.25, 0.25, 0.25, 0, 1))]])
    check(engine, plan(stations(station("arm")), listed), [(1, 2.75, 0, 1.75)])


# Reading on. A turn and a seek over the whole stroke take 1 s each; 100 bytes pass in half a second, half a turn.


def read(
    start: float, end: float, angle: float, target: float = 0.0, ahead: float = 100.0
) -> list[tuple[object, ...]]:
    return [visit(0, (end - start) / 200, (target, angle, 0.0, start, end, ahead))]


def test_what_the_arm_has_read_on_is_there_at_once_and_what_it_is_reading_costs_the_rest(
    engine: Engine,
) -> None:
    # 1: the first read, to 1.5; the arm reads on to byte 200 at 2.
    # 3: bytes 100-200 are there. The arm stands at byte 200, which passes at 3 and is missed; from 4 it reads on.
    # 4.25: of bytes 200-300 half are there, the rest takes until 4.5. Then it reads on.
    # 4.75: it is stopped at byte 350 for a read elsewhere: a seek to 5, no turn, transfer to 5.5.
    # 5.25: bytes 300-350 are there, though the arm is busy. Bytes 300-400 are not: after a wait to 5.5, a seek back to
    # 5.75 and three quarters of a turn to 6.5, they pass until 7.
    listed = rows(
        [1, 2, 1.25, 0.5, 0.5, 0],
        [
            read(0, 100, 0.0),
            read(100, 200, 0.5),
            read(200, 300, 0.0),
            read(1000, 1100, 0.0, target=0.25),
            read(300, 350, 0.5),
            read(300, 400, 0.5),
        ],
    )
    server = stations(station("arm", of_arm=arm(segments=16)))
    expected = [
        (1, 1.5, 0, 0.5),
        (3, 3, 0, 0),
        (4.25, 4.5, 0, 0.25),
        (4.75, 5.5, 0, 0.75),
        (5.25, 5.25, 0, 0),
        (5.25, 7, 0.25, 1.5),
    ]
    check(engine, plan(server, listed), expected)


def test_hits_are_no_busy_time_of_the_arm_but_reading_on_is(engine: Engine) -> None:
    # Served from 1 to 1.5, it reads on to its limit at 2; sent on by the hit at 3 it waits for its sector until 4.
    listed = rows([1, 2, 1], [read(0, 100, 0.0), read(100, 200, 0.5), []])
    marks = runner(engine)(plan(stations(station("arm", of_arm=arm(segments=1))), listed), 3, marks=2).marks
    assert marks.busy_s[:, 0].tolist() == [0, 0.5 + 0.5 + 1.0]
    assert marks.waiting_s[:, 0].tolist() == [0, 0]


def test_a_write_drops_what_is_held_of_its_bytes_when_it_is_served(engine: Engine) -> None:
    # At 3 the arm has read on to byte 200. The write of 100-150 comes round at 3.5 and ends at 3.75. Then bytes 0-100
    # are no longer there: at 4 their turn has just come round.
    listed = rows([1, 2, 1], [read(0, 100, 0.0), read(100, 150, 0.5, ahead=A_WRITE), read(0, 100, 0.0)])
    server = stations(station("arm", of_arm=arm(segments=16)))
    check(engine, plan(server, listed), [(1, 1.5, 0, 0.5), (3, 3.75, 0, 0.75), (4, 4.5, 0, 0.5)])


@pytest.mark.parametrize(("segments", "last"), [(2, (4, 4, 0, 0)), (1, (4, 5.5, 0, 1.5))])
def test_the_segment_used_longest_ago_makes_way(
    engine: Engine, segments: int, last: tuple[float, float, float, float]
) -> None:
    # Two streams: the other one is half the stroke away and comes round as the arm is there, at 2.5. Then bytes 0-100
    # are wanted again: with one segment they take half a second of seek and turn each, and of transfer.
    listed = rows([1, 1, 2], [read(0, 100, 0.0), read(1000, 1100, 0.5, target=0.5), read(0, 100, 0.0)])
    server = stations(station("arm", of_arm=arm(segments=segments)))
    check(engine, plan(server, listed), [(1, 1.5, 0, 0.5), (2, 3, 0, 1), last])


def test_a_read_that_comes_as_the_arm_begins_to_read_on_continues_without_a_turn(engine: Engine) -> None:
    # Arrived at 1.5, right after the first has ended (it is scheduled at 1.25, by the arrival of one that asks for
    # nothing): with reading on it needs its transfer only, otherwise a whole turn more.
    for ahead, end_s, service_s in ((100.0, 2, 0.5), (0.0, 3, 1.5)):
        listed = rows([1, 0.25, 0.25], [read(0, 100, 0.0, ahead=ahead), [], read(100, 200, 0.5, ahead=ahead)])
        server = stations(station("arm", of_arm=arm(segments=16)))
        check(
            engine, plan(server, listed), [(1, 1.5, 0, 0.5), (1.25, 1.25, 0, 0), (1.5, end_s, 0, service_s)]
        )


def test_an_idle_arm_turns_back_to_the_end_of_the_segment_that_was_hit(engine: Engine) -> None:
    # The first stream is left at 2, read on to byte 200, for another one half a stroke away, served itself from 2.5 to
    # 3 and read on to 3.5. The hit at 4 sends the arm back: a seek to 4.5, half a turn to 5, and from then on bytes 200
    # to 300. At 5.25 half of them are there; the other half take until 5.5.
    listed = rows(
        [1, 1, 2, 1.25],
        [
            read(0, 100, 0.0),
            read(1000, 1100, 0.5, target=0.5),
            read(100, 200, 0.5),
            read(200, 300, 0.0),
        ],
    )
    server = stations(station("arm", of_arm=arm(segments=16)))
    check(engine, plan(server, listed), [(1, 1.5, 0, 0.5), (2, 3, 0, 1), (4, 4, 0, 0), (5.25, 5.5, 0, 0.25)])


def test_nobody_overtakes_one_who_waits_for_more_permits(engine: Engine) -> None:
    # Two permits. The first holds both from 1 to 4. The second (1 permit) gets one at 4 and holds it to 5. The third
    # wants two and must wait to 5, and the fourth, who wants one, waits behind it although one was free at 4.
    def holding(permits: int, seconds: float) -> list[tuple[object, ...]]:
        return [take(0, permits), visit(1, seconds), give(0, permits)]

    listed = rows([1, 1, 1, 0.5], [holding(2, 3), holding(1, 1), holding(2, 1), holding(1, 1)])
    small = plan(stations(station("token", servers=2), station("delay")), listed)
    check(engine, small, [(1, 4, 0, 3), (2, 5, 2, 1), (3, 6, 2, 1), (3.5, 7, 2.5, 1)])


def by_rank(rank: int, seconds: float) -> list[tuple[object, ...]]:
    return [take_ranked(0, rank), visit(1, seconds), give(0)]


def plain(permits: int, seconds: float) -> list[tuple[object, ...]]:
    return [take(0, permits), visit(1, seconds), give(0, permits)]


# A permit held from 1 to 5; meanwhile five join: ranks 2 at 2, 1 at 2.5, none (which is 0) at 3, 1 at 3.5, 0 at 4.
RANKED_ROWS = rows(
    [1, 1, 0.5, 0.5, 0.5, 0.5],
    [by_rank(3, 4), by_rank(2, 1), by_rank(1, 1), plain(1, 1), by_rank(1, 1), by_rank(0, 1)],
)


def test_those_who_wait_in_a_ranked_pool_go_by_rank_and_then_in_order_of_joining(engine: Engine) -> None:
    # At 5 the take without rank, at 6 the other of rank 0, at 7 and 8 those of rank 1, at 9 the first that came.
    server = stations(station("token", ranked=True), station("delay"))
    expected = [(1, 5, 0, 4), (2, 10, 7, 1), (2.5, 8, 4.5, 1), (3, 6, 2, 1), (3.5, 9, 4.5, 1), (4, 7, 2, 1)]
    check(engine, plan(server, RANKED_ROWS), expected)


def test_ranks_count_for_nothing_in_a_pool_that_is_not_ranked(engine: Engine) -> None:
    server = stations(station("token"), station("delay"))
    expected = [(1, 5, 0, 4), (2, 6, 3, 1), (2.5, 7, 3.5, 1), (3, 8, 4, 1), (3.5, 9, 4.5, 1), (4, 10, 5, 1)]
    check(engine, plan(server, RANKED_ROWS), expected)


def test_in_a_ranked_pool_too_nobody_overtakes_one_of_the_same_rank_who_waits_for_more(
    engine: Engine,
) -> None:
    # Of two permits one is held to 4, the other to 6. Both are wanted from 2 on; the third, of rank 0 too, waits behind
    # that until 8, and so does the fourth, of rank 1, although one permit is free from 4 on; they get one each at 8.
    server = stations(station("token", servers=2, ranked=True), station("delay"))
    listed = rows(
        [1, 0, 1, 0.5, 2], [by_rank(0, 3), by_rank(0, 5), plain(2, 2), by_rank(0, 1), by_rank(1, 1)]
    )
    expected = [(1, 4, 0, 3), (1, 6, 0, 5), (2, 8, 4, 2), (2.5, 9, 5.5, 1), (4.5, 9, 3.5, 1)]
    check(engine, plan(server, listed), expected)


def test_a_take_of_rank_0_goes_before_one_of_higher_rank_and_then_has_the_permit_to_itself(
    engine: Engine,
) -> None:
    # What is under way is never interrupted: rank 1 holds the permit from 1 to 4 though rank 0 comes at 2. At 4 that
    # gets it, to 5; the second slice of the first, which asks again at 4 with rank 1, goes before the rank 2 of 1.5.
    server = stations(station("token", ranked=True), station("delay"))
    sliced = [*by_rank(2, 3), *by_rank(1, 2)]
    listed = rows([1, 0.5, 0.5], [sliced, by_rank(2, 1), by_rank(0, 1)])
    check(engine, plan(server, listed), [(1, 7, 1, 5), (1.5, 8, 5.5, 1), (2, 5, 2, 1)])


def test_a_split_goes_on_when_its_last_branch_has_ended_and_is_charged_for_that_one(engine: Engine) -> None:
    # One branch takes 2 s on the lane, the other 5 s at the media; then 1 s at the controller.
    server = stations(
        station("fcfs", stage=Stage.LANE),
        station("fcfs", stage=Stage.MEDIA),
        station("delay", stage=Stage.CONTROLLER),
    )
    listed = rows([1], [[split([visit(0, 2)], [visit(1, 5)]), visit(2, 1)]])
    observed = run(engine, plan(server, listed), 1)
    assert log(observed) == [(1, 7, 0, 6)]
    assert observed.service_s.tolist() == [[0, 1, 0, 5]]


def test_branches_queue_like_everybody_else(engine: Engine) -> None:
    # Three branches at one server: it is done at 1 + 3, and the last one has waited for 2 s.
    listed = rows([1], [[split(*[[visit(0, 1)]] * 3)]])
    check(engine, plan(stations(station("fcfs")), listed), [(1, 4, 2, 1)])


def test_splits_nest(engine: Engine) -> None:
    # The longer inner branch takes 3 s, 1 s follows: 4 s, against 2 s on the other side.
    inner = [split([visit(0, 1)], [visit(0, 3)]), visit(0, 1)]
    listed = rows([1], [[split(inner, [visit(0, 2)])]])
    check(engine, plan(stations(station("delay")), listed), [(1, 5, 0, 4)])


def test_a_detached_way_is_not_waited_for_but_others_wait_for_it(engine: Engine) -> None:
    # 1-2 at the first station, 2-3 there again; its detached way keeps the second one busy from 2 to 12.
    listed = rows([1, 1.5], [[visit(0, 1), detach([visit(1, 10)]), visit(0, 1)], [visit(1, 1)]])
    check(engine, plan(stations(station("fcfs"), station("fcfs")), listed), [(1, 3, 0, 2), (2.5, 13, 9.5, 1)])


def test_a_detached_way_gives_back_what_its_request_took(engine: Engine) -> None:
    # The request takes the only permit and is done at 1 + 1; the permit comes back at 2 + 4, for the second request.
    path = [take(0), visit(1, 1), detach([visit(1, 4), give(0)])]
    small = plan(stations(station("token"), station("delay")), rows([1, 1], [path, path]))
    check(engine, small, [(1, 2, 0, 1), (2, 7, 4, 1)])


def test_a_closed_client_thinks_before_each_issue_and_arrives_when_it_issues(engine: Engine) -> None:
    # thinks to 2, served to 5, thinks to 7, served to 10, thinks to 12 ...
    small = plan(stations(station("fcfs")), closed_rows=[rows([2], [[visit(0, 3)]])])
    check(engine, small, [(2, 5, 0, 3), (7, 10, 0, 3), (12, 15, 0, 3)])


def test_slots_of_one_source_take_its_rows_in_order_of_issue(engine: Engine) -> None:
    # Two slots, no thinking: rows of 1, 4, 2 and 3 s. The first slot does 1 s, then the third row (2 s) to 3, then the
    # fourth to 6; the second slot does the second row to 4.
    listed = rows([0, 0, 0, 0], [[visit(0, work)] for work in (1, 4, 2, 3)])
    small = plan(stations(station("delay")), closed_rows=[listed], slots=[(0, 0), (0, 1)])
    observed = run(engine, small, 4)
    assert log(observed) == [(0, 1, 0, 1), (0, 4, 0, 4), (1, 3, 0, 2), (3, 6, 0, 3)]
    assert observed.client.tolist() == [0, 1, 0, 0]


def test_work_of_no_length_takes_no_time_but_its_turn(engine: Engine) -> None:
    # The second has nothing to do, but waits for the server until 3; the third follows at the same instant.
    listed = rows([1, 1, 0], [[visit(0, 2)], [visit(0, 0)], [visit(0, 1)]])
    check(engine, plan(stations(station("fcfs")), listed), [(1, 3, 0, 2), (2, 3, 1, 0), (2, 4, 1, 1)])


def test_marks_show_what_is_under_way_and_the_integrals_of_busy_and_waiting(engine: Engine) -> None:
    # One server, three requests of 2 s at 1, 2 and 3. When the third arrives, at 3, the server has been busy from 1 to
    # 3, and one waited from 2 to 3; at that instant the second is under way, or about to be, and the third arrives.
    small = plan(stations(station("fcfs")), rows([1, 1, 1], [[visit(0, 2)]] * 3))
    marks = runner(engine)(small, 3, marks=2).marks
    assert marks.time_s.tolist() == [1, 3]
    assert marks.arrived.tolist() == [1, 3]
    assert marks.busy_s[:, 0].tolist() == [0, 2]
    assert marks.waiting_s[:, 0].tolist() == [0, 1]


def test_a_quorum_goes_on_when_enough_branches_have_ended_and_the_others_keep_their_stations(
    engine: Engine,
) -> None:
    # Of 4, 1 and 2 seconds the second to end does so at 2: on at station 3 from 3 to 4. The slow branch stays at
    # station 0 to 5, so the next request, from 2 on, waits there to 5, and has its two at 6: 5-6 beside 2-3, 3-5.
    branches = [[visit(0, 4)], [visit(1, 1)], [visit(2, 2)]]
    first = [quorum(2, *branches), visit(3, 1)]
    second = [quorum(3, [visit(0, 1)], [visit(1, 1)], [visit(2, 2)])]
    small = plan(stations(*[station("fcfs")] * 4), rows([1, 1], [first, second]))
    check(engine, small, [(1, 4, 0, 3), (2, 6, 3, 1)])


def test_what_a_quorum_does_not_wait_for_counts_as_detached(engine: Engine) -> None:
    listed = rows([1, 1.5, 2], [[quorum(1, [visit(0, 1)], [visit(0, 2)], [visit(0, 4)])], [], []])
    marks = runner(engine)(plan(stations(station("delay")), listed), 3, marks=3).marks
    assert marks.detached.tolist() == [0, 2, 1]  # at 1, at 2.5 and at 4.5 s: the branches end at 2, 3 and 5 s


def test_the_alternative_with_fewest_present_is_chosen_and_the_first_of_equals(engine: Engine) -> None:
    # Pools 2 and 3 say who is at stations 0 and 1. 1: none, so the first, 1-5. 2: one at 0, so station 1, 2-4.
    # 3: one each, so the first, and waits to 5, -6. 4: two at 0, none at 1, whose visitor has just gone: 4-6.
    def one_of(first_s: float, second_s: float) -> list[tuple[object, ...]]:
        alternatives = [
            (2 + place, [take(2 + place), visit(place, work), give(2 + place)])
            for place, work in enumerate((first_s, second_s))
        ]
        return [choose(*alternatives), visit(4, 1)]

    paths = [one_of(4, 8), one_of(8, 2), one_of(1, 8), one_of(8, 2)]
    server = stations(station("fcfs"), station("fcfs"), *[station("present", 9)] * 2, station("delay"))
    small = plan(server, rows([1, 1, 1, 1.5], paths))
    check(engine, small, [(1, 6, 0, 5), (2, 5, 0, 3), (3, 7, 2, 2), (4.5, 7.5, 0, 3)])
