"""The answer on a terminal: verdict, what each class sees, where its time goes, and what the stations bear.

Every table fits 80 columns: figures are never cut; long names are, with "…".
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from rich.console import Console, Group, RenderableType
from rich.constrain import Constrain
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from tailrace.answer.result import ClassResult, Figures, Result, StageTimes
from tailrace.measure.estimate import Estimate
from tailrace.report.figures import (
    BYTES_PER_MB,
    MOST_DIGITS,
    TIME_UNITS,
    aligned,
    interval_figure,
    number,
    percent,
    small_number,
    target_unit,
    time_unit,
)
from tailrace.report.sentences import (
    CAUTION,
    binding_sentence,
    interval_sentence,
    method_sentence,
    quantity_name,
    tail_sentence,
    verdict_sentence,
)
from tailrace.report.terminal.layout import WIDEST, Footnotes, as_text, fitted, hanging, heading, plain_table
from tailrace.report.terminal.steps import steps_block
from tailrace.report.terminal.theory import theory_block

STAGES = ("network", "controller", "lane", "media")
LATENCIES = {"mean": "mean", "p50": "p50", "p90": "p90", "p95": "p95", "p99": "p99", "p999": "p99.9"}
STYLES = {"met": "green", "missed": "bold red", "undecided": "yellow", "overloaded": "bold red"}

STAGE_PLACES = 4
"""Digits of the largest time in a table of stages; smaller times end at the same place."""


def answer(result: Result, width: int) -> RenderableType:
    """The whole answer for a terminal of that many columns."""
    width = min(width, WIDEST)
    parts: list[RenderableType] = [Text(result.title, style="bold"), Text()]
    parts.append(Text(verdict_sentence(result), style=STYLES.get(result.verdict, "")))
    binding = binding_sentence(result)
    if binding is not None:
        parts.append(Text(binding))
    parts += _targets(result, width)
    for each in result.classes:
        parts += _class(each, width)
    parts += theory_block(result, width)
    parts += _stations(result, width) or _offered_load(result, width)
    parts += _rebuilds(result, width)
    if result.notes:
        parts += [*heading("Notes"), *(hanging("-", note) for note in result.notes)]
    parts += [Text(), Text(method_sentence(result))]
    if result.classes:
        parts.append(Text(interval_sentence(result)))
    parts.append(Text(CAUTION))
    return Constrain(Group(*parts), width)


def answer_text(result: Result, console: Console | None = None) -> str:
    """The whole answer as text for a console: for one of 80 columns without colours if none is given."""
    return as_text(lambda width: [answer(result, width)], console)


def _targets(result: Result, width: int) -> list[RenderableType]:
    """Each promise beside what was found, in the unit of its limit."""
    found = [(each.name, target) for each in result.classes for target in each.targets]
    if not found:
        return []

    def build(digits: int) -> tuple[Table, Footnotes]:
        notes, table = Footnotes(), plain_table("class", "quantity", "limit", "found", "unit", "verdict")
        level = found[0][1].level
        if any(target.judged != target.estimate for _, target in found):
            table = plain_table(
                "class", "quantity", "limit", "found", f"±, {100 * level:.4g} %", "unit", "verdict"
            )
        at_most, at_least = ("at most", "at least") if digits == MOST_DIGITS else ("≤", "≥")
        units = [target_unit(target.quantity, target.limit) for _, target in found]
        figures = aligned(
            [
                notes.figure(target.estimate.scaled(1 / size), digits)
                for (_, target), (_, size) in zip(found, units, strict=True)
            ]
        )
        wider = [
            interval_figure(target.judged.scaled(1 / size), digits)[1].removeprefix("±")
            for (_, target), (_, size) in zip(found, units, strict=True)
        ]
        for (name, target), (unit, size), figure, half in zip(found, units, figures, wider, strict=True):
            limit = f"{at_most if target.is_upper else at_least} {number(target.limit / size, 6)}"
            verdict = Text(target.verdict, style=STYLES.get(target.verdict, ""))
            judged = [half] if len(table.columns) == 7 else []
            table.add_row(Text(name), quantity_name(target), limit, figure, *judged, Text(unit), verdict)
        for place in (1, -2, -1):
            table.columns[place].justify = "left"
        return table, notes

    return [*heading("Targets"), *fitted(build, width)]


def _class(each: ClassResult, width: int) -> list[RenderableType]:
    """What a class sees, its reads and writes apart, and where its time goes."""
    kinds: dict[str, Figures] = {"all": each.all}
    if len(each.kinds) > 1:
        kinds |= {f"{kind}s": figures for kind, figures in each.kinds.items()}
    elif each.kinds:
        kinds = {f"all ({next(iter(each.kinds))}s)": each.all}
    values = [
        e.value for figures in kinds.values() for e in figures.latency_s.values() if e.value is not None
    ]
    unit = time_unit(values)

    def seen(digits: int) -> tuple[Table, Footnotes]:
        notes, table = Footnotes(), plain_table("", *kinds)
        columns = [_column(figures, TIME_UNITS[unit], digits, notes) for figures in kinds.values()]
        labels = [
            "requests" if each.requests_per_transaction is None else "transactions",
            "rate, /s",
            "throughput, MB/s",
            *(f"{name}, {unit}" for name in LATENCIES.values()),
        ]
        for label, *cells in zip(labels, *columns, strict=True):
            table.add_row(label, *cells)
        return table, notes

    parts = [*heading(f"Class {each.name}"), *fitted(seen, width)]
    parts += steps_block(each, width)
    parts += [Text(), *fitted(lambda digits: _stage_table(each.all, digits), width)]
    tail = tail_sentence(each.all)
    return [*parts, *([Padding(Text(tail), (0, 0, 0, 2))] if tail else [])]


def _column(figures: Figures, unit_s: float, digits: int, notes: Footnotes) -> list[str]:
    """A column of the class table, from requests to the highest quantile."""
    cells = [
        (f"{figures.requests:,}", ""),
        notes.figure(figures.rate_per_s, digits),
        notes.figure(figures.throughput_bytes_per_s.scaled(1 / BYTES_PER_MB), digits),
        *(notes.figure(figures.latency_s[name].scaled(1 / unit_s), digits) for name in LATENCIES),
    ]
    return aligned(cells)


def _stage_table(figures: Figures, digits: int) -> tuple[Table, Footnotes]:
    """Wait and service at each stage, all requests beside the slowest 1 %."""
    samples: tuple[Mapping[str, StageTimes], ...] = (figures.stages, figures.slowest_stages)
    columns = [
        [getattr(sample[stage], part) for stage in STAGES]
        for sample in samples
        for part in ("wait_s", "service_s")
    ]
    largest = max((e.value for column in columns for e in column if e.value is not None), default=0.0)
    unit = time_unit([largest])
    resolution = 10.0 ** -(STAGE_PLACES - len(f"{largest / TIME_UNITS[unit]:.0f}"))
    notes = Footnotes()
    table = plain_table(
        f"mean time, {unit}", "all requests\nwait", "\nservice", "slowest 1 %\nwait", "\nservice"
    )
    cells = []
    for column in columns:
        scaled = [each.scaled(1 / TIME_UNITS[unit]) for each in column]
        cells.append(aligned([_stage_figure(each, resolution, digits, notes) for each in scaled]))
    for stage, *row in zip(STAGES, *cells, strict=True):
        table.add_row(stage, *row)
    return table, notes


def _stage_figure(estimate: Estimate, resolution: float, digits: int, notes: Footnotes) -> tuple[str, str]:
    """As other figures, but not finer than the table's resolution without need."""
    if estimate.value is None or estimate.low is None or estimate.high is None:
        return notes.figure(estimate, digits)
    if 0 < estimate.high < resolution:
        return f"<{number(resolution)}", ""
    return interval_figure(estimate, digits, resolution)


