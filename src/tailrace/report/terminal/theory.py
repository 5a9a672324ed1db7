"""What closed forms say, on a terminal: beside the simulated figures, or alone."""

from __future__ import annotations

from rich.console import Console, Group, RenderableType
from rich.constrain import Constrain
from rich.table import Table
from rich.text import Text

from tailrace.answer.result import Result
from tailrace.forecast.result import ClassTheory, Theory
from tailrace.measure.estimate import Estimate
from tailrace.report.figures import TIME_UNITS, aligned, number, percent, rounded_down, time_unit
from tailrace.report.terminal.layout import WIDEST, Footnotes, as_text, fitted, hanging, heading, plain_table

DIGITS = 4


def theory_block(result: Result, width: int) -> list[RenderableType]:
    """Simulated and closed form side by side, and how the latter was come by; nothing where it says nothing."""
    known = [
        (each, result.theory.classes[each.name])
        for each in result.classes
        if each.name in result.theory.classes
    ]
    if not known:
        return []

    def build(digits: int) -> tuple[Table, Footnotes]:
        notes, table = Footnotes(), plain_table("class", "", "simulated", "closed form", "", "difference")
        for each, theory in known:
            unit = _unit(theory, each.all.latency_s["mean"])
            for name, value, exact in _figures(theory):
                if value is None:
                    continue
                simulated = each.all.latency_s[name].scaled(1 / TIME_UNITS[unit])
                table.add_row(
                    Text(each.name),
                    f"{name}, {unit}",
                    *aligned([notes.figure(simulated, digits)]),
                    number(value / TIME_UNITS[unit], DIGITS),
                    "exact" if exact else "approximate",
                    _difference(simulated.value, value / TIME_UNITS[unit]),
                )
        _left(table, 1, 4)
        return table, notes

    table_rows = fitted(build, width) if any(t.mean_s is not None for _, t in known) else []
    methods = [hanging("-", f"{each.name}: {_said(theory)}") for each, theory in known]
    return [*heading("Theory"), *table_rows, *methods]


def estimate_answer(title: str, theory: Theory, width: int) -> RenderableType:
    """The answer of closed forms alone, for a terminal of that many columns."""
    width = min(width, WIDEST)
    parts: list[RenderableType] = [Text(title, style="bold"), Text(), Text(_binding(theory))]
    if theory.classes:
        parts += [*heading("Latency by closed forms"), *fitted(lambda _: _class_table(theory), width)]
        parts += [hanging("-", f"{name}: {_said(each)}") for name, each in theory.classes.items()]
    if theory.utilisation:
        parts += [*heading("Stations"), *fitted(lambda _: _station_table(theory), width)]
    if theory.notes:
        parts += [*heading("Notes"), *(hanging("-", note) for note in theory.notes)]
    parts += [Text(), Text("Nothing was simulated: tailrace run gives intervals, and all quantiles.")]
    return Constrain(Group(*parts), width)


def estimate_text(title: str, theory: Theory, console: Console | None = None) -> str:
    """The same as text: for a console of 80 columns without colours if none is given."""
    return as_text(lambda width: [estimate_answer(title, theory, width)], console)


def _class_table(theory: Theory) -> tuple[Table, Footnotes]:
    table = plain_table("class", "", "closed form", "")
    for name, each in theory.classes.items():
        unit = _unit(each)
        rows = [("mean at least", each.low_s, False), *_figures(each), ("mean at most", each.high_s, False)]
        if each.mean_s is not None:
            rows = _figures(each)
        for quantity, value, exact in rows:
            if value is not None:
                kind = "bound" if "at" in quantity else "exact" if exact else "approximate"
                table.add_row(
                    Text(name), f"{quantity}, {unit}", number(value / TIME_UNITS[unit], DIGITS), kind
                )
    _left(table, 1, 3)
    return table, Footnotes()


def _station_table(theory: Theory) -> tuple[Table, Footnotes]:
    table = plain_table("", "load, % of\nsaturation")
    for name, share in sorted(theory.utilisation.items(), key=lambda each: -each[1]):
        table.add_row(Text(name), percent(share))
    return table, Footnotes()


def _binding(theory: Theory) -> str:
    saturation = theory.saturation
    if saturation is None:
        return "No class is open: the load follows the server and saturates nothing."
    place = f"{saturation.station} ({saturation.stage})"
    if saturation.is_exceeded:
        return (
            f"Overloaded: at {place} the largest load that can be carried is "
            f"{rounded_down(saturation.low)} times this. No latency is quoted."
        )
    if saturation.load_factor <= 1:
        low, high = number(saturation.low, 4), number(saturation.high, 4)
        return f"At its edge: {place} saturates between {low} and {high} times this load."
    return f"First to saturate: {place}, at {rounded_down(saturation.low)} times this load."


def _figures(theory: ClassTheory) -> list[tuple[str, float | None, bool]]:
    return [("mean", theory.mean_s, theory.exact_mean), ("p99", theory.p99_s, theory.exact_p99)]


def _said(theory: ClassTheory) -> str:
    """Method, what is bounded, why there is no p99, and how far to trust it."""
    parts = [f"{theory.method}."]
    unit = _unit(theory)
    bounds = [
        f"at {word} {number(value / TIME_UNITS[unit], DIGITS)} {unit}"
        for word, value in (("least", theory.low_s), ("most", theory.high_s))
        if value is not None
    ]
    if bounds:
        parts.append(f"The mean is {' and '.join(bounds)}.")
    if theory.rate_per_s is not None:
        parts.append(f"{number(theory.rate_per_s, DIGITS)} requests/s.")
    if theory.p99_s is None and theory.p99_reason:
        parts.append(f"No p99: {theory.p99_reason}.")
    return " ".join([*parts, theory.caution or ""]).strip()


def _difference(simulated: float | None, value: float) -> str:
    if simulated is None:
        return ""
    return f"{100 * (simulated / value - 1):+.1f} %".replace("-", "−")


def _unit(theory: ClassTheory, simulated: Estimate | None = None) -> str:
    values = [simulated.value if simulated else None, theory.mean_s, theory.low_s, theory.p99_s]
    return time_unit([value for value in values if value is not None])


def _left(table: Table, *places: int) -> None:
    for place in places:
        table.columns[place].justify = "left"
