"""The answer on a terminal: verdict, what each class sees, where its time goes, and what the stations bear.

Every table fits 80 columns: figures are never cut; long names are, with "…".
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from io import StringIO

from rich.console import Console, Group, RenderableType
from rich.constrain import Constrain
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from tailrace.measure.estimate import Estimate
from tailrace.report.figures import (
    FEW_DIGITS,
    MOST_DIGITS,
    TIME_UNITS,
    aligned,
    interval_figure,
    number,
    percent,
    small_number,
    time_unit,
)
from tailrace.report.sentences import (
    CAUTION,
    binding_sentence,
    interval_sentence,
    method_sentence,
    quantity_name,
    theory_sentence,
    verdict_sentence,
)
from tailrace.study.result import ClassResult, Figures, Result, StageTimes, TargetResult

WIDEST = 100
"""Columns beyond which nothing is written, so that lines of prose stay readable."""

STAGES = ("network", "controller", "lane", "media")
LATENCIES = {"mean": "mean", "p50": "p50", "p90": "p90", "p95": "p95", "p99": "p99", "p999": "p99.9"}
STYLES = {"met": "green", "missed": "bold red", "undecided": "yellow", "overloaded": "bold red"}

BYTES_PER_MB = 1e6
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
        parts += _class(result, each, width)
    parts += _stations(result, width) or _offered_load(result, width)
    if result.notes:
        parts += [*_heading("Notes"), *(_hanging("-", note) for note in result.notes)]
    parts += [Text(), Text(method_sentence(result))]
    if result.classes:
        parts.append(Text(interval_sentence(result)))
    parts.append(Text(CAUTION))
    return Constrain(Group(*parts), width)


def answer_text(result: Result, console: Console | None = None) -> str:
    """The whole answer as text for a console: for one of 80 columns without colours if none is given."""
    console = console or Console(file=StringIO(), width=80, color_system=None)
    with console.capture() as captured:
        console.print(answer(result, console.width))
    return "".join(f"{line.rstrip()}\n" for line in captured.get().splitlines())


class Footnotes:
    """Marks for what is not known, one for each reason, and the reasons under the table."""

    def __init__(self) -> None:
        self._marks: dict[str, str] = {}

    def mark(self, reason: str) -> str:
        """The mark of a reason: a raised number."""
        count = str(len(self._marks) + 1).translate(str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹"))
        return self._marks.setdefault(reason, count)

    def lines(self) -> list[RenderableType]:
        """A line for each reason."""
        return [_hanging(mark, reason) for reason, mark in self._marks.items()]

    def figure(self, estimate: Estimate, digits: int) -> tuple[str, str]:
        """Value and half-width; with a mark where there is no interval, or no value at all."""
        value, half = interval_figure(estimate, digits)
        return (value, half) if estimate.has_interval else (value + self.mark(estimate.method), "")


def _targets(result: Result, width: int) -> list[RenderableType]:
    """Each promise beside what was found, in the unit of its limit."""
    found = [(each.name, target) for each in result.classes for target in each.targets]
    if not found:
        return []

    def build(digits: int) -> tuple[Table, Footnotes]:
        notes, table = Footnotes(), _table("class", "quantity", "limit", "found", "unit", "verdict")
        units = [_target_unit(target) for _, target in found]
        figures = aligned(
            [
                notes.figure(target.estimate.scaled(1 / size), digits)
                for (_, target), (_, size) in zip(found, units, strict=True)
            ]
        )
        for (name, target), (unit, size), figure in zip(found, units, figures, strict=True):
            limit = f"{'at most' if target.is_upper else 'at least'} {number(target.limit / size, 6)}"
            verdict = Text(target.verdict, style=STYLES.get(target.verdict, ""))
            table.add_row(Text(name), quantity_name(target), limit, figure, Text(unit), verdict)
        for place in (1, 4, 5):
            table.columns[place].justify = "left"
        return table, notes

    return [*_heading("Targets"), *_fitted(build, width)]


def _target_unit(target: TargetResult) -> tuple[str, float]:
    if target.quantity == "rate":
        return "/s", 1.0
    if target.quantity == "throughput":
        return "MB/s", BYTES_PER_MB
    unit = time_unit([target.limit])
    return unit, TIME_UNITS[unit]


def _class(result: Result, each: ClassResult, width: int) -> list[RenderableType]:
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
        notes, table = Footnotes(), _table("", *kinds)
        columns = [_column(figures, TIME_UNITS[unit], digits, notes) for figures in kinds.values()]
        labels = [
            "requests",
            "rate, /s",
            "throughput, MB/s",
            *(f"{name}, {unit}" for name in LATENCIES.values()),
        ]
        for label, *cells in zip(labels, *columns, strict=True):
            table.add_row(label, *cells)
        return table, notes

    parts = [*_heading(f"Class {each.name}"), *_fitted(seen, width)]
    theory = result.theory.classes.get(each.name)
    said = theory_sentence(theory, unit, TIME_UNITS[unit]) if theory else None
    if said:
        parts.append(Padding(Text(said), (0, 0, 0, 2)))
    return [*parts, Text(), *_fitted(lambda digits: _stage_table(each.all, digits), width)]


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
    table = _table(f"mean time, {unit}", "all requests\nwait", "\nservice", "slowest 1 %\nwait", "\nservice")
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
        table = _table(
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

    return [*_heading("Stations"), *_fitted(build, width)]


def _offered_load(result: Result, width: int) -> list[RenderableType]:
    """What the load asks of each station, the most first, where nothing was run that could show how busy they are."""
    offered = sorted(result.theory.utilisation.items(), key=lambda each: -each[1])
    if not offered:
        return []

    def build(_: int) -> tuple[Table, Footnotes]:
        table = _table("", "load, % of\nsaturation")
        for name, share in offered:
            table.add_row(Text(name), percent(share))
        return table, Footnotes()

    return [*_heading("Stations"), *_fitted(build, width)]


def _no_saturation(discipline: str, is_open: bool) -> str:
    if not is_open:
        return "no class is open: the load follows the server"
    if discipline == "token":
        return "permits bound what is under way; they are not what carries the load"
    return "no open class asks anything of it, or what it can carry is not known"


def _known(value: float | None, write: Callable[[float], str], reason: str, notes: Footnotes) -> str:
    return f"–{notes.mark(reason)}" if value is None else write(value)


def _heading(text: str) -> list[RenderableType]:
    return [Text(), Text(text, style="bold")]


def _hanging(mark: str, text: str) -> RenderableType:
    """Prose that hangs beside its mark."""
    grid = Table.grid(padding=(0, 1, 0, 0))
    grid.add_column(no_wrap=True)
    grid.add_column()
    grid.add_row(Text(mark), Text(text))
    return Padding(grid, (0, 0, 0, 2))


def _table(first: str, *others: str) -> Table:
    """A table without lines: names at the left, figures to the right of them."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for name in (first, *others):
        table.add_column(Text(name), no_wrap=True, overflow="ellipsis", justify="right")
    table.columns[0].justify = "left"
    return table


def _fitted(build: Callable[[int], tuple[Table, Footnotes]], width: int) -> Sequence[RenderableType]:
    """The table with all its digits, or with few if that is too wide; then the names in its first column give way."""
    console = Console(width=10_000, file=StringIO())
    room = width - 2
    for digits in (MOST_DIGITS, FEW_DIGITS):
        table, notes = build(digits)
        excess = console.measure(table).maximum - room
        if excess <= 0:
            break
    else:
        names = console.measure(Group(*table.columns[0].cells)).maximum
        table.columns[0].max_width = max(names - excess, 8)
    return [Padding(table, (0, 0, 0, 2)), *notes.lines()]