def _stations(result: Result, width: int) -> list[RenderableType]:
    """How busy the stations are, grouped by stage. Delays have no servers and no queue, and are left out."""
    stations = [each for each in result.stations if each.discipline != "delay"]
    if not stations:
        return []
    is_open = result.theory.saturation is not None or result.overload is not None

    def build(_: int) -> tuple[Table, Footnotes]:
        notes = Footnotes()
        table = plain_table(
            "",
            "stations",
            "servers\neach",
            "discipline",
            "busy,\n%",
            "load, % of\nsaturation",
            "number\nwaiting",
        )
        for stage in STAGES:
            mine = [each for each in stations if each.stage == stage]
            if mine:
                table.add_row(Text(stage, style="italic"))
            for each in mine:
                share = each.share_of_saturation
                table.add_row(
                    Text(f"  {each.name}"),
                    f"{each.count:,}",
                    f"{each.servers:,}",
                    each.discipline,
                    _known(each.utilisation, percent, "not observed", notes),
                    _known(
                        share if is_open else None, percent, _no_saturation(each.discipline, is_open), notes
                    ),
                    _known(each.mean_number_waiting, small_number, "not observed", notes),
                )
        table.columns[3].justify = "left"
        return table, notes

    return [*heading("Stations"), *fitted(build, width)]


def _rebuilds(result: Result, width: int) -> list[RenderableType]:
    """What the server does beside answering requests."""
    if not result.rebuilds:
        return []

    def build(digits: int) -> tuple[Table, Footnotes]:
        notes = Footnotes()
        table = plain_table(
            "in the background",
            "drives",
            "asked,\nMB/s each",
            "found,\nMB/s each",
            "left, GB\neach",
            "left, h",
        )
        for each in result.rebuilds:
            rate = aligned([notes.figure(each.rate_bytes_per_s.scaled(1 / BYTES_PER_MB), digits)])
            table.add_row(
                Text(each.name),
                f"{each.drives:,}",
                number(each.asked_bytes_per_s / BYTES_PER_MB),
                *rate,
                number(each.left_bytes / 1e9),
                "–" if each.left_s is None else number(each.left_s / 3600),
            )
        return table, notes

    return [*heading("Rebuild"), *fitted(build, width)]


def _offered_load(result: Result, width: int) -> list[RenderableType]:
    """What the load asks of each station, the most first, where nothing was run that could show how busy they are."""
    offered = sorted(result.theory.utilisation.items(), key=lambda each: -each[1])
    if not offered:
        return []

    def build(_: int) -> tuple[Table, Footnotes]:
        table = plain_table("", "load, % of\nsaturation")
        for name, share in offered:
            table.add_row(Text(name), percent(share))
        return table, Footnotes()

    return [*heading("Stations"), *fitted(build, width)]


def _no_saturation(discipline: str, is_open: bool) -> str:
    if not is_open:
        return "no class is open: the load follows the server"
    if discipline == "token":
        return "permits bound what is under way; they are not what carries the load"
    return "no open class asks anything of it, or what it can carry is not known"


def _known(value: float | None, write: Callable[[float], str], reason: str, notes: Footnotes) -> str:
    return f"–{notes.mark(reason)}" if value is None else write(value)
