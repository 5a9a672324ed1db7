"""Which waiting request does the arm of a spinning drive serve next, and how long until its data pass?

Every engine uses these very functions: as they stand in the interpreter, or wrapped by a compiler. They are
therefore closed (they call none of ours), take scalars and indexable columns (lists are fastest interpreted,
float64 arrays compiled), and decide times with ``+ - * / sqrt floor`` and comparisons alone, in one written
order. The seek time inside them is `seek.seek_s`, written out because a call a candidate would double the
cost of a choice.

Positions are shares of the stroke from the outer edge, angles are shares of a turn, `turns_per_s` is the
rotation and `phase` (0 .. 1) the drive's angle at time 0: at time t the angle under the head is
frac(t·turns_per_s + phase). `edges, a, b, c` are the columns of a `seek.SeekCurve`.
"""

from collections.abc import Sequence
from math import floor, inf, sqrt
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = Sequence[float] | NDArray[np.float64]
Ints: TypeAlias = Sequence[int] | NDArray[np.int64]

ARRIVAL_ORDER = 0
ELEVATOR = 1
SHORTEST_SEEK = 2
SHORTEST_ACCESS = 3
"""Scheduling rules, as `choose` takes them."""

RULES: dict[str, int] = {
    "arrival order": ARRIVAL_ORDER,
    "elevator": ELEVATOR,
    "shortest seek first": SHORTEST_SEEK,
    "shortest access first": SHORTEST_ACCESS,
}
"""The rules by the names that scenarios use."""

APART = 0
CONTINUES = 1
CONTINUES_LATE = 2
"""Relation of a request to the one before it: elsewhere; next by address and already waiting when that one
ended; next by address but arrived after that."""

NOWHERE = -1.0
"""Address that no request starts at: what an arm that has served none ended at."""

MISSED_TURNS = 1e-6
"""A late continuation whose sector is within this share of a turn ahead of the head has missed it: the head
is at the sector's edge at the very instant the last transfer ended, and rounding must not turn the whole
turn that follows into none."""


def positioning_s(
    now_s: float,
    head: float,
    target: float,
    angle: float,
    settle_s: float,
    continues: int,
    turns_per_s: float,
    phase: float,
    edges: Floats,
    a: Floats,
    b: Floats,
    c: Floats,
) -> float:
    """Seconds from `now_s` until the sector at (`target`, `angle`) comes under a head that stands at `head`.

    Seek (none over distance 0), then `settle_s`, then the rest of the turn until the angle comes round, in
    [0, 1/turns_per_s) (Stallings, "Computer Organization and Architecture", access time = seek + rotation +
    transfer). `continues` is APART; CONTINUES, which needs no time at all; or CONTINUES_LATE, where the arm
    stands right, so neither seeks nor settles, but the sector has passed and has to come round. False and
    True serve as APART and CONTINUES.
    """
    if continues == CONTINUES:
        return 0.0
    move = 0.0
    if continues == APART:
        share = abs(target - head)
        if share != 0.0:
            last = len(edges) - 1
            i = 0
            while i < last and share >= edges[i]:
                i += 1
            move = a[i] + b[i] * sqrt(share) + c[i] * share
        move = move + settle_s
    turns = angle - ((now_s + move) * turns_per_s + phase)
    turns = turns - floor(turns)
    if turns >= 1.0:  # a negative whisker plus 1 rounds to 1: the sector is under the head
        turns = 0.0
    if continues == CONTINUES_LATE and turns < MISSED_TURNS:
        turns = turns + 1.0
    return move + turns / turns_per_s


def choose(
    rule: int,
    now_s: float,
    n: int,
    order: Ints,
    arrived_s: Floats,
    start: Floats,
    target: Floats,
    angle: Floats,
    settle_s: Floats,
    head: float,
    end: float,
    at_service_end: bool,
    age_limit_s: float,
    turns_per_s: float,
    phase: float,
    edges: Floats,
    a: Floats,
    b: Floats,
    c: Floats,
) -> int:
    """Place in `order` (0 .. n − 1) of the request that the arm serves next among n >= 1 waiting.

    `order[0:n]` holds the slots of the waiting requests in order of arrival; the columns `arrived_s`, `start`
    (address), `target` (stroke share), `angle` and `settle_s` are indexed by slot. The arm stands at `head`,
    and its last request ended at the address `end` (NOWHERE if there was none). A request that starts
    at `end` is at distance 0 under every rule; with `at_service_end` it waited when that one ended, so its
    positioning is 0 too, otherwise its sector has to come round (CONTINUES_LATE).

    Before any rule, the oldest goes if it has waited more than `age_limit_s`. ARRIVAL_ORDER takes the
    oldest; ELEVATOR sweeps inward only: the least target at or beyond the head, else the least of all;
    SHORTEST_SEEK takes the least distance; SHORTEST_ACCESS the least `positioning_s`. Ties go to the earlier
    arrival. (Denning, "Effects of scheduling on file memory operations", AFIPS SJCC 1967; Seltzer, Chen and
    Ousterhout, "Disk scheduling revisited", USENIX Winter 1990.)
    """
    if n == 1 or rule == ARRIVAL_ORDER or now_s - arrived_s[order[0]] > age_limit_s:
        return 0
    best = 0
    least = inf

    if rule == SHORTEST_ACCESS:
        last = len(edges) - 1
        for k in range(n):
            slot = order[k]
            late = False
            if start[slot] == end:
                if at_service_end:
                    if least > 0.0:
                        best = k
                    return best
                late = True
                move = 0.0
            else:
                move = settle_s[slot]
                share = abs(target[slot] - head)
                if share != 0.0:
                    i = 0
                    while i < last and share >= edges[i]:
                        i += 1
                    move = a[i] + b[i] * sqrt(share) + c[i] * share + move
                if move >= least:  # whatever the rotation adds
                    continue
            turns = angle[slot] - ((now_s + move) * turns_per_s + phase)
            turns = turns - floor(turns)
            if turns >= 1.0:
                turns = 0.0
            if late and turns < MISSED_TURNS:
                turns = turns + 1.0
            access = move + turns / turns_per_s
            if access < least:
                least = access
                best = k
        return best

    if rule == SHORTEST_SEEK:
        for k in range(n):
            slot = order[k]
            distance = 0.0 if start[slot] == end else abs(target[slot] - head)
            if distance < least:
                least = distance
                best = k
        return best

    ahead = False
    for k in range(n):
        slot = order[k]
        at = head if start[slot] == end else target[slot]
        if at >= head:
            if not ahead or at < least:
                ahead = True
                least = at
                best = k
        elif not ahead and at < least:
            least = at
            best = k
    return best
