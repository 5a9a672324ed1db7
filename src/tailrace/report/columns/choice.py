"""The figures of a choice: designs with what each takes, and what decides about it."""

from __future__ import annotations

from collections.abc import Sequence

from tailrace.report.columns.studies import target_unit
from tailrace.report.figures import key_text, rounded_down
from tailrace.report.table import Column, Head, Table, known, noted, table_of
from tailrace.study.choose import Choice, Offer
from tailrace.study.lines import short_key


def designs(found: Choice, rows: Sequence[Offer]) -> Table:
    """Designs by what sets them apart, what shall be least, and why each does or does not."""

    def value(key: str) -> Column[Offer]:
        def written(each: Offer) -> str:
            mine = {setting.key: setting.value for setting in each.candidate.settings}
            return key_text(mine[key], found.units.get(key, "")) if key in mine else ""

        return Column(Head(short_key(key), "name"), written)

    columns: list[Column[Offer]] = [
        *([Column[Offer](Head("design", "text"), lambda each: each.candidate.name)] if found.several else []),
        *map(value, found.keys),
    ]
    if any(each.candidate.scenario is not None for each in rows):
        columns.append(Column(Head(_least(found)), lambda each: known(each.candidate.least, amount_text)))
        columns.append(Column(Head("verdict", "verdict"), lambda each: each.verdict or "–"))
    columns.append(Column(Head("why", "text"), lambda each: noted("", why(each))))
    return table_of(columns, rows)


def _least(found: Choice) -> str:
    """What shall be least, as a heading."""
    if found.least.startswith("price +"):
        return "price and\nenergy"
    return short_key(found.least)


def amount_text(value: float) -> str:
    """A price, a power, or whatever shall be least."""
    return f"{value:,.0f}" if value >= 1000 else f"{value:,.6g}"


def why(offer: Offer) -> str:
    """What decided about a design, in a few words."""
    if offer.candidate.reason:
        return offer.candidate.reason
    if offer.as_of:
        return f"has no more of anything than {offer.as_of.brief}, {offer.verdict}"
    if offer.overloaded:
        if offer.carries is None:
            return f"{offer.overloaded} cannot keep up{_where(offer)}"
        return f"{offer.overloaded} carries {rounded_down(offer.carries)} of the load{_where(offer)}"
    target = offer.tried.target if offer.tried else None
    if offer.verdict is None:
        return "nobody looked" if target is None else "nobody looked further: another takes less"
    if target is None:
        return "no figure"
    unit = target_unit(target)
    value = "not known" if target.judged.value is None else unit.text(target.judged.value, 3)
    because = f"; {offer.doubt}" if offer.doubt else ""
    said = f"{target.class_name} {target.quantity.shown} {value}"
    return f"{said}, {target.quantity.bound} {unit.text(target.limit, 6)}{_where(offer)}{because}"


def _where(offer: Offer) -> str:
    return f" ({offer.tried.condition})" if offer.tried and offer.tried.condition else ""
