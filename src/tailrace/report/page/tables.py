"""The numbers of a report as tables: those behind each picture, the stations, the inputs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tailrace.answer.result import ClassResult, Figures, Result, StageTimes
from tailrace.measure.estimate import Estimate
from tailrace.report.figures import (
    BYTES_PER_MB,
    TIME_UNITS,
    interval_figure,
    number,
    percent,
    small_number,
    target_unit,
    time_unit,
)
from tailrace.report.pictures.stages import STAGES
from tailrace.report.terminal.answer import LATENCIES
from tailrace.report.terminal.steps import STEP_FIGURES, step_figures
from tailrace.report.terminal.sweep import shown_value
from tailrace.scenario.reading.inputs import inputs
from tailrace.scenario.tables.scenario import Scenario
from tailrace.study.curve import Curve, LoadCurve
from tailrace.study.headroom import Headroom
from tailrace.study.relief import Relief, Relieved


@dataclass(frozen=True)
class Table:
    """Headings and rows of texts. The first ``names`` columns are names and stand at the left, ``prose`` are columns of
    words, which may run over several lines.
    """

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    names: int = 1
    prose: tuple[int, ...] = ()

    def style_of(self, place: int, cell: str = "") -> str:
        """The style class of a cell: name, prose, why (a dash with its reason) or figure."""
        if place in self.prose:
            return "prose"
        if place < self.names:
            return "name"
        return "why" if cell.startswith("– (") else "figure"


def figure(estimate: Estimate, factor: float = 1.0) -> str:
    """A figure with its half-width, or a dash with the reason."""
    if estimate.value is None:
        return f"– ({estimate.method})"
    value, half = interval_figure(estimate.scaled(factor))
    return f"{value} {half}".strip()


def targets(result: Result) -> Table:
    """Each promise beside what was found."""
    rows = []
    for each in result.classes:
        for target in each.targets:
            unit, size = target_unit(target.quantity, target.limit)
            limit = f"{'at most' if target.is_upper else 'at least'} {number(target.limit / size, 6)} {unit}"
            quantity = target.quantity.replace("p999", "p99.9").replace("_", " ")
            found = f"{figure(target.judged, 1 / size)} {unit}"
            rows.append((each.name, quantity, limit, found, target.verdict))
    return Table(("class", "quantity", "limit", "found", "verdict"), tuple(rows), names=2)


def class_figures(each: ClassResult) -> Table:
    """What a class sees: all its requests, and reads and writes apart."""
    parts: dict[str, Figures] = {"all requests": each.all}
    if len(each.kinds) > 1:
        parts |= {f"{kind}s": figures for kind, figures in each.kinds.items()}
    values = [e.value for part in parts.values() for e in part.latency_s.values() if e.value is not None]
    unit = time_unit(values)
    rows = [
        ("requests", *(f"{part.requests:,}" for part in parts.values())),
        ("rate, /s", *(figure(part.rate_per_s) for part in parts.values())),
        ("throughput, MB/s", *(figure(p.throughput_bytes_per_s, 1 / BYTES_PER_MB) for p in parts.values())),
    ]
    for name, written in LATENCIES.items():
        row = (figure(part.latency_s[name], 1 / TIME_UNITS[unit]) for part in parts.values())
        rows.append((f"{written}, {unit}", *row))
    return Table(("", *parts), tuple(rows))


def steps(each: ClassResult) -> Table:
    """What each step of a transaction takes: in the mean, in its own tail, and in the slowest 1 % of transactions."""
    unit, figures = step_figures(each)
    rows = [
        (step.name, f"{step.requests:,}" if step.requests else "–", *(figure(e) for e in row))
        for step, row in zip(each.steps, figures, strict=True)
    ]
    head = (f"step, {unit}", "requests", *STEP_FIGURES, "mean of the slowest 1 %")
    return Table(head, tuple(rows))


def distribution(result: Result, names: Sequence[str]) -> Table:
    """The points of the lines of the distribution."""
    classes = [result.class_named(name) for name in names]
    values = [e.value for each in classes for e in each.all.latency_s.values() if e.value is not None]
    unit = time_unit(values)
    levels = sorted({p for each in classes for p in each.all.distribution_s})
    rows = []
    for p in levels:
        cells = []
        for each in classes:
            estimate = each.all.distribution_s.get(p)
            cells.append("–" if estimate is None else figure(estimate, 1 / TIME_UNITS[unit]))
        rows.append((f"{100 * (1 - p):.4g}", *cells))
    return Table(("requests that take longer, %", *(f"{name}, {unit}" for name in names)), tuple(rows))


def stage_times(each: ClassResult) -> Table:
    """Wait and service at each stage: the median request, the slowest 1 % and all requests."""
    figures = each.all
    samples = {
        "median": figures.median_stages,
        "slowest 1 %": figures.slowest_stages,
        "all": figures.stages,
    }
    known = [e.value for part in samples.values() for e in _every(part.values()) if e.value is not None]
    unit = time_unit([max(known, default=0.0)])
    head = ("stage", *(f"{name}: {part}, {unit}" for name in samples for part in ("wait", "service")))
    rows = []
    for stage in STAGES:
        cells = [figure(e, 1 / TIME_UNITS[unit]) for part in samples.values() for e in _every([part[stage]])]
        rows.append((stage, *cells))
    return Table(head, tuple(rows))


def _every(times: Iterable[StageTimes]) -> list[Estimate]:
    return [estimate for each in times for estimate in (each.wait_s, each.service_s)]


def load_points(curve: LoadCurve) -> Table:
    """The points of a load curve."""
    names = list(dict.fromkeys(each.name for point in curve.points for each in point.result.classes))[:3]
    rows = []
    for point in curve.points:
        cells = []
        for name in names:
            cells += _latencies(point.result, name)
        today = " (today)" if point.value == 1.0 else ""
        rows.append((f"{number(point.value * curve.rate_per_s, 4)}{today}", *cells))
    head = [f"{name}: {quantity}" for name in names for quantity in ("mean", "p99")]
    return Table(("open load, requests/s", *head), tuple(rows))


def depth_points(curve: Curve, name: str) -> Table:
    """The points of a curve over the queue depth."""
    rows = []
    for point in curve.points:
        if point.result.classes:
            figures = point.result.class_named(name).all
            moved = figure(figures.throughput_bytes_per_s, 1 / BYTES_PER_MB)
            rows.append(
                (f"{point.value:,.0f}", figure(figures.rate_per_s), moved, *_latencies(point.result, name))
            )
    return Table(("queue depth", "requests/s", "MB/s", "mean", "p99"), tuple(rows))


def _latencies(result: Result, name: str) -> list[str]:
    if not result.classes:
        return ["– (the run was too short to settle)"] * 2
    found = []
    for quantity in ("mean", "p99"):
        estimate = result.class_named(name).all.latency_s[quantity]
        unit = time_unit([] if estimate.value is None else [estimate.value])
        known = estimate.value is not None
        found.append(f"{figure(estimate, 1 / TIME_UNITS[unit])} {unit}" if known else figure(estimate))
    return found


def theory(result: Result) -> Table:
    """Simulated beside closed form, and how that was come by."""
    rows = []
    for each in result.classes:
        closed = result.theory.classes.get(each.name)
        if closed is None:
            continue
        known = (("mean", closed.mean_s, closed.exact_mean), ("p99", closed.p99_s, closed.exact_p99))
        for name, value, exact in known:
            simulated = each.all.latency_s[name]
            if value is None or simulated.value is None:
                continue
            unit = time_unit([value])
            apart = f"{100 * (simulated.value / value - 1):+.1f} %".replace("-", "−")
            trust = "exact" if exact else "approximate"
            rows.append(
                (
                    each.name,
                    f"{name}, {unit}",
                    figure(simulated, 1 / TIME_UNITS[unit]),
                    number(value / TIME_UNITS[unit], 4),
                    apart,
                    f"{trust}; {closed.method}",
                )
            )
    return Table(
        ("class", "", "simulated", "closed form", "difference", "method"), tuple(rows), names=2, prose=(5,)
    )


def stations(result: Result) -> Table:
    """What the stations bear."""
    rows = []
    for each in result.stations:
        busy, share, waiting = each.utilisation, each.share_of_saturation, each.mean_number_waiting
        rows.append(
            (
                each.stage,
                each.name,
                each.discipline,
                f"{each.count:,}",
                f"{each.servers:,}",
                "–" if busy is None else percent(busy),
                "–" if share is None else percent(share),
                "–" if waiting is None else small_number(waiting),
            )
        )
    head = (
        *("stage", "station", "discipline", "stations", "servers each"),
        *("busy, %", "load, % of saturation", "number waiting"),
    )
    return Table(head, tuple(rows), names=3)


def all_inputs(scenario: Scenario) -> Table:
    """Every key as it was used."""
    rows = [
        (each.path, each.value, "given" if each.is_given else "default", each.description)
        for each in inputs(scenario)
    ]
    return Table(("key", "value", "from", "meaning"), tuple(rows), names=3, prose=(3,))


def tried(found: Headroom) -> Table:
    """Every value that the search for the headroom tried."""
    rows = []
    for each in found.tried:
        share, target = each.share_of_saturation, each.target
        value = None if target is None else target.estimate
        rows.append(
            (
                shown_value(float(f"{each.value:.6g}"), found.unit),
                "–" if share is None else percent(share),
                "–" if target is None else f"{target.quantity} of {target.class_name}",
                "–" if value is None or target is None else _in_unit(value, target.quantity),
                f"{each.requests:,}",
                each.verdict,
            )
        )
    head = ("value", "load, % of saturation", "target", "found", "requests", "verdict")
    return Table(head, tuple(rows))


def changed(found: Relief, rows: Sequence[Relieved]) -> Table:
    """Resources doubled or halved, the best first."""
    cells = []
    for each in rows:
        ratio = None if each.paired is None else each.paired.ratio
        if ratio is None or ratio.value is None or ratio.low is None or ratio.high is None:
            change = f"– ({each.reason or 'nothing to compare with'})"
        else:
            half = 100 * max(ratio.high - ratio.value, ratio.value - ratio.low)
            change = f"{100 * (ratio.value - 1):+.1f} ±{half:.1f}".replace("-", "−")
        value = "–" if each.value is None else _in_unit(each.value, found.quantity)
        cells.append((each.resource, each.described, value, change, each.verdict or "–"))
    what = f"{found.quantity} of {found.class_name}"
    return Table(("resource", "from, to", what, "change, %", "verdict"), tuple(cells), names=2)


def _in_unit(estimate: Estimate, quantity: str) -> str:
    if estimate.value is None:
        return figure(estimate)
    if quantity == "rate":
        return f"{figure(estimate)} /s"
    if quantity == "throughput":
        return f"{figure(estimate, 1 / BYTES_PER_MB)} MB/s"
    unit = time_unit([estimate.value])
    return f"{figure(estimate, 1 / TIME_UNITS[unit])} {unit}"


def compared(results: Sequence[tuple[str, Result]]) -> Table:
    """Several answers side by side: verdict, what binds, and the latencies of each class."""
    names = list(dict.fromkeys(each.name for _, result in results for each in result.classes))[:4]
    rows = []
    for name, result in results:
        saturation = result.theory.saturation
        factor = "–" if saturation is None else number(saturation.load_factor)
        cells = []
        for class_name in names:
            there = any(each.name == class_name for each in result.classes)
            cells += _latencies(result, class_name) if there else ["–", "–"]
        rows.append((name, result.verdict, factor, *cells))
    head = [f"{name}: {quantity}" for name in names for quantity in ("mean", "p99")]
    return Table(("scenario", "verdict", "saturates at, times this load", *head), tuple(rows))
