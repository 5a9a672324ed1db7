"""What requests before the first have left in the buffers, step by step."""

import numpy as np

from plans import Path, detach, give, rows, split, take, take_ranked, visit
from tailrace.plan.columns import Steps
from tailrace.plan.filled import Filling, put_before

HOST, BUFFER, DIE = range(3)

COPY = [take_ranked(DIE, 2), visit(HOST, 4.0), give(DIE)]
BEHIND = [take_ranked(DIE, 2), visit(HOST, 3.0), give(DIE), give(BUFFER, 2), detach(COPY)]
WRITE = [visit(HOST, 1.0), split([take(BUFFER, 3), visit(HOST, 2.0), give(BUFFER), detach(BEHIND)])]
LEFT = [take(BUFFER, 3), give(BUFFER), detach(BEHIND)]


def steps_of(path: Path) -> Steps:
    """The steps of a path without its end."""
    steps = rows([0.0], [path]).steps
    return steps.at(np.arange(steps.op.size - 1))


def listed(steps: Steps) -> list[tuple[int, int, float]]:
    return list(zip(steps.op.tolist(), steps.arg.tolist(), steps.work.tolist(), strict=True))


def test_writes_leave_takes_and_ways_behind_as_far_as_there_is_room() -> None:
    # Each takes 3 and keeps 2: with room for 5 the second just fits, and the third does not.
    for room, count in ((2.0, 0), (3.0, 1), (4.0, 1), (5.0, 2), (9.0, 4)):
        found = Filling(np.array([0.0, room, 0.0]), 4).steps(rows(np.zeros(4), [WRITE] * 4))
        assert listed(found) == listed(steps_of(LEFT * count)), room


def test_the_first_row_meets_what_was_there_before_and_others_begin_where_they_did() -> None:
    chunk = rows([1.0, 2.0], [WRITE, [visit(HOST, 7.0)]])
    both = put_before(steps_of(LEFT), chunk)
    assert listed(both.steps) == listed(rows([1.0, 2.0], [[*LEFT, *WRITE], [visit(HOST, 7.0)]]).steps)
    assert both.first.tolist() == rows([1.0, 2.0], [[*LEFT, *WRITE], [visit(HOST, 7.0)]]).first.tolist()
    assert chunk.first[1] < both.first[1]
