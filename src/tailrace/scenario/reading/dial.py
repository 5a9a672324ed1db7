"""A key that is turned: what stands there, what may, which way is worse, and the scenario at another value."""

from __future__ import annotations

import tomllib
from functools import cached_property
from typing import Any

from tailrace import units
from tailrace.errors import ScenarioError, SettingError
from tailrace.scenario.reading.conditions import setting_too, states, with_own
from tailrace.scenario.reading.keys import Shape
from tailrace.scenario.reading.variant import Variants, written_value
from tailrace.scenario.tables.scenario import Scenario

LESS_IS_WORSE_THAN_TIME = ("think_time", "flush_after", "age_limit")
MORE_IS_WORSE = (
    "failed",
    "slow_drives",
    "slow_servers",
    "slow_factor",
    "rebuild_rate",
    "recovery_rate",
    "done_after",
    "write_amplification",
    "variability",
    "frame_overhead",
    "message_payload",
    "copies",
)

Value = float | int | str


class Dial:
    """One key of a scenario. ``shape`` is what may stand there.

    Raises ScenarioError if there is no such key.
    """

    def __init__(self, variants: Variants, key: str) -> None:
        self.variants, self.key = variants, key
        self.shape: Shape = variants.shape(key)

    @cached_property
    def value(self) -> Value | None:
        """What stands there: a number (of a quantity in SI), a text, or None. Raises ScenarioError for a table."""
        return self.variants.value(self.key)

    @cached_property
    def number(self) -> float:
        """The number that stands there, in SI. Raises SettingError if there is none."""
        value = self.value
        if isinstance(value, bool) or not isinstance(value, int | float):
            shown = "not set" if value is None else repr(value)
            raise SettingError(
                f"{self.key} is {shown}; accepted: a key that the scenario sets to a number or a quantity"
            )
        return value

    @property
    def unit(self) -> str:
        """The SI unit of its values, empty where they have none."""
        return units.SI_UNIT[self.shape.quantity] if self.shape.quantity else ""

    @property
    def told_in(self) -> str:
        """The unit, but for prefixes, in which people tell its values: bits of a line, and SI of all else."""
        return "bit/s" if self.shape.quantity == "line rate" else self.unit

    @property
    def takes_numbers(self) -> bool:
        """Whether numbers or quantities may stand there, so that there are values between two others."""
        return self.shape.quantity is not None or self.shape.type in (int, float) or self._chooses_whole

    @cached_property
    def is_whole(self) -> bool:
        """Whether it counts things, so that only whole numbers are accepted."""
        if self.shape.type is int or self._chooses_whole:
            return True
        return not self.shape.quantity and self.shape.type is not float and type(self.value) is int

    @property
    def _chooses_whole(self) -> bool:
        return bool(self.shape.literals) and all(type(each) is int for each in self.shape.literals)

    @property
    def worse_upwards(self) -> bool:
        """Whether a server has the harder time the larger the value: load and service times, not resources."""
        name = self.key.rpartition(".")[2]
        if self.key.startswith(("server", "cluster")):
            is_time = self.shape.quantity == "time" and name not in LESS_IS_WORSE_THAN_TIME
            return is_time or name in MORE_IS_WORSE
        return name not in LESS_IS_WORSE_THAN_TIME and name != "limit"

    def accepted(self, value: float) -> float | int:
        """The value itself, or the whole number next to it where only such are accepted."""
        return round(value) if self.is_whole or self.shape.quantity == "size" else value

    def setting(self, value: Value) -> str:
        """KEY=VALUE, as `load` takes it."""
        return f"{self.key}={written_value(value, self.shape)}"

    def at(self, value: float) -> Scenario | None:
        """The scenario with another value there; None if it does not accept that."""
        try:
            turned = self.variants.with_keys([self.setting(self.accepted(value))])
            return with_own(turned, self._in_conditions(value)) if self.set_by_conditions else turned
        except ScenarioError:
            return None

    @cached_property
    def set_by_conditions(self) -> dict[str, str]:
        """The conditions that set the key for themselves, and how they write it."""
        return setting_too(self.variants.scenario, self.key)

    def _in_conditions(self, value: float) -> dict[str, dict[str, Any]]:
        """What those conditions set then: their own values, multiplied as that of the scenario is."""
        found = {}
        for state in states(self.variants.scenario):
            own = Variants(state.scenario).value(self.key) if state.name in self.set_by_conditions else None
            if isinstance(own, int | float):
                factor = value / self.number if self.number else 1.0
                text = written_value(self.accepted(own * factor), self.shape)
                found[state.name] = {
                    self.set_by_conditions[state.name]: tomllib.loads(f"value = {text}")["value"]
                }
        return found
