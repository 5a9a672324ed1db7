"""How far a key can go, on a terminal: the bracket, what plain division would have said, and every value tried."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from tailrace.answer.result import TargetResult
from tailrace.report.figures import (
    aligned,
    interval_figure,
    number,
    percent,
    target_unit,
)
from tailrace.report.sentences import CAUTION
from tailrace.report.terminal.answer import STYLES
from tailrace.report.terminal.layout import Footnotes, as_text, fitted, hanging, heading, plain_table
from tailrace.report.terminal.sweep import shown_value
from tailrace.study.headroom import RESOLUTION, Headroom, Tried


def headroom_text(found: Headroom, console: Console | None = None) -> str:
    """The whole answer as text: for a console of 80 columns without colours if none is given."""
    return as_text(lambda width: _parts(found, width), console)


def _parts(found: Headroom, width: int) -> list[RenderableType]:
    parts: list[RenderableType] = [Text(found.title, style="bold"), Text(), Text(headroom_sentence(found))]
    parts += [*heading("What each rule allows"), *_rules(found, width)]
    if found.tried:
        alike = _one_target(found)
        said = ""
        if alike is not None:
            word = "at least" if alike.quantity in ("rate", "throughput") else "at most"
            unit, size = target_unit(alike.quantity, alike.limit)
            said = f" (promised: {word} {number(alike.limit / size, 6)} {unit})"
        parts += [*heading(f"Every value tried{said}"), *_tried(found, width)]
    if found.notes:
        parts += [*heading("Notes"), *(hanging("-", note) for note in found.notes)]
    closing = "Plain division knows no queue: at its value every request waits without end."
    if found.tried:
        closing = (
            f"Seed {found.seed}, {found.requests:,} requests in all. ± is half of an interval so wide that all "
            f"verdicts hold together with 95 %; values closer than {100 * RESOLUTION:g} % are not told apart."
        )
    return [*parts, Text(), Text(closing), Text(CAUTION)]


def headroom_sentence(found: Headroom) -> str:
    """How far the key can go, in words."""

    def show(value: float) -> str:
        return shown_value(value, found.unit)

    where = f"{found.key} (now {show(found.start)})"
    if found.rule == "plain":
        if found.plain is None:
            return f"{where}: the drives saturate at no value of it."
        return f"{where}: by plain division of what the drives can do, {show(found.plain)}."
    onward = "on" if found.more_is_worse else "down"
    if found.met is not None and found.missed is not None:
        if not any(each.target for each in found.tried):
            return f"{where}: {show(found.met)} can be carried, from {show(found.missed)} {onward} it is overloaded."
        between = "" if _are_neighbours(found) else " Between the two it is undecided."
        return (
            f"{where}: every target is met {'up' if found.more_is_worse else 'down'} to {show(found.met)}, and surely "
            f"missed from {show(found.missed)} {onward}.{between}"
        )
    if found.met is not None:
        return f"{where}: every target is met as far as was tried, the last value being {show(found.met)}."
    if found.missed is not None:
        return (
            f"{where}: a target is missed from {show(found.missed)} {onward}, and nowhere is every one met."
        )
    return f"{where}: undecided at every value tried; longer runs are needed."


def _are_neighbours(found: Headroom) -> bool:
    if found.met is None or found.missed is None:
        return False
    return found.is_whole and abs(found.missed - found.met) <= 1


def _rules(found: Headroom, width: int) -> Sequence[RenderableType]:
    """Plain division beside what it hides: the other stations, and the targets."""

    def build(_: int) -> tuple[Table, Footnotes]:
        table = plain_table("rule", "value", "of plain\ndivision, %")
        rows = [
            ("plain division: the drives alone", found.plain),
            ("every station, until the first saturates", found.saturating),
        ]
        if found.rule == "simulated":
            rows += [
                ("every target surely met, simulated", found.met),
                ("a target surely missed", found.missed),
            ]
        for name, value in rows:
            share = "–" if value is None or not found.plain else percent(value / found.plain)
            table.add_row(
                name, "–" if value is None else shown_value(float(f"{value:.6g}"), found.unit), share
            )
        return table, Footnotes()

    return fitted(build, width)


def _tried(found: Headroom, width: int) -> Sequence[RenderableType]:
    alike = _one_target(found)

    def build(digits: int) -> tuple[Table, Footnotes]:
        what = () if alike else ("target", "limit")
        unit_name = f"{_name(alike)},\n{target_unit(alike.quantity, alike.limit)[0]}" if alike else "found"
        last = ("requests", "verdict") if alike else ("unit", "requests", "verdict")
        table = plain_table("value", "load, % of\nsaturation", *what, unit_name, *last)
        figures = aligned([_figure(each, digits) for each in found.tried])
        for each, figure in zip(found.tried, figures, strict=True):
            target = each.target
            unit = target_unit(target.quantity, target.limit)[0] if target else ""
            share = each.share_of_saturation
            limit = number(target.limit / target_unit(target.quantity, target.limit)[1], 6) if target else ""
            table.add_row(
                Text(shown_value(float(f"{each.value:.6g}"), found.unit)),
                "–" if share is None else percent(share),
                *(() if alike else (Text(_name(target)), limit)),
                figure,
                *(() if alike else (unit,)),
                f"{each.requests:,}",
                Text(each.verdict, style=STYLES.get(each.verdict, "")),
            )
        for place in (4,) if alike else (2, 5, 7):
            table.columns[place].justify = "left"
        return table, Footnotes()

    return fitted(build, width)


def _one_target(found: Headroom) -> TargetResult | None:
    """The target of all values tried, if it is the same everywhere."""
    targets = [each.target for each in found.tried if each.target is not None]
    names = {(each.class_name, each.quantity) for each in targets}
    return targets[0] if len(names) == 1 else None


def _name(target: TargetResult | None) -> str:
    if target is None:
        return ""
    name = target.class_name if len(target.class_name) <= 14 else f"{target.class_name[:13]}…"
    return f"{name} {target.quantity.replace('p999', 'p99.9').replace('_', ' ')}"


def _figure(tried: Tried, digits: int) -> tuple[str, str]:
    if tried.target is None or tried.target.judged.value is None:
        return "–", ""
    _, size = target_unit(tried.target.quantity, tried.target.limit)
    return interval_figure(tried.target.judged.scaled(1 / size), digits)
