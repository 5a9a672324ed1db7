"""The answer over conditions in words."""

from __future__ import annotations

from tailrace.answer.figures import LEVEL
from tailrace.answer.result import TargetResult
from tailrace.answer.together import OVER_ALL
from tailrace.forecast.conditions import ConditionEstimates
from tailrace.report.figures import number, rounded_down
from tailrace.study.conditions import Conditions


def conditions_sentence(found: Conditions) -> str:
    """Whether the promises are kept in every condition, and which are not."""
    overloaded = [each.name for each in found.conditions if each.result.overload is not None]
    said = []
    if overloaded:
        for_good = " for good" if found.drains is False else ""
        said.append(f"Overloaded{for_good}: {', '.join(overloaded)}.")
    left_out = [each.name for each in found.conditions if not each.is_known]
    if left_out:
        said.append(f"Left out: {', '.join(left_out)}.")
    for verdict in ("missed", "undecided"):
        named = [f"{target_words(each)} {where}" for where, each in judged(found) if each.verdict == verdict]
        if named:
            said.append(f"{verdict.capitalize()}: {', '.join(named)}.")
    looked_once = all(each.result.looks == 1 for each in found.conditions)
    if found.verdict == "undecided" and looked_once and not left_out:
        said.append("tailrace run --until-decided goes on, up to three times as long.")
    if said:
        return " ".join(said)
    return "Every target is met." if found.verdict == "met" else "No target is set."


def judged(found: Conditions) -> list[tuple[str, TargetResult]]:
    """Every target with where it is judged, in words."""
    own = [
        (f"in condition {each.name}", target)
        for each in found.conditions
        for one in each.result.classes
        for target in one.targets
    ]
    return [*own, *(("over all conditions", target) for target in found.targets)]


def place_words(condition: str) -> str:
    """In which condition, or over all of them."""
    return f"over {OVER_ALL}" if condition == OVER_ALL else f"condition {condition}"


def target_words(target: TargetResult) -> str:
    """A target by its class, and by how much it is missed."""
    value = target.estimate.value
    far = ""
    if target.verdict == "missed" and value:
        far = f" ({number(target.quantity.strain(value, target.limit))} times its limit)"
    return f"{target.quantity.shown} of {target.class_name}{far}"


def conditions_method(found: Conditions) -> str:
    """How the answer was found, and what its intervals say."""
    requests = sum(each.result.requests for each in found.conditions)
    said = (
        f"Method: tailrace {found.version}, seed {found.seed} in every condition, {found.engine} engine, {requests:,} "
        "requests measured. Each condition is answered in its own steady state; over all, each request counts by "
        "its rate and the hours of its condition. ± is half of the 95 % confidence interval, from the spread over the "
        "replications."
    )
    levels = sorted({target.level for _, target in judged(found)})
    if levels and levels[0] > LEVEL:
        said += (
            f" Targets are judged by the wider one of {100 * levels[0]:.4g} % each, so that all {found.statements} "
            "verdicts hold together with 95 % (Bonferroni)."
        )
    return said


FLUID = (
    "By the fluid limit: what comes beyond what can be carried piles up, and drains when less comes. First come first "
    "served; the chance in it is left out, and closed classes with it."
)


def estimates_sentence(found: ConditionEstimates) -> str:
    """What closed forms alone say: which conditions are overloaded, or which is the fullest."""
    exceeded, fullest = [], []
    for each in found.conditions:
        saturation = each.theory.saturation
        if saturation is not None:
            fullest.append((saturation.low, each.name, saturation.station))
            exceeded += [each.name] * saturation.is_exceeded
    if exceeded:
        for_good = " for good" if any(each.drain_s is None for each in found.spells) else ""
        return f"Overloaded{for_good}: {', '.join(exceeded)}. No latency is quoted there."
    if not fullest:
        return "No class is open: the load follows the server and saturates nothing."
    factor, name, station = min(fullest)
    return f"First to saturate: {station} in condition {name}, at {rounded_down(factor)} times this load."
