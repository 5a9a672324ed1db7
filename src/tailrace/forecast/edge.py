"""At which value of a key does the closed form say that the server saturates?"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import partial

from tailrace.forecast.saturation import Load, offered_load
from tailrace.scenario.reading.dial import Dial
from tailrace.scenario.tables.scenario import Scenario

LARGEST_FACTOR = 2.0**40
"""How far from the scenario's value an edge is looked for."""

CLOSE = 1e-6
"""Relative width to which an edge is found."""

Measure = Callable[[Load], float]
"""Share of what can be carried that a load asks for: 1 at the edge."""


def whole_share(load: Load) -> float:
    """Share of the largest load that the whole server can carry."""
    binding = load.binding
    return 0.0 if binding is None else 1.0 / binding.load_factor


def drives_share(load: Load) -> float:
    """Share of the largest load that the drives alone can carry."""
    shares = [
        float(share)
        for bank, share in zip(load.banks, load.share, strict=True)
        if bank.stage.name == "MEDIA" and not math.isnan(share)
    ]
    return max(shares, default=0.0)


def saturating_value(
    dial: Dial,
    measure: Measure = whole_share,
    seed: int | None = None,
    load_of: Callable[[Scenario], Load] | None = None,
) -> float | None:
    """The value of a key at which the share is 1, by closed form alone; None where no value saturates anything.

    ``load_of`` gives the load of a scenario, where one is kept that was found before.
    Raises SettingError if the key holds no number.
    """
    scenario = dial.variants.scenario
    known = load_of or partial(offered_load, seed=(scenario.run.seed or 0) if seed is None else seed)
    if _is_proportional(scenario, dial.key):
        share = measure(known(scenario))
        return None if share <= 0 else dial.number / share

    def share_at(value: float) -> float | None:
        turned = dial.at(value)
        return None if turned is None else measure(known(turned))

    return _crossing(share_at, dial.number, dial.worse_upwards, dial.is_whole)


def _is_proportional(scenario: Scenario, key: str) -> bool:
    """Whether the whole open load is proportional to the key."""
    if key == "load":
        return True
    alone = [each for each in scenario.workload if each.is_open]
    names = ("rate", "clients")
    return len(alone) == 1 and key in {f"workload.{alone[0].name}.{name}" for name in names}


def _crossing(
    share_at: Callable[[float], float | None], start: float, more_is_worse: bool, is_whole: bool
) -> float | None:
    """Where a share that rises towards the worse side passes 1."""
    at_start = share_at(start)
    if at_start is None:
        return None
    is_over = at_start >= 1
    towards_worse = not is_over
    inside, outside = start, None
    for value in _walk(start, more_is_worse == towards_worse, is_whole):
        share = share_at(value)
        if share is None:
            break
        if (share >= 1) != is_over:
            outside = value
            break
        inside = value
    if outside is None:
        return None
    under, over = (outside, inside) if is_over else (inside, outside)
    while abs(over - under) > (1 if is_whole else CLOSE * abs(over)):
        middle = (under + over) / 2
        if is_whole:
            middle = math.floor(middle)
        share = share_at(middle)
        if share is None:
            break
        under, over = (under, middle) if share >= 1 else (middle, over)
    return over


def _walk(start: float, up: bool, is_whole: bool) -> Iterator[float]:
    factor = 2.0
    value, size = start, max(abs(start), 1.0 if is_whole else 0.0)
    while abs(start) / LARGEST_FACTOR <= abs(value) <= size * LARGEST_FACTOR:
        following = value * factor if up else value / factor
        if is_whole:
            following = max(math.ceil(following), value + 1) if up else math.floor(following)
            if following < 1:
                return
        value = following
        yield value
