"""What shall be least? A price, a power, a height, a key, or what a server costs over the years."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tailrace.errors import ScenarioError, SettingError
from tailrace.scenario.reading.variant import Variants
from tailrace.scenario.tables.cost import CostItem, cost, height, parts
from tailrace.scenario.tables.scenario import Scenario

HOURS_A_YEAR = 8766.0
"""Of 365.25 days."""
ACCEPTED = (
    "price, power, height (rack units), a key with a number, or a cost over years such as "
    '"price + 4 years at 0.25 per kWh"'
)
_NUMBER = r"(\d+(?:\.\d+)?)"
_OVER_YEARS = re.compile(rf"price\s*\+\s*{_NUMBER}\s+years?\s+at\s+{_NUMBER}\s+per\s+kWh")


@dataclass(frozen=True)
class Least:
    """What decides between designs: ``price`` and ``energy`` say which sums it needs, ``key`` where it is a key.

    ``per_w`` is what a watt costs over the years, in the currency of the prices.
    """

    text: str
    key: str | None = None
    needs_price: bool = False
    needs_power: bool = False
    per_w: float = 0.0

    @classmethod
    def of(cls, text: str) -> Least:
        """From the text of an option. Raises SettingError."""
        text = text.strip()
        years = _OVER_YEARS.fullmatch(text)
        if years is not None:
            per_w = float(years[1]) * HOURS_A_YEAR / 1000.0 * float(years[2])
            return cls(text, needs_price=True, needs_power=True, per_w=per_w)
        if text in ("price", "power", "height"):
            return cls(text, needs_price=text == "price", needs_power=text == "power")
        if re.fullmatch(r"[\w-]+(\.[\w-]+)+", text):
            return cls(text, key=text)
        raise SettingError(f"least is {text!r}; accepted: {ACCEPTED}")

    def figure(self, scenario: Scenario) -> float:
        """How much of it a design has.

        Raises SettingError where it does not say.
        """
        if self.key is not None:
            return self._at_key(scenario)
        spent = cost(scenario.server, scenario.cluster)
        if self.text == "height":
            tall = height(scenario.server, scenario.cluster)
            if tall is None:
                raise SettingError("least is height, and server.height is not given; accepted: rack units")
            return tall
        wanted = (("price", self.needs_price, spent.price), ("power", self.needs_power, spent.power_w))
        for name, needed, value in wanted:
            if needed and value is None:
                raise SettingError(
                    f"least is {self.text}, and no part has a {name}; accepted: a {name} of each part that differs"
                )
        if not self.needs_price:
            return spent.power_w or 0.0
        return (spent.price or 0.0) + self.per_w * (spent.power_w or 0.0)

    def _at_key(self, scenario: Scenario) -> float:
        try:
            value = Variants(scenario).value(self.key or "")
        except ScenarioError:
            raise SettingError(f"least is {self.text!r}; accepted: {ACCEPTED}") from None
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise SettingError(f"least is {self.text!r}, where no number stands; accepted: {ACCEPTED}")
        return float(value)

    def check_parts(self, designs: Sequence[Scenario]) -> None:
        """See that each part that differs between designs says what is summed.

        Raises SettingError that names the part and the key.
        """
        seen: dict[str, list[CostItem]] = {}
        for design in designs:
            for part in parts(design.server, design.cluster):
                seen.setdefault(part.name, []).append(part)
        for name, every in seen.items():
            for key, needed, known in (
                ("price", self.needs_price, [each.price is not None for each in every]),
                ("power", self.needs_power, [each.power_w is not None for each in every]),
            ):
                if needed and not all(known) and _differ(every, len(designs)):
                    lacking = every[known.index(False)]
                    raise SettingError(
                        f"least is {self.text}, and {name} differ between the designs, of which one has no {key}; "
                        f"accepted: {lacking.table}.{key} in each (or in its part)"
                    )


def _differ(every: Iterable[CostItem], designs: int) -> bool:
    """Whether a part is not the same, and as often, in all designs; what is left of a server is.

    A link for each drive, without a price of its own, is one of the drive: there are as many as drives.
    """
    listed = [each for each in every if each.what is not None]
    kinds = {(0 if each.name.endswith("links") else each.count, repr(each.what)) for each in listed}
    return bool(listed) and (len(kinds) > 1 or len(listed) < designs)
