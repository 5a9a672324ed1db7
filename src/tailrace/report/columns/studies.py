"""The figures of studies: the points of a sweep, values tried, resources changed, designs compared."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from tailrace.answer.result import TargetResult
from tailrace.measure.interval import IntervalEstimate
from tailrace.quantity import Quantity
from tailrace.report.columns.answer import statistics
from tailrace.report.figures import Unit, change_text, cut, key_text, percent, rounded_down, unit_of
from tailrace.report.table import Cell, Column, Head, Table, known, noted, pair, signed, table_of, unknown
from tailrace.study.compare import Comparison, Design, Difference
from tailrace.study.headroom import Headroom
from tailrace.study.lines import short_key
from tailrace.study.relief import Relief, Relieved
from tailrace.study.sweep import Sweep
from tailrace.study.tried import Tried

SWEPT = ("rate", "mean", "p99")
"""What is shown of each point of a sweep."""
PER_PRICE, PER_POWER_W = 1000.0, 100.0
LONGEST_CHANGE = 24
LONGEST_NAME = 14


def swept(sweep: Sweep, class_name: str) -> Table:
    """What a class sees at each point of a sweep."""
    points = [p for p in sweep.points if any(w.name == class_name for w in p.evidence.scenario.workload)]
    # With more columns of keys there is no room for what is moved; files and pictures have it always.
    moved = ["throughput"] if sweep.varies_sizes and not sweep.several and len(sweep.keys) == 1 else []
    quantities = [Quantity(name) for name in (*SWEPT[:1], *moved, *SWEPT[1:])]
    found = [[point.evidence.estimate(class_name, quantity) for quantity in quantities] for point in points]
    times = [e.value for row in found for e, q in zip(row, quantities, strict=True) if q.is_latency]
    units = [unit_of(quantity.dimension, times) for quantity in quantities]
    heads: list[Head | str] = [
        *([Head("scenario", "name")] if sweep.several else []),
        *(
            Head(short_key(key), "figure" if sweep.several or place else "name")
            for place, key in enumerate(sweep.keys)
        ),
        *(f"{quantity.shown}, {unit.name}" for quantity, unit in zip(quantities, units, strict=True)),
    ]
    with_verdict = any(each.evidence.targets or each.evidence.overloaded for each in points)
    rows: list[list[Cell]] = []
    for point, row in zip(points, found, strict=True):
        values = [key_text(setting.value, sweep.told.get(setting.key, "")) for setting in point.settings]
        verdict = [point.evidence.verdict.replace("none", "")] if with_verdict else []
        figures = [_carried(unit.of(e)) for e, unit in zip(row, units, strict=True)]
        rows.append([*([point.scenario] if sweep.several else []), *values, *figures, *verdict])
    return Table.of([*heads, *([Head("verdict", "verdict")] if with_verdict else [])], rows)


def _carried(estimate: IntervalEstimate) -> Cell:
    """A dash alone for what is overloaded: the verdict says so."""
    overloaded = estimate.value is None and estimate.method.startswith("overloaded")
    return unknown() if overloaded else estimate


def rules(found: Headroom) -> Table:
    """Plain division beside what it hides: the other stations, and the targets."""
    rows = [
        ("plain division: the drives alone", found.plain),
        ("every station, until the first saturates", found.saturating),
    ]
    if found.rule == "simulated":
        rows += [
            ("every target surely met, simulated", found.met),
            ("a target surely missed", found.missed),
        ]
    return Table.of(
        ["rule", "value", "of plain\ndivision, %"],
        [
            (
                name,
                known(value, lambda tried: tried_text(tried, found)),
                unknown() if value is None or not found.plain else percent(value / found.plain),
            )
            for name, value in rows
        ],
    )


def tried_text(value: float, found: Headroom) -> str:
    """A value of the key that was turned, to six digits."""
    return key_text(float(f"{value:.6g}"), found.told or found.unit)


def one_target(found: Headroom) -> TargetResult | None:
    """The target that decided all values tried, if it is the same everywhere."""
    targets = [each.target for each in found.tried if each.target is not None]
    names = {(each.class_name, each.quantity) for each in targets}
    return targets[0] if len(names) == 1 else None


def tried(found: Headroom) -> Table:
    """Every value that the search for the headroom tried; the target in the heading if it is the same for all."""
    alike = one_target(found)
    figure = Head("found" if alike is None else f"{_name(alike)},\n{target_unit(alike).name}")

    def value(each: Tried) -> Cell:
        target = each.target
        if target is None or target.estimate.value is None:
            return unknown()
        return target_unit(target).of(target.estimate)

    def of_target(write: Callable[[TargetResult], str]) -> Callable[[Tried], Cell]:
        return lambda each: "" if each.target is None else write(each.target)

    in_conditions = any(each.condition for each in found.tried)
    columns: list[Column[Tried]] = [
        Column(Head("value", "name"), lambda each: tried_text(each.value, found)),
        *([Column[Tried](Head("condition", "name"), lambda each: each.condition)] if in_conditions else []),
        Column(Head("load, % of\nsaturation"), lambda each: known(each.share_of_saturation, percent)),
        Column(Head("target", "name"), of_target(_name)),
        Column(Head("limit"), of_target(lambda target: target_unit(target).number(target.limit, 6))),
        Column(figure, value),
        Column(Head("unit", "text"), of_target(lambda target: target_unit(target).name)),
        Column(Head("requests"), lambda each: f"{each.requests:,}"),
        Column(Head("verdict", "verdict"), lambda each: each.verdict),
    ]
    told_above = ("target", "limit", "unit") if alike else ()
    return table_of([each for each in columns if each.head.text not in told_above], found.tried)


def target_unit(target: TargetResult) -> Unit:
    """The unit in which a target is told."""
    return unit_of(target.quantity.dimension, [target.limit])


def _name(target: TargetResult) -> str:
    return f"{cut(target.class_name, LONGEST_NAME)} {target.quantity.shown}"


def relief_unit(found: Relief) -> Unit:
    """The unit in which the figure is told that the resources are to mend."""
    values = [value for each in found.doubled if (value := _value(each))]
    return unit_of(found.quantity.dimension, [found.limit or found.now.value or min(values, default=1.0)])


def _value(each: Relieved) -> float | None:
    return None if each.value is None else each.value.value


def relieved(found: Relief, rows: Sequence[Relieved]) -> Table:
    """Resources doubled or halved, the best first."""
    unit = relief_unit(found)
    columns: list[Column[Relieved]] = [
        Column(Head("resource", "name"), lambda each: each.resource),
        Column(Head("from, to", "name"), lambda each: cut(each.described, LONGEST_CHANGE)),
        Column(
            Head(f"{found.quantity.shown},\n{unit.name}"),
            lambda each: known(_value(each), lambda value: unit.number(value, 4)),
        ),
    ]
    if found.overloaded:
        columns.append(
            Column(Head("carries, times\nthis load"), lambda each: known(each.carries, rounded_down))
        )
    else:
        columns.append(
            Column(
                Head("change, %"),
                lambda each: _change(None if each.paired is None else each.paired.ratio, each),
            )
        )
    if any(each.rates for each in rows):
        columns.append(
            Column(
                Head("rate of\nclosed, %"),
                lambda each: _change(None if each.slowed is None else each.slowed[1], each),
            )
        )
    columns.append(Column(Head("verdict", "verdict"), lambda each: each.verdict or "–"))
    return table_of(columns, rows)


def _change(ratio: IntervalEstimate | None, each: Relieved) -> Cell:
    """A paired change in percent with its half-width."""
    if ratio is None or ratio.value is None or ratio.low is None or ratio.high is None:
        return unknown(each.reason or (ratio.method if ratio else ""))
    half = 100 * max(ratio.high - ratio.value, ratio.value - ratio.low)
    places = 0 if half >= 2 else 1 if half >= 0.05 else 2
    change = change_text(ratio.value - 1, places)
    return pair(change if change.strip("+−0.") else "0", f"±{half:.{places}f}" if half >= 0.005 else "±0")


def costs(found: Relief) -> Table:
    """What each change costs or saves, and by how much the figure changes for so much of it."""
    unit = relief_unit(found)
    rows = [each for each in (*found.doubled, *found.halved) if (each.price, each.power_w) != (None, None)]

    def more(value: float | None) -> Cell:
        return known(value, lambda cost: f"{cost:+,.6g}".replace("-", "−"))

    def gain(each: Relieved, cost: float | None, per: float) -> Cell:
        difference = each.paired.difference.value if each.paired and cost is not None else None
        return known(difference, lambda found: _rate(found / unit.size / (cost or 1.0) * per))

    columns: tuple[Column[Relieved], ...] = (
        Column(Head("resource", "name"), lambda each: each.resource),
        Column(Head("from, to", "name"), lambda each: each.described),
        Column(Head("price"), lambda each: more(each.price)),
        Column(Head(f"{unit.name} per\n{PER_PRICE:,.0f}"), lambda each: gain(each, each.price, PER_PRICE)),
        Column(Head("power, W"), lambda each: more(each.power_w)),
        Column(
            Head(f"{unit.name} per\n{PER_POWER_W:g} W"), lambda each: gain(each, each.power_w, PER_POWER_W)
        ),
    )
    return table_of(columns, rows)


def _rate(value: float) -> str:
    text = f"{value:+.3g}".replace("-", "−")
    return "0" if text in ("+0", "−0") else text


def boxes(comparison: Comparison) -> Table:
    """What one of each design carries, how many do what one of the first does, and what these cost."""
    first = comparison.designs[0]
    priced = any(each.cost.price is not None for each in comparison.designs)
    powered = any(each.cost.power_w is not None for each in comparison.designs)

    def cost(figure: float | None, lacking: Sequence[str]) -> Cell:
        reason = f"without {', '.join(lacking)}" if lacking else ""
        return unknown(reason) if figure is None else noted(f"{figure:,.0f}", reason)

    def of_all(figure: float | None, each: Design) -> Cell:
        return unknown() if figure is None or each.boxes is None else f"{figure * each.boxes:,.0f}"

    columns: list[Column[Design]] = [
        Column(Head("design", "name"), lambda each: each.name),
        Column(
            Head("carries, times\nthis load"), lambda each: known(each.carries, rounded_down, each.unknown)
        ),
        Column(
            Head("boxes to match\nthe first"),
            lambda each: known(
                each.boxes, lambda count: f"{count:,}", each.unknown or f"{first.name}: {first.unknown}"
            ),
        ),
    ]
    if priced:
        columns += [
            Column(Head("price\nof one"), lambda each: cost(each.cost.price, each.cost.lacking_price)),
            Column(Head("price\nof all"), lambda each: of_all(each.cost.price, each)),
        ]
    if powered:
        columns += [
            Column(Head("power\nof one, W"), lambda each: cost(each.cost.power_w, each.cost.lacking_power)),
            Column(Head("power\nof all, W"), lambda each: of_all(each.cost.power_w, each)),
        ]
    return table_of(columns, comparison.designs)


def class_differences(comparison: Comparison) -> Iterator[tuple[str, Design, list[Difference]]]:
    """How every design differs from the first, class by class: what is compared, in words, the design, the figures."""
    first, *others = comparison.designs
    for design in others:
        mine = [each for each in comparison.differences if each.design == design.name]
        for name in dict.fromkeys(each.class_name for each in mine):
            said = f"Class {name}: {design.name} against {first.name}"
            yield said, design, [each for each in mine if each.class_name == name]


def differences(comparison: Comparison, design: Design, found: Sequence[Difference]) -> Table:
    """Figures of a class under the first design and another, with difference and ratio; by kind of request."""
    kinds = list(dict.fromkeys(each.kind for each in found))
    if len(kinds) == 2:  # only reads, or only writes: the same twice
        kinds = kinds[:1]
    rows: list[list[Cell]] = []
    for kind in kinds:
        mine = [each for each in found if each.kind == kind]
        both = [[_figure(side, each) for side in (comparison.designs[0], design)] for each in mine]
        quantities = [Quantity.of(kind, each.quantity) for each in mine]
        times = [e.value for q, sides in zip(quantities, both, strict=True) if q.is_latency for e in sides]
        for each, quantity, sides in zip(mine, quantities, both, strict=True):
            unit = unit_of(quantity.dimension, times)
            rows.append(
                [
                    f"{quantity.shown}, {unit.name}",
                    *map(unit.of, sides),
                    signed(unit.of(each.paired.difference)),
                    each.paired.ratio,
                ]
            )
    return Table.of(["", "first", "this one", "difference", "ratio"], rows)


def _figure(design: Design, difference: Difference) -> IntervalEstimate:
    each = design.result.class_named(difference.class_name)
    figures = each.all if difference.kind == "all" else each.kinds[difference.kind]
    return dict(statistics(figures))[Quantity(difference.quantity)]
