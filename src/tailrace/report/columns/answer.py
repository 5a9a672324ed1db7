"""The figures of one answer: targets, what a class sees and where its time goes, steps, stations, rebuilds."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from tailrace.answer.rebuilds import RebuildResult
from tailrace.answer.result import ClassResult, Figures, Result, StageTimes, TargetResult
from tailrace.answer.stations import StationResult
from tailrace.forecast.result import Theory
from tailrace.measure.interval import IntervalEstimate
from tailrace.plan.columns import STAGES
from tailrace.quantity import Quantity
from tailrace.report.figures import (
    MEGABYTES,
    interval_figure,
    number,
    percent,
    small_number,
    unit_of,
)
from tailrace.report.table import (
    Cell,
    Column,
    Footnotes,
    Head,
    Table,
    Writer,
    known,
    shorter,
    table_of,
    unknown,
)

STAGE_PLACES = 4
"""Digits of the largest time in a table of stages; smaller times end at the same place."""
STEP_FIGURES = ("mean", "p50", "p99")
"""What is shown of a step of a transaction."""


def targets(answers: Sequence[tuple[str, Result]], of: str = "design") -> Table:
    """Each promise beside what was found, in the unit of its limit; of several answers, by their names (``of`` what).

    Of several, one that is overloaded, or has no target, has a row that says so.
    """
    found = [(name, each.name, target) for name, each, target in _targets(answers)]
    levels = {target.level for *_, target in found if target.judged != target.estimate}
    heads: list[Head | str] = [
        Head("class", "name"),
        Head("quantity", "name"),
        "limit",
        "found",
        *([f"±, {100 * next(iter(levels)):.4g} %" if len(levels) == 1 else "±, judged"] if levels else []),
        Head("unit", "text"),
        Head("verdict", "verdict"),
    ]
    rows = {name: list[list[Cell]]() for name, _ in answers}
    for name, class_name, target in found:
        rows[name].append([class_name, *_target(target, bool(levels))])
    if len(answers) == 1:
        return Table.of(heads, rows[answers[0][0]])
    for name, result in answers:
        said = "no target" if result.overload is None else "overloaded"
        rows[name] = rows[name] or [[*[""] * (len(heads) - 1), said]]
    return Table.of([Head(of, "name"), *heads], [[name, *row] for name, mine in rows.items() for row in mine])


def _targets(answers: Sequence[tuple[str, Result]]) -> Iterator[tuple[str, ClassResult, TargetResult]]:
    for name, result in answers:
        for each in result.classes:
            for target in each.targets:
                yield name, each, target


def _target(target: TargetResult, judged: bool) -> list[Cell]:
    """The cells from the quantity to the verdict; ``judged`` adds the half-width by which the verdict was found."""
    quantity = target.quantity
    unit = unit_of(quantity.dimension, [target.limit])
    limit = unit.number(target.limit, 6)
    sign = "≤" if quantity.is_upper else "≥"
    wider: list[Cell] = [_half_width(unit.of(target.judged))] if judged else []
    return [
        quantity.shown,
        shorter(f"{quantity.bound} {limit}", f"{sign} {limit}"),
        unit.of(target.estimate),
        *wider,
        unit.name,
        target.verdict,
    ]


def _half_width(estimate: IntervalEstimate) -> Writer:
    return lambda digits, _: (interval_figure(estimate, digits)[1].removeprefix("±"), "")


def statistics(figures: Figures) -> Iterator[tuple[Quantity, IntervalEstimate]]:
    """Every figure of a class but the counts and the stages, in SI, in the order in which it is shown."""
    yield Quantity("rate"), figures.rate_per_s
    yield Quantity("throughput"), figures.throughput_bytes_per_s
    for name, estimate in figures.latency_s.items():
        yield Quantity(name), estimate


def class_figures(each: ClassResult) -> Table:
    """What a class sees: a row a figure, all its requests, reads and writes in columns."""
    kinds: dict[str, Figures] = {"all": each.all}
    if len(each.kinds) > 1:
        kinds |= {f"{kind}s": figures for kind, figures in each.kinds.items()}
    elif each.kinds:
        kinds = {f"all ({next(iter(each.kinds))}s)": each.all}
    columns = [dict(statistics(figures)) for figures in kinds.values()]
    latencies = [e.value for column in columns for q, e in column.items() if q.is_latency]
    count = "requests" if each.requests_per_transaction is None else "transactions"
    rows: list[list[Cell]] = [[count, *(f"{figures.requests:,}" for figures in kinds.values())]]
    for quantity in dict.fromkeys(quantity for column in columns for quantity in column):
        unit = unit_of(quantity.dimension, latencies)
        found = (column.get(quantity) for column in columns)
        rows.append(
            [f"{quantity.shown}, {unit.name}", *(unknown() if e is None else unit.of(e) for e in found)]
        )
    return Table.of(["", *kinds], rows)


def stage_times(samples: Mapping[str, Mapping[str, StageTimes]]) -> Table:
    """Wait and service at each stage, for each sample of requests by its name."""
    every = [
        [getattr(sample[stage], part) for sample in samples.values() for part in ("wait_s", "service_s")]
        for stage in STAGES
    ]
    largest = max((e.value for row in every for e in row if e.value is not None), default=0.0)
    unit = unit_of("time", [largest])
    finest = 10.0 ** -(STAGE_PLACES - len(f"{largest / unit.size:.0f}"))
    heads = [Head(part, over=name) for name in samples for part in ("wait", "service")]
    return Table.of(
        [f"mean time, {unit.name}", *heads],
        [
            [stage, *(_not_finer(unit.of(e), finest) for e in row)]
            for stage, row in zip(STAGES, every, strict=True)
        ],
    )


def _not_finer(estimate: IntervalEstimate, finest: float) -> Writer:
    """A figure as others, but not finer than the table's resolution without need."""

    def write(digits: int, notes: Footnotes) -> tuple[str, str]:
        if estimate.high is not None and 0 < estimate.high < finest:
            return f"<{number(finest)}", ""
        return notes.figure(estimate, digits, finest)

    return write


