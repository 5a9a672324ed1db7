"""Which studies does a report tell besides its answers?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Unpack

from tailrace.errors import SettingError
from tailrace.scenario.tables.scenario import Scenario
from tailrace.study.choose import Choice, choose
from tailrace.study.headroom import Headroom, headroom
from tailrace.study.relief import Relief, relief
from tailrace.study.session import How

EXTRAS = ("headroom", "relief", "choose")
"""Studies that a report can have besides."""


@dataclass(frozen=True)
class Beside:
    """Studies of one scenario; None where nobody asked for them, or where there is none."""

    headroom: Headroom | None = None
    relief: Relief | None = None
    choice: Choice | None = None


def check_extras(extras: Sequence[str], scenarios: Sequence[Scenario]) -> None:
    """Raises SettingError: a ValueError: a name that is not in `EXTRAS`, or a choice among no designs."""
    if strange := [each for each in extras if each not in EXTRAS]:
        raise SettingError(f"with is {strange[0]!r}; accepted: {', '.join(EXTRAS)}")
    bare = [each.title for each in scenarios if each.choice is None]
    if "choose" in extras and bare:
        raise SettingError(
            f"with is 'choose', and {bare[0]!r} has no designs to choose from; accepted: one with a [choice] table"
        )


def beside(scenario: Scenario, extras: Sequence[str], **how: Unpack[How]) -> Beside:
    """The studies of a scenario, by the names in `EXTRAS`.

    Headroom is that of the open load; there is none where no class is open. The choice is that of the scenario's
    `choice` table.

    Raises SettingError: a ValueError: as `check_extras`; or as `simulate`.
    """
    check_extras(extras, [scenario])
    grows = any(each.is_open for each in scenario.workload)
    return Beside(
        headroom(scenario, "load", **how) if "headroom" in extras and grows else None,
        relief(scenario, **how) if "relief" in extras else None,
        choose(scenario, **how) if "choose" in extras else None,
    )
