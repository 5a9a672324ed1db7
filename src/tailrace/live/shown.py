"""What was found as fragments of the page: HTML from templates, which escape all that they are given."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from markupsafe import Markup

from tailrace.live.cards import (
    caution_of,
    class_cards,
    estimate_of,
    is_carried,
    names_in,
    server_cards,
    theory_cards,
)
from tailrace.live.controls import Control
from tailrace.live.reckoned import LOOKS, Beside, Forms, Seen
from tailrace.report.columns import conditions as of_conditions
from tailrace.report.columns.answer import targets
from tailrace.report.columns.theory import alone, beside_simulated, method_sentences
from tailrace.report.condition_words import conditions_sentence, estimates_sentence
from tailrace.report.figures import number, unit_of
from tailrace.report.page import tables
from tailrace.report.page.site import environment
from tailrace.report.pictures import save
from tailrace.report.pictures.conditions import conditions_picture
from tailrace.report.pictures.curves import queue_depth_curve
from tailrace.report.pictures.distribution import latency_distribution
from tailrace.report.pictures.load import load_curve
from tailrace.report.pictures.stages import time_per_stage
from tailrace.report.pictures.style import MOST_LINES, PAGE_COLOURS, Width
from tailrace.report.sentences import (
    binding_sentence,
    estimate_sentence,
    interval_sentence,
    tail_sentence,
    verdict_sentence,
)
from tailrace.report.study_words import PAIRED
from tailrace.report.table import Cell, Head, Table, unknown
from tailrace.scenario.tables.scenario import Scenario
from tailrace.study.curve import DepthCurve, LoadCurve

FOLDER = Path(__file__).parent
MOST_CLASSES = 6


def fragment(template: str, **context: Any) -> Markup:
    """A template of this folder filled in, which has escaped what stands in it."""
    return Markup(environment(FOLDER).get_template(template).render(**context))


def style() -> str:
    """The style sheet: that of reports, and what a live page has besides."""
    return fragment("live.css", variables=PAGE_COLOURS)


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
                (name, theory_cards(found, condition, name), caution_of(theory, name))
                for name in names_in(found.scenario, condition)[:MOST_CLASSES]
            ]
            if is_carried(theory)
            else [],
            "server": server_cards(
                found.scenario, theory, found.kept_scenario, found.kept.get(condition), condition
            ),
            "theory": alone(theory),
            "methods": method_sentences(theory),
        }
        for condition, theory in found.theory.items()
    ]
    if found.conditions is None:
        theory = found.theory[""]
        verdict, said = ("none" if is_carried(theory) else "overloaded"), estimate_sentence(theory)
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
                (each.name, class_cards(found, condition, each.name), "")
                for each in result.classes[:MOST_CLASSES]
            ],
            "server": server_cards(
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


def pictures(found: Seen, width: Width, room: Width) -> Iterator[tuple[str, str]]:
    """The pictures of an answer, one after the other: the element that each belongs into, and the fragment."""
    if found.conditions is not None:
        verdict = conditions_sentence(found.conditions)
        alternative = f"Mean and p99 latency of each class in every condition, and its load. {verdict}"
        caption = "Marks are the figures, bars through them their 95 % intervals, dashed strokes the targets."
        figure = conditions_picture(found.conditions, width=room)
        yield "latency", _picture(figure, "conditions", alternative, caption, width=room, is_whole=True)
        yield "time", ""
        return
    result = found.results[""]
    if not result.classes:
        said = "No latency is quoted: the queues would grow without end."
        yield "latency", fragment("nothing.html", said=said)
        yield "time", ""
        return
    names = [each.name for each in result.classes][:MOST_LINES]
    closed = {
        name: {0.99: each.p99_s} for name, each in result.theory.classes.items() if each.p99_s is not None
    }
    alternative = "Share of the requests that take longer than a given time, on logarithmic axes."
    caption = "Each line says which share of the requests takes longer than the time below it."
    figure, numbers = latency_distribution(result, names, closed, width), tables.distribution(result, names)
    yield "latency", _picture(figure, "latency", alternative, caption, numbers, width)
    tails = [(each.name, tail_sentence(each.all)) for each in result.classes]
    caption = " ".join(f"{name}: {tail}" for name, tail in tails if tail)
    alternative = (
        "Time at each stage, waiting apart from service, for the median request and the slowest 1 %."
    )
    figure = time_per_stage(result, names, width)
    yield "time", _picture(figure, "time", f"{alternative} {caption}", caption, width=width)


def curve(found: LoadCurve | DepthCurve | None, width: Width) -> str:
    """Latency against load or, where no class is open, against the queue depth; or why there is neither."""
    said = "The points come from short runs: intervals are wide, and what cannot even be given is not drawn."
    if found is None:
        return fragment("nothing.html", said="No load curve, since the load differs by condition.")
    if isinstance(found, DepthCurve):
        figure = queue_depth_curve(found.curve, found.name, width=width, limits=found.limits)
        alternative = f"Throughput and latency of class {found.name} against its queue depth."
        numbers = tables.depth_points(found.curve, found.name)
        return _picture(figure, "depth", alternative, f"{alternative} {said}", numbers, width)
    alternative = (
        f"Mean and p99 latency against the open load; today's is {number(found.rate_per_s, 4)} requests/s."
    )
    return _picture(
        load_curve(found, width=width), "load", alternative, said, tables.load_points(found), width
    )


def _picture(
    figure: Any,
    name: str,
    alternative: str,
    caption: str,
    numbers: Table | None = None,
    width: Width = "wide",
    is_whole: bool = False,
) -> str:
    svg = save.svg_without_styles(figure, name)
    return fragment(
        "picture.html",
        svg=svg,
        alternative=alternative,
        caption=caption,
        numbers=numbers,
        width=width,
        is_whole=is_whole,
    )


def _compared(found: Seen) -> Iterator[tuple[str, Table]]:
    """Class by class, this answer beside the one that was kept."""
    groups: dict[tuple[str, str], list[Beside]] = {}
    for each in found.beside:
        groups.setdefault((each.condition, each.class_name), []).append(each)
    for (condition, name), mine in groups.items():
        rows: list[list[Cell]] = []
        for each in mine:
            sides = [
                estimate_of(answer, name, each.quantity)
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
