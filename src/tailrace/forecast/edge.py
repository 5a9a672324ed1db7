"""At which value of a key does the closed form say that the server saturates?"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

from tailrace.errors import ScenarioError, SettingError
from tailrace.forecast.saturation import Load, offered_load
from tailrace.scenario.reading.keys import Shape
from tailrace.scenario.reading.variant import Variants, written_value
from tailrace.scenario.tables.scenario import Scenario

LARGEST_FACTOR = 2.0**40
"""How far from the scenario's value an edge is looked for."""

CLOSE = 1e-6
"""Relative width to which an edge is found."""

LESS_IS_WORSE_THAN_TIME = ("think_time", "flush_after", "age_limit")
MORE_IS_WORSE = (
    "failed",
    "slow_drives",
    "slow_factor",
    "rebuild_rate",
    "write_amplification",
    "variability",
    "frame_overhead",
    "message_payload",
    "copies",
)

Measure = Callable[[Load], float]
"""Share of what can be carried that a load asks for: 1 at the edge."""


def more_is_worse(variants: Variants, key: str) -> bool:
    """Whether a server has the harder time the larger the value of a key: load and service times, not resources."""
    name = key.rpartition(".")[2]
    if key.startswith("server"):
        is_time = variants.shape(key).quantity == "time" and name not in LESS_IS_WORSE_THAN_TIME
        return is_time or name in MORE_IS_WORSE
    return name not in LESS_IS_WORSE_THAN_TIME and name != "limit"


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
    variants: Variants, key: str, measure: Measure = whole_share, seed: int | None = None
) -> float | None:
    """The value of a key at which the share is 1, by closed form alone; None where no value saturates anything.

    Raises SettingError if the key holds no number.
    """
    start = number_at(variants, key)
    seed = (variants.scenario.run.seed or 0) if seed is None else seed
    if _is_proportional(variants.scenario, key):
        share = measure(offered_load(variants.scenario, seed))
        return None if share <= 0 else start / share
    worse = more_is_worse(variants, key)
    shape = variants.shape(key)

    def share_at(value: float) -> float | None:
        scenario = scenario_at(variants, key, value, shape)
        return None if scenario is None else measure(offered_load(scenario, seed))

    return _crossing(share_at, start, worse, takes_whole(variants, key))


def number_at(variants: Variants, key: str) -> float:
    """The number that a scenario has at a key, in SI. Raises SettingError if there is none."""
    value = variants.value(key)
    if isinstance(value, bool) or not isinstance(value, int | float):
        shown = "not set" if value is None else repr(value)
        raise SettingError(
            f"{key} is {shown}; accepted: a key that the scenario sets to a number or a quantity"
        )
    return value


def takes_whole(variants: Variants, key: str) -> bool:
    """Whether a key counts things, so that only whole numbers are accepted."""
    shape = variants.shape(key)
    return shape.type is int or (
        not shape.quantity and type(variants.value(key)) is int and shape.type is not float
    )


def scenario_at(variants: Variants, key: str, value: float, shape: Shape) -> Scenario | None:
    """The scenario with another value at a key; None if the value is not accepted there."""
    is_whole = takes_whole(variants, key) or shape.quantity == "size"
    try:
        return variants.with_keys([f"{key}={written_value(round(value) if is_whole else value, shape)}"])
    except ScenarioError:
        return None


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