def steps(each: ClassResult) -> Table:
    """What each step of a transaction takes: in the mean, in its own tail, and in the slowest 1 % of transactions."""
    found = [[*(step.latency_s[name] for name in STEP_FIGURES), step.slowest_s] for step in each.steps]
    unit = unit_of("time", [e.value for row in found for e in row])
    heads = [Head(Quantity(name).shown, over="all") for name in STEP_FIGURES]
    return Table.of(
        [f"step, {unit.name}", "\nrequests", *heads, Head("mean", over="slowest 1 %")],
        [
            [step.name, f"{step.requests:,}" if step.requests else "–", *map(unit.of, row)]
            for step, row in zip(each.steps, found, strict=True)
        ],
    )


def station_columns(is_open: bool = True) -> tuple[Column[StationResult], ...]:
    """What is known of a bank of stations; ``is_open`` says whether a class is, so that there is a load to speak of."""

    def unseen(station: StationResult) -> str:
        return "a delay has no servers and no queue" if station.discipline == "delay" else "not observed"

    def share(station: StationResult) -> Cell:
        reason = "no open class asks anything of it, or what it can carry is not known"
        if station.discipline == "delay":
            reason = unseen(station)
        elif not is_open:
            reason = "no class is open: the load follows the server"
        elif station.discipline == "token":
            reason = "permits bound what is under way; they are not what carries the load"
        return known(station.share_of_saturation if is_open else None, percent, reason)

    return (
        Column(Head("station", "name"), lambda each: each.name, "name"),
        Column(Head("stage", "name"), lambda each: each.stage, "stage"),
        Column(Head("stations"), lambda each: f"{each.count:,}", "count"),
        Column(Head("servers\neach"), lambda each: f"{each.servers:,}", "servers"),
        Column(Head("discipline", "text"), lambda each: each.discipline, "discipline"),
        Column(Head("busy,\n%"), lambda each: known(each.utilisation, percent, unseen(each)), "utilisation"),
        Column(Head("load, % of\nsaturation"), share, "share_of_saturation"),
        Column(
            Head("number\nwaiting"),
            lambda each: known(each.mean_number_waiting, small_number, unseen(each)),
            "mean_number_waiting",
        ),
    )


def stations(result: Result) -> Table:
    """How busy the stations are, in the order of the stages."""
    is_open = result.theory.saturation is not None or result.overload is not None
    found = sorted(result.stations, key=lambda each: STAGES.index(each.stage))
    return table_of(station_columns(is_open), found)


def offered_load(theory: Theory) -> Table:
    """What the load asks of each station, the most first."""
    found = sorted(theory.utilisation.items(), key=lambda each: -each[1])
    return Table.of(["station", "load, % of\nsaturation"], [(name, percent(share)) for name, share in found])


REBUILDS: tuple[Column[RebuildResult], ...] = (
    Column(Head("in the background", "name"), lambda each: each.name),
    Column(Head("drives"), lambda each: f"{each.drives:,}"),
    Column(Head("asked,\nMB/s each"), lambda each: MEGABYTES.number(each.asked_bytes_per_s)),
    Column(Head("found,\nMB/s each"), lambda each: MEGABYTES.of(each.rate_bytes_per_s)),
    Column(Head("left, GB\neach"), lambda each: number(each.left_bytes / 1e9)),
    Column(Head("left, h"), lambda each: known(each.left_s, lambda seconds: number(seconds / 3600))),
)
"""What the server does beside answering requests."""
