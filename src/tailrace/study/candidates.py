"""Which designs are there to choose from? Every combination of values, what each costs, and which of two has more."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from tailrace.arrays import BoolArray
from tailrace.errors import ScenarioError, SettingError
from tailrace.forecast.edge import saturating_value
from tailrace.scenario.reading.conditions import states
from tailrace.scenario.reading.override import chooses_part
from tailrace.scenario.reading.variant import Variants
from tailrace.scenario.tables.cost import Cost, cost, height
from tailrace.scenario.tables.scenario import Scenario
from tailrace.study.least import Least
from tailrace.study.resources import resources
from tailrace.study.vary import Axis, Setting

MOST_CANDIDATES = 5_000
STRIPES = 1e-6
"""Share of a capacity that may be lacking because what is left of a drive is less than a stripe."""
NOT_SURELY = ("queue slots", "buffer")
"""Resources of which more need not help: they let more requests into a station, whoever waits there."""


@dataclass(frozen=True)
class Candidate:
    """One design: the name of its file, the settings over that, and what it takes; or the reason why there is none.

    ``least`` is the figure that shall be least, infinite where there is no such design.
    """

    name: str
    settings: tuple[Setting, ...]
    scenario: Scenario | None = None
    least: float = math.inf
    reason: str = ""

    @property
    def label(self) -> str:
        """What sets it apart, in words."""
        said = [f"{each.key} {each.text}" for each in self.settings]
        return ", ".join(([self.name] if self.name else []) + said)

    @property
    def brief(self) -> str:
        """The same by its values alone."""
        return ", ".join(([self.name] if self.name else []) + [each.text for each in self.settings])

    @property
    def cost(self) -> Cost | None:
        """Price and power."""
        return None if self.scenario is None else cost(self.scenario.server, self.scenario.cluster)

    @property
    def height(self) -> float | None:
        """Rack units."""
        return None if self.scenario is None else height(self.scenario.server, self.scenario.cluster)

    @property
    def capacity(self) -> int | None:
        """Bytes that its drives hold beside what redundancy takes."""
        if self.scenario is None:
            return None
        cluster, pools = self.scenario.cluster, self.scenario.server.pools
        held = [pool.usable_capacity for pool in pools]
        return sum(held if cluster is None else map(cluster.usable, held))


def candidates(
    designs: Mapping[str, Scenario],
    axes: Sequence[Axis],
    least: Least,
    capacity: int | None,
    seed: int | None,
) -> list[Candidate]:
    """Every combination, the least first; those that cannot be come last, with the reason.

    Raises:
        ScenarioError: a key or a part that there is not.
        SettingError: nothing varies, too much does, nothing is promised, or what shall be least is not known.
    """
    several = len(designs) > 1
    saturating = partial(saturating_value, seed=seed)
    variants = {name: Variants(each) for name, each in designs.items()}
    lists = {name: [axis.settings(each, saturating) for axis in axes] for name, each in variants.items()}
    count = sum(math.prod(map(len, each)) for each in lists.values())
    if count > MOST_CANDIDATES:
        raise SettingError(
            f"{count:,} designs to choose from; accepted: at most {MOST_CANDIDATES:,}: fewer "
            "values of a key, or a search along one key alone (tailrace headroom FILE --grow KEY)"
        )
    found = [
        _candidate(name if several else "", variants[name], settings, capacity)
        for name, each in lists.items()
        for settings in itertools.product(*each)
    ]
    if len(found) < 2:
        raise SettingError("nothing to choose from; accepted: --vary KEY=LIST, several files, or both")
    possible = [each.scenario for each in found if each.scenario is not None]
    if not possible:
        raise SettingError(f"none of {len(found)} designs can be: {found[0].label}: {found[0].reason}")
    for scenario in possible:
        if not _promises(scenario) and not any(_promises(part.scenario) for part in states(scenario)):
            raise SettingError(
                f"nothing is promised by {scenario.title!r}, so every design would do; accepted: a target of a class, "
                "such as [workload.target] p99"
            )
    least.check_parts(possible)
    priced = [
        each
        if each.scenario is None
        else Candidate(each.name, each.settings, each.scenario, least.figure(each.scenario))
        for each in found
    ]
    return sorted(priced, key=lambda each: each.least)


def _promises(scenario: Scenario) -> bool:
    return any(each.limits for each in scenario.workload)


def _candidate(
    name: str, variants: Variants, settings: tuple[Setting, ...], capacity: int | None
) -> Candidate:
    try:
        scenario = variants.with_keys([each.override for each in settings])
    except ScenarioError as error:
        if any(chooses_part(each.override) and "no such part" in str(error) for each in settings):
            raise
        return Candidate(name, settings, reason=error.problems[0].message)
    found = Candidate(name, settings, scenario)
    if capacity is not None and (found.capacity or 0) < (1 - STRIPES) * capacity:
        held, asked = (f"{value / 1e12:.4g} TB" for value in (found.capacity or 0, capacity))
        return Candidate(name, settings, reason=f"holds {held}; at least {asked} are asked for")
    return found


def has_as_much(found: Sequence[Candidate], designs: Mapping[str, Scenario]) -> BoolArray:
    """Whether design i surely has as much of everything as design j and is like it otherwise, shape (n, n).

    It is where both are of one file and differ in nothing but resources of which more only helps, see `resources`.
    """
    helps: dict[str, dict[str, int]] = {}
    for name, scenario in designs.items():
        helps[name if len(designs) > 1 else ""] = {
            key: sign
            for each in resources(scenario)
            if not each.name.endswith(NOT_SURELY)
            for key, sign in each.keys
        }
    families: dict[tuple[object, ...], int] = {}
    family = np.zeros(len(found), dtype=np.int64)
    amounts = np.zeros((len(found), max((len(each.settings) for each in found), default=0)))
    for place, each in enumerate(found):
        alike: list[object] = [each.name]
        for column, setting in enumerate(each.settings):
            sign = helps[each.name].get(setting.key)
            if sign is None or isinstance(setting.value, str):
                alike.append(setting.override)
            else:
                amounts[place, column] = sign * setting.value
        family[place] = families.setdefault(tuple(alike), len(families))
    more = family[:, None] == family[None, :]
    for amount in amounts.T:
        more &= amount[:, None] >= amount[None, :]
    return np.asarray(more)
