"""What every page tells of a scenario, and of the studies besides: sentences, tables and a picture."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from tailrace.answer.result import Result
from tailrace.report.choice_words import choice_method, choice_sentence, lesser_sentence
from tailrace.report.columns.choice import designs
from tailrace.report.columns.studies import relieved, tried
from tailrace.report.page import words
from tailrace.report.page.site import Drawing
from tailrace.report.page.tables import all_inputs
from tailrace.report.pictures.choice import choice_picture
from tailrace.report.study_words import headroom_sentence, relief_sentence
from tailrace.scenario.tables.scenario import Scenario
from tailrace.study.beside import Beside
from tailrace.study.choose import Choice
from tailrace.study.conditions import Conditions

NEAREST = 10
"""Lesser designs that stand open on the page, the dearest of them; the others are folded away."""


def told_alike(
    scenario: Scenario,
    answer: Result | Conditions,
    source: str,
    settings: Sequence[str],
    beside: Beside,
    prefix: str,
) -> dict[str, Any]:
    """For the template: what is told of a scenario whether it has conditions or not."""
    return {
        "id": prefix,
        "title": answer.title,
        "verdict": answer.verdict,
        "question": [
            (each.name, words.class_sentence(each, scenario.load), words.promise_sentences(each))
            for each in scenario.workload
        ],
        **beside_told(beside, prefix),
        "inputs": all_inputs(scenario),
        "notes": list(answer.notes),
        "digest": answer.digest,
        "source": source,
        "settings": list(settings),
    }


def beside_told(found: Beside, prefix: str) -> dict[str, Any]:
    """For the template: None where there is no such study."""
    headroom, relief, choice = found.headroom, found.relief, found.choice
    said: dict[str, Any] = {"headroom": None, "relief": None, "choice": None}
    if headroom is not None:
        said["headroom"] = (headroom_sentence(headroom), tried(headroom))
    if relief is not None:
        both = (relieved(relief, rows) for rows in (relief.doubled, relief.halved))
        said["relief"] = (relief_sentence(relief), *both)
    if choice is not None:
        said["choice"] = _choice(choice, prefix)
    return said


def _choice(found: Choice, prefix: str) -> dict[str, Any]:
    nearest, others = found.lesser[-NEAREST:], found.lesser[:-NEAREST]
    shown = [found.chosen, *found.next_up] if found.chosen else []
    sentence = choice_sentence(found)
    return {
        "verdict": found.verdict,
        "sentence": sentence,
        "lesser_sentence": lesser_sentence(found),
        "shown": designs(found, shown),
        "nearest": designs(found, nearest),
        "others": designs(found, others),
        "impossible": designs(found, found.impossible),
        "method": choice_method(found),
        "picture": Drawing(
            f"{prefix}-choice",
            lambda width: choice_picture(found, width),
            f"What each design takes, and how near its worst figure comes to its limit. {sentence}",
            "Each mark is a design that was simulated: the further to the left, the less it takes; below the line it "
            "keeps its promises. The steps join those that no other beats in both; the ring is the one chosen.",
            (("Designs in the picture", designs(found, [each for each in found.offers if each.tried])),),
        ),
    }
