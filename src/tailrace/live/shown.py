"""What was found as fragments of the page: HTML from templates, which escape all that they are given."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tailrace.answer.result import Result
from tailrace.forecast.result import Theory
from tailrace.live.controls import Control
from tailrace.live.reckoned import LOOKS, Beside, Forms, Seen
from tailrace.measure.interval import IntervalEstimate
from tailrace.quantity import Quantity
from tailrace.report.columns import conditions as of_conditions
from tailrace.report.columns.answer import targets
from tailrace.report.columns.theory import alone, beside_simulated, method_sentences
from tailrace.report.condition_words import conditions_sentence, estimates_sentence
from tailrace.report.figures import FEW_DIGITS, interval_figure, number, percent, unit_of
from tailrace.report.page import tables
from tailrace.report.page.site import VARIABLES, environment
from tailrace.report.pictures import save
from tailrace.report.pictures.conditions import conditions_picture
from tailrace.report.pictures.distribution import latency_distribution
from tailrace.report.pictures.load import load_curve
from tailrace.report.pictures.stages import time_per_stage
from tailrace.report.pictures.style import MOST_LINES, Width
from tailrace.report.sentences import (
    PAIRED,
    binding_sentence,
    estimate_sentence,
    interval_sentence,
    tail_sentence,
    verdict_sentence,
)
from tailrace.report.table import Cell, Head, Table, unknown
from tailrace.scenario.tables.scenario import Scenario
from tailrace.study.curve import LoadCurve

FOLDER = Path(__file__).parent
MOST_CLASSES = 6
CARDS = tuple(map(Quantity, ("rate", "throughput", "mean", "p99")))
"""What stands in large letters of each class."""


@dataclass(frozen=True)
class Card:
    """One figure in large letters: value and half-width with unit, the same of the answer that was kept, and the ratio.

    ``said`` is what stands beside it in small letters.
    """

    label: str
    value: str
    rest: str
    said: str = ""
    kept: str = ""
    ratio: str = ""


def fragment(template: str, **context: Any) -> str:
    """A template of this folder filled in."""
    return environment(FOLDER).get_template(template).render(**context)


def style() -> str:
    """The style sheet: that of reports, and what a live page has besides."""
    return fragment("live.css", variables=VARIABLES)


def controls(found: Sequence[Control], front: Sequence[Control], file: Mapping[str, str]) -> str:
    """The controls, those in ``front`` first; ``file`` has the values of the start by key."""
    keys = {each.key for each in front}
    others = [each for each in found if each.key not in keys]
    changed = [each for each in others if each.key in file and each.value != file[each.key]]
    rest = [each for each in others if each not in changed]
    return fragment("controls.html", front=front, changed=changed, rest=rest, file=file)


def problem(said: str) -> str:
    """What was wrong, a line each."""
    return fragment("problem.html", lines=said.splitlines())


def forms(found: Forms) -> str:
    """The answer of closed forms."""
    groups = [
        {
            "name": condition,
            "classes": [
                (name, _theory_cards(found, condition, name))
                for name in [each.name for each in _scenario_in(found.scenario, condition).workload][
                    :MOST_CLASSES
                ]
            ]
            if _is_carried(theory)
            else [],
            "server": _server_cards(
                found.scenario, theory, found.kept_scenario, found.kept.get(condition), condition
            ),
            "theory": alone(theory),
            "methods": method_sentences(theory),
        }
        for condition, theory in found.theory.items()
    ]
    if found.conditions is None:
        theory = found.theory[""]
        verdict, said = ("none" if _is_carried(theory) else "overloaded"), estimate_sentence(theory)
    else:
        verdict = "overloaded" if found.conditions.is_overloaded else "none"
        said = estimates_sentence(found.conditions)
    return fragment(
        "answer.html",
        state="Closed forms, reckoned without any run; the simulation follows.",
        step=0,
        looks=LOOKS,
        verdict=verdict,
        is_forms=True,
        said=said,
        binding=None,
        groups=groups,
        promises=None,
        states=None if found.conditions is None else of_conditions.estimated(found.conditions),
        compared=[],
        paired="",
        interval="",
        notes=list(dict.fromkeys(note for each in found.theory.values() for note in each.notes)),
        has_kept=found.kept_scenario is not None,
    )


def seen(found: Seen, kept: Scenario | None) -> str:
    """The answer of a step of the simulation."""
    answers = found.results
    groups = [
        {
            "name": condition,
            "classes": [
                (each.name, _cards(found, condition, each.name)) for each in result.classes[:MOST_CLASSES]
            ],
            "server": _server_cards(
                found.scenario,
                result.theory,
                kept,
                found.kept[condition].theory if condition in found.kept else None,
                condition,
            ),
            "theory": beside_simulated(result),
            "methods": method_sentences(result.theory),
        }
        for condition, result in answers.items()
    ]
    if found.conditions is not None:
        verdict, said, binding = found.conditions.verdict, conditions_sentence(found.conditions), None
        promises, notes = of_conditions.promises(found.conditions), found.conditions.notes
    else:
        result = answers[""]
        verdict, said, binding = result.verdict, verdict_sentence(result), binding_sentence(result)
        promises, notes = targets([("", result)]), result.notes
    some = next((each for each in answers.values() if each.classes), None)
    lengths = {(each.replications, each.requests) for each in answers.values() if each.replications}
    ran = ", ".join(
        f"{count} replications, {requests:,} requests measured" for count, requests in sorted(lengths)
    )
    goes_on = "it goes on" if found.step < LOOKS else "finished"
    return fragment(
        "answer.html",
        state=f"Simulated, step {found.step} of {LOOKS}{f': {ran}' if ran else ''}; {goes_on}.",
        step=found.step,
        looks=LOOKS,
        verdict=verdict,
        is_forms=False,
        said=said,
        binding=binding,
        groups=groups,
        promises=promises if promises.rows else None,
        states=None if found.conditions is None else of_conditions.states(found.conditions),
        compared=list(_compared(found)),
        paired=PAIRED if found.beside else "",
        interval=interval_sentence(some) if some else "",
        notes=list(notes),
        has_kept=kept is not None,
    )


def spoken(found: Seen) -> str:
    """What a reader of the screen is told when a step is finished: the verdict, and the p99 of the first class."""
    if found.conditions is not None:
        return conditions_sentence(found.conditions)
    result = found.results[""]
    said = verdict_sentence(result)
    for each in result.classes[:1]:
        p99 = each.all.latency_s["p99"]
        if p99.value is not None:
            said += f" p99 of {each.name}: {unit_of('time', [p99.value]).text(p99.value)}."
    return said


def pictures(found: Seen, width: Width) -> Iterator[tuple[str, str]]:
    """The pictures of an answer, one after the other: the element that each belongs into, and the fragment."""
    if found.conditions is not None:
        whole = found.conditions
        yield (
            "latency",
            _picture(
                conditions_picture(whole, width=width),
                "conditions",
                f"Mean and p99 latency of each class in every condition, and the load in each. {conditions_sentence(whole)}",
                "Marks are the figures, bars through them their 95 % intervals, dashed strokes the targets.",
            ),
        )
        return
    result = found.results[""]
    if not result.classes:
        yield (
            "latency",
            fragment("nothing.html", said="No latency is quoted: the queues would grow without end."),
        )
        yield "time", ""
        return
    names = [each.name for each in result.classes][:MOST_LINES]
    closed = {
        name: {0.99: each.p99_s} for name, each in result.theory.classes.items() if each.p99_s is not None
    }
    yield (
        "latency",
        _picture(
            latency_distribution(result, names, closed, width),
            "latency",
            "Share of the requests that take longer than a given time, on logarithmic axes.",
            "Each line says which share of the requests takes longer than the time below it.",
            tables.distribution(result, names),
        ),
    )
    tails = [(each.name, tail_sentence(each.all)) for each in result.classes]
    caption = " ".join(f"{name}: {tail}" for name, tail in tails if tail)
    yield (
        "time",
        _picture(
            time_per_stage(result, names, width),
            "time",
            f"Time at each stage, waiting apart from service, for the median request and the slowest 1 %. {caption}",
            caption,
        ),
    )


def load(curve: LoadCurve | None, width: Width) -> str:
    """The load curve, or why there is none."""
    if curve is None:
        return fragment(
            "nothing.html", said="No load curve: no class is open, or the load differs by condition."
        )
    return _picture(
        load_curve(curve, width=width),
        "load",
        f"Mean and p99 latency against the open load; today's is {number(curve.rate_per_s, 4)} requests/s.",
        "The points come from short runs: their intervals are wide, and where even those cannot be given, nothing is "
        "drawn.",
        tables.load_points(curve),
    )


def _picture(figure: Any, name: str, alternative: str, caption: str, numbers: Table | None = None) -> str:
    svg = save.svg_without_styles(figure, name)
    return fragment("picture.html", svg=svg, alternative=alternative, caption=caption, numbers=numbers)


def _is_carried(theory: Theory) -> bool:
    return theory.saturation is None or not theory.saturation.is_exceeded


def _scenario_in(scenario: Scenario, condition: str) -> Scenario:
    from tailrace.scenario.reading.conditions import states

    return next(each.scenario for each in states(scenario) if each.name == condition)


def _written(quantity: Quantity, estimate: IntervalEstimate) -> tuple[str, str]:
    """Value, and half-width with unit."""
    unit = unit_of(quantity.dimension, [estimate.value])
    value, half = interval_figure(unit.of(estimate), FEW_DIGITS + 1)
    return value, f"{half} {unit.name}".strip() if estimate.value is not None else ""


def _cards(found: Seen, condition: str, name: str) -> list[Card]:
    """The figures of a class, simulated."""
    beside = {
        each.quantity: each.paired
        for each in found.beside
        if (each.condition, each.class_name) == (condition, name)
    }
    before = found.kept.get(condition)
    cards = []
    for quantity in CARDS:
        value, rest = _written(quantity, _estimate(found.results[condition], name, quantity))
        kept, ratio = "", ""
        if before is not None and any(each.name == name for each in before.classes):
            kept = " ".join(_written(quantity, _estimate(before, name, quantity)))
            if quantity in beside and beside[quantity].ratio.value is not None:
                ratio = " ".join(interval_figure(beside[quantity].ratio, FEW_DIGITS))
        why = _estimate(found.results[condition], name, quantity)
        cards.append(
            Card(_label(quantity), value, rest, "" if why.value is not None else why.method, kept, ratio)
        )
    return cards


def _label(quantity: Quantity) -> str:
    return {"rate": "requests a second", "mean": "mean latency"}.get(
        quantity, f"{quantity.shown} latency" if quantity.is_latency else quantity.shown
    )


def _estimate(result: Result, name: str, quantity: Quantity) -> IntervalEstimate:
    figures = result.class_named(name).all
    if quantity == "rate":
        return figures.rate_per_s
    return figures.throughput_bytes_per_s if quantity == "throughput" else figures.latency_s[quantity]


def _theory_cards(found: Forms, condition: str, name: str) -> list[Card]:
    """The figures of a class, by closed form."""
    mine = _closed(found.scenario, found.theory[condition], condition, name)
    theirs = (
        {}
        if found.kept_scenario is None or condition not in found.kept
        else _closed(found.kept_scenario, found.kept[condition], condition, name)
    )
    cards = []
    for quantity in CARDS:
        value, before = mine.get(quantity), theirs.get(quantity)
        unit = unit_of(quantity.dimension, [value])
        text = "–" if value is None else unit.number(value, FEW_DIGITS + 1)
        kept = "" if before is None else unit_of(quantity.dimension, [before]).text(before, FEW_DIGITS + 1)
        ratio = number(value / before) if value is not None and before else ""
        cards.append(Card(_label(quantity), text, unit.name if value is not None else "", "", kept, ratio))
    return cards


def _closed(scenario: Scenario, theory: Theory, condition: str, name: str) -> dict[str, float | None]:
    """Rate, throughput, mean and p99 of a class, as far as closed forms know them."""
    there = _scenario_in(scenario, condition)
    if name not in [each.name for each in there.workload]:
        return {}
    workload, known = there.workload_named(name), theory.classes.get(name)
    rate = workload.rate_at(there.load) if workload.is_open else None if known is None else known.rate_per_s
    size = _mean_size(workload)
    return {
        "rate": rate,
        "throughput": None if rate is None or size is None else rate * size,
        "mean": None if known is None else known.mean_s,
        "p99": None if known is None else known.p99_s,
    }


def _mean_size(workload: Any) -> float | None:
    """Mean bytes of a request; None of transactions and traces."""
    if workload.step or workload.is_recorded or not workload.request_size:
        return None
    return float(sum(part.size * part.share for part in workload.request_size))


def _server_cards(
    scenario: Scenario, theory: Theory, kept: Scenario | None, kept_theory: Theory | None, condition: str
) -> list[Card]:
    """What the server can carry at most, in requests and in data, by closed form."""
    mine = _largest(scenario, theory, condition)
    theirs = None if kept is None or kept_theory is None else _largest(kept, kept_theory, condition)
    if mine is None:
        return []
    cards = []
    for quantity, label in ((Quantity("rate"), "can carry"), (Quantity("throughput"), "that is")):
        value, before = mine[quantity], None if theirs is None else theirs[quantity]
        if value is None:
            continue
        unit = unit_of(quantity.dimension, [value])
        station = theory.saturation.station if theory.saturation else ""
        full = f"then the {station} is full" if station else ""
        share = mine["share"]
        said = f"{full}; now {percent(share)} % of it" if quantity == "rate" and share else ""
        cards.append(
            Card(
                label,
                unit.number(value),
                unit.name,
                said,
                "" if before is None else unit_of(quantity.dimension, [before]).text(before),
                number(value / before) if before else "",
            )
        )
    return cards


def _largest(scenario: Scenario, theory: Theory, condition: str) -> dict[str, float | None] | None:
    saturation = theory.saturation
    there = _scenario_in(scenario, condition)
    if saturation is None or saturation.load_factor <= 0:
        return None
    sizes = [(each.rate_at(there.load), _mean_size(each)) for each in there.workload if each.is_open]
    known = all(size is not None for _, size in sizes)
    moved = sum(rate * (size or 0.0) for rate, size in sizes)
    return {
        "rate": saturation.load_factor * there.open_rate_per_s,
        "throughput": saturation.load_factor * moved if known else None,
        "share": 1 / saturation.load_factor,
    }


def _compared(found: Seen) -> Iterator[tuple[str, Table]]:
    """Class by class, this answer beside the one that was kept."""
    groups: dict[tuple[str, str], list[Beside]] = {}
    for each in found.beside:
        groups.setdefault((each.condition, each.class_name), []).append(each)
    for (condition, name), mine in groups.items():
        rows: list[list[Cell]] = []
        for each in mine:
            sides = [
                _estimate(answer, name, each.quantity)
                for answer in (found.kept[condition], found.results[condition])
            ]
            unit = unit_of(each.quantity.dimension, [side.value for side in sides])
            ratio: Cell = (
                each.paired.ratio
                if each.paired.ratio.value is not None
                else unknown(each.paired.ratio.method)
            )
            rows.append([f"{each.quantity.shown}, {unit.name}", *map(unit.of, sides), ratio])
        where = f", condition {condition}" if condition else ""
        yield (
            f"Class {name}{where}, on the same requests",
            Table.of([Head("", "name"), "kept", "this one", "this / kept"], rows),
        )
