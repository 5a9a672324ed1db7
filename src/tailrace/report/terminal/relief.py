"""What would mend a missed target, and what could be saved, on a terminal: a row a resource, the best first."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from tailrace.report.figures import BYTES_PER_MB, TIME_UNITS, aligned, number, time_unit
from tailrace.report.sentences import CAUTION
from tailrace.report.terminal.answer import STYLES
from tailrace.report.terminal.layout import Footnotes, as_text, fitted, hanging, heading, plain_table
from tailrace.study.relief import Relief, Relieved

PER_PRICE, PER_POWER_W = 1000.0, 100.0


def relief_text(found: Relief, console: Console | None = None) -> str:
    """The whole answer as text: for a console of 80 columns without colours if none is given."""
    return as_text(lambda width: _parts(found, width), console)


def _parts(found: Relief, width: int) -> list[RenderableType]:
    parts: list[RenderableType] = [Text(found.title, style="bold"), Text(), Text(relief_sentence(found))]
    parts += [*heading("Each resource doubled"), *_table(found, found.doubled, width)]
    parts += [*heading("Each resource halved: what could be saved"), *_table(found, found.halved, width)]
    costed = [
        each for each in (*found.doubled, *found.halved) if each.price is not None or each.power_w is not None
    ]
    if costed:
        parts += [*heading("What that costs"), *_costs(found, costed, width)]
    return [
        *parts,
        Text(),
        Text(
            f"Seed {found.seed}, {found.replications} replications with the same random numbers throughout, "
            f"{found.requests:,} requests in all. ± is half of the interval of the paired ratio; all of a table hold "
            "together at 95 %. Resources work together: mend one, and ask again."
        ),
        Text(CAUTION),
    ]


def relief_sentence(found: Relief) -> str:
    """What doubling or halving single resources would do, in words."""
    what = f"{found.quantity.replace('p999', 'p99.9').replace('_', ' ')} of class {found.class_name}"
    if found.overloaded:
        now = f"Overloaded now: {found.overloaded} cannot keep up."
    else:
        unit, size = _unit(found)
        value = "not known" if found.now.value is None else f"{number(found.now.value / size, 4)} {unit}"
        limit = ""
        if found.limit is not None:
            word = "at most" if found.is_upper else "at least"
            limit = f", promised {word} {number(found.limit / size, 6)} {unit}: {found.verdict}"
        now = f"Now {what} is {value}{limit}."
    met = [each.resource for each in found.doubled if each.verdict == "met"]
    if found.limit is None or found.verdict == "met":
        spare = [each.resource for each in found.halved if each.verdict == "met"]
        saved = f" Half would do of, one at a time: {', '.join(spare)}." if spare else ""
        return f"{now}{saved}"
    if met:
        return f"{now} Doubling one of these alone meets every target: {', '.join(met)}."
    return f"{now} Doubling no single resource meets every target."


def _table(found: Relief, rows: Sequence[Relieved], width: int) -> Sequence[RenderableType]:
    unit, size = _unit(found)

    def build(_: int) -> tuple[Table, Footnotes]:
        notes = Footnotes()
        table = plain_table("resource", "from, to", f"{found.quantity},\n{unit}", "change, %", "verdict")
        changes = aligned([_change(each, notes) for each in rows])
        for each, change in zip(rows, changes, strict=True):
            value = each.value.value if each.value else None
            cells: list[str | Text] = [
                Text(each.resource),
                Text(each.described if len(each.described) <= 24 else f"{each.described[:23]}…"),
                "–" if value is None else number(value / size, 4),
                change,
                Text(each.verdict or "–", style=STYLES.get(each.verdict or "", "")),
            ]
            table.add_row(*cells)
        for place in (1, 4):
            table.columns[place].justify = "left"
        return table, notes

    if not rows:
        return [hanging("-", "nothing that could be changed is written in the scenario")]
    return fitted(build, width)


def _change(each: Relieved, notes: Footnotes) -> tuple[str, str]:
    """The paired change in percent with its half-width."""
    ratio = each.paired.ratio if each.paired else None
    if ratio is None or ratio.value is None or ratio.low is None or ratio.high is None:
        reason = each.reason or (
            ratio.method if ratio else "overloaded before, so there is nothing to compare with"
        )
        return f"–{notes.mark(reason)}", ""
    half = 100 * max(ratio.high - ratio.value, ratio.value - ratio.low)
    places = 0 if half >= 2 else 1 if half >= 0.05 else 2
    change = f"{100 * (ratio.value - 1):+.{places}f}".replace("-", "−")
    if not change.strip("+−0."):
        change = "0"
    return change, f"±{half:.{places}f}" if half >= 0.005 else "±0"


def _costs(found: Relief, rows: Sequence[Relieved], width: int) -> Sequence[RenderableType]:
    """What each change costs or saves, and how much of the figure it changes for so much of it."""
    unit, size = _unit(found)

    def build(_: int) -> tuple[Table, Footnotes]:
        table = plain_table(
            "resource",
            "from, to",
            "price",
            f"{unit} per\n{PER_PRICE:,.0f}",
            "power, W",
            f"{unit} per\n{PER_POWER_W:g} W",
        )
        for each in rows:
            price, power = (
                _gain(each, each.price, PER_PRICE, size),
                _gain(each, each.power_w, PER_POWER_W, size),
            )
            table.add_row(Text(each.resource), Text(each.described), *price, *power)
        table.columns[1].justify = "left"
        return table, Footnotes()

    return fitted(build, width)


def _gain(each: Relieved, more: float | None, per: float, size: float) -> list[str]:
    """What it costs more, and how the figure changes for so much of it."""
    if more is None:
        return ["–", "–"]
    difference = each.paired.difference.value if each.paired else None
    cost = f"{more:+,.6g}".replace("-", "−")
    gain = "–" if difference is None else f"{difference / size / more * per:+.3g}".replace("-", "−")
    gain = "0" if gain in ("+0", "−0") else gain
    return [cost, gain]


def _unit(found: Relief) -> tuple[str, float]:
    if found.quantity == "rate":
        return "/s", 1.0
    if found.quantity == "throughput":
        return "MB/s", BYTES_PER_MB
    known = found.limit or found.now.value
    if known is None:
        values = [each.value.value for each in found.doubled if each.value and each.value.value]
        known = min(values, default=1.0)
    unit = time_unit([known])
    return unit, TIME_UNITS[unit]
