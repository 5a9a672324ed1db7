"""What is the answer of a study in words? How far a key can go, what would help, how designs match."""

from __future__ import annotations

import math

from tailrace.answer.together import OVER_ALL
from tailrace.report.columns.studies import relief_unit
from tailrace.report.figures import key_text, percent, rounded_down
from tailrace.study.compare import Comparison
from tailrace.study.headroom import Headroom
from tailrace.study.relief import Relief

PAIRED = (
    "± is half of the 95 % confidence interval, of differences and ratios from pairs of replications. Each holds by "
    "itself: of twenty that are 0, one is expected to look different."
)


def headroom_sentence(found: Headroom) -> str:
    """How far the key can go, in words."""

    def show(value: float) -> str:
        return key_text(value, found.told or found.unit)

    where = f"{found.key} (now {show(found.start)})"
    if found.rule == "plain":
        if found.plain is None:
            return f"{where}: no value of it saturates the drives."
        return f"{where}: by plain division of what the drives can do, {show(found.plain)}."
    onward = "on" if found.more_is_worse else "down"
    if found.met is not None and found.missed is not None:
        if not any(each.target for each in found.tried):
            return f"{where}: {show(found.met)} can be carried, from {show(found.missed)} {onward} it is overloaded."
        neighbours = found.is_whole and abs(found.missed - found.met) <= 1
        between = "" if neighbours else " Between the two it is undecided."
        return (
            f"{where}: every target is met {'up' if found.more_is_worse else 'down'} to {show(found.met)}, and surely "
            f"missed from {show(found.missed)} {onward}.{between}"
        )
    if found.met is not None:
        return f"{where}: every target is met as far as was tried, the last value being {show(found.met)}."
    if found.missed is not None:
        return (
            f"{where}: a target is missed from {show(found.missed)} {onward}, and nowhere is every one met."
        )
    return f"{where}: undecided at every value tried; longer runs are needed."


def relief_sentence(found: Relief) -> str:
    """What doubling or halving single resources would do, in words."""
    quantity = found.quantity
    if found.overloaded:
        carried = "" if found.carries is None else f", and {_times(found.carries)} this load can be carried"
        now = f"Overloaded now: {found.overloaded} cannot keep up{carried}."
    else:
        unit = relief_unit(found)
        value = "not known" if found.now.value is None else unit.text(found.now.value, 4)
        limit = ""
        if found.limit is not None:
            limit = f", promised {quantity.bound} {unit.text(found.limit, 6)}: {found.verdict}"
        now = f"Now {quantity.shown} of class {found.class_name}{_where(found.condition)} is {value}{limit}."
    met = [each.resource for each in found.doubled if each.verdict == "met"]
    if found.limit is None or found.verdict == "met":
        spare = [each.resource for each in found.halved if each.would_do]
        saved = f" Half of any one of these would do: {', '.join(spare)}." if spare else ""
        return f"{now}{saved}{_slowed(found)}"
    if met:
        return f"{now} Doubling one of these alone meets every target: {', '.join(met)}."
    reached = ""
    farthest = max(found.doubled, key=lambda each: each.carries or 0.0, default=None)
    if found.overloaded and farthest is not None and farthest.carries:
        reached = (
            f" Most can be carried with twice the {farthest.resource}: {_times(farthest.carries)} this load."
        )
    return f"{now} Doubling no single resource meets every target.{reached}"


def _where(condition: str) -> str:
    """In which condition, as part of a sentence."""
    return f" over {condition}" * (condition == OVER_ALL) or f" in condition {condition}" * bool(condition)


def _times(factor: float) -> str:
    return f"{rounded_down(factor)} times"


def _slowed(found: Relief) -> str:
    """Halves with which targets are met, but at which a closed class gets less done."""
    losses = [
        f"{each.resource} (up to {percent(1 - slowed[1].low)} % of the rate of {slowed[0]})"
        for each in found.halved
        if each.verdict == "met"
        and (slowed := each.slowed)
        and slowed[1].low is not None
        and not each.would_do
    ]
    return (
        f" Half of others meets the targets, too, but slows a closed class: {', '.join(losses)}."
        if losses
        else ""
    )


def matching_sentences(comparison: Comparison) -> list[str]:
    """How many of the one do what one of the other does, whichever way round it is one or more."""
    first, said = comparison.designs[0], []
    for other in comparison.designs[1:]:
        if first.carries is None or other.carries is None:
            continue
        ratio = other.carries / first.carries
        weak, strong = (first, other) if ratio >= 1 else (other, first)
        count = math.ceil(max(ratio, 1 / ratio) * (1 - 1e-9))
        said.append(
            f"{count:,} of {weak.name} {'do' if count > 1 else 'does'} what one {strong.name} does at the targets, "
            "the load shared evenly."
        )
    return said
