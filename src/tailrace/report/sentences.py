"""What is the answer of a run in words? Verdict, what binds, how it was found, and how far to trust it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from tailrace.answer.figures import LEVEL
from tailrace.answer.result import (
    ClassResult,
    Figures,
    Overload,
    Result,
    StageTimes,
    TargetResult,
)
from tailrace.answer.stations import StationResult
from tailrace.forecast.result import Theory
from tailrace.plan.cluster.machine import SLOW
from tailrace.report.figures import number, percent, rounded_down, time_text

FULL = 0.95
"""Busy share from which on a station is taken to limit closed classes."""

CAUTION = "A planning estimate: measure on real hardware before committing. Performance says nothing about durability."


def verdict_sentence(result: Result) -> str:
    """Whether the promises are kept, and which are not."""
    if result.overload is not None:
        return "Overloaded: the server cannot carry this load."
    missed, undecided = (_targets_with(result, verdict) for verdict in ("missed", "undecided"))
    if result.verdict == "missed":
        rest = f" Undecided: {undecided}." if undecided else ""
        return f"Missed: {missed}.{rest}"
    if result.verdict == "undecided":
        onward = (
            "" if result.looks > 1 else " tailrace run --until-decided goes on, up to three times as long."
        )
        return f"Undecided: {undecided}. The interval holds the limit, or the runs were too short for one.{onward}"
    if result.verdict == "met":
        return "Every target is met."
    return "No target is set."


def _targets_with(result: Result, verdict: str) -> str:
    found = ((each.name, target) for each in result.classes for target in each.targets)
    return ", ".join(
        f"{t.quantity.shown} of {name}{_how_far(t)}" for name, t in found if t.verdict == verdict
    )


def _how_far(target: TargetResult) -> str:
    """By how much a target was missed, where that is known."""
    value = target.estimate.value
    if target.verdict != "missed" or value is None:
        return ""
    return f" ({number(value / target.limit)} times its limit)"


def binding_sentence(result: Result) -> str | None:
    """The stage and station that bind, and how far the load can grow. None where nothing is known to bind."""
    if result.overload is not None:
        return _overload_sentence(result, result.overload)
    saturation = result.theory.saturation
    most = busiest(result)
    if saturation is not None:
        station, plural = _named(
            result, saturation.station, saturation.stage, saturation.count, saturation.whose
        )
        station += _set_by(saturation.key)
        bind, they = ("bind", "they saturate") if plural else ("binds", "it saturates")
        said = f"{station} {bind} first: the load can grow to {rounded_down(saturation.low)} times this before {they}."
        if saturation.load_factor <= 1.0:
            low, high = number(saturation.low, 4), number(saturation.high, 4)
            said = f"{station} {bind} first, at this very load: {they} between {low} and {high} times it."
        if most is not None and _is_filled_by_closed(most):
            name = _named(result, most.name, most.stage)[0]
            said += f" Closed classes, which take what is left, keep t{name[1:]} {_busy(most)}."
        return said
    return None if most is None else _closed_sentence(result)


def limit_sentence(result: Result) -> str:
    """What limits the classes of an answer that are all closed: a station that is full, or their own number."""
    full = busiest(result)
    if full is None:
        return "Nothing but their own number limits the closed classes."
    station, plural = _named(result, full.name, full.stage)
    if (full.utilisation or 0.0) >= FULL:
        return f"{station} {'limit' if plural else 'limits'} the closed classes: {_busy(full)}."
    return (
        f"No station is full (the busiest, t{station[1:]}: {_busy(full)}): closed classes are limited by how many "
        "requests they keep under way, and by how long each takes."
    )


def _closed_sentence(result: Result) -> str:
    """What limits classes that are all closed, and where their requests and the slowest of these spend their time."""
    said = limit_sentence(result)
    for each in result.classes:
        usual, slow = (
            [share.replace(" % ", " % is ") for share in _shares(spent)]
            for spent in (_spent(each.all.stages), _longer(each.all))
        )
        if usual and slow:
            said += f" Of the mean latency of {each.name} {usual[0]}; of what its slowest 1 % take longer, {slow[0]}."
    return said


def _overload_sentence(result: Result, overload: Overload) -> str:
    station, plural = _named(result, overload.station, overload.stage, overload.count, overload.whose)
    station += _set_by(overload.key)
    factor = overload.largest_load_factor
    by_itself = "none: what the server does by itself is too much already"
    given_up = "not known: the run was given up at once"
    largest = (
        f"{rounded_down(factor)} times this, {rounded_down(overload.largest_rate_per_s)} requests/s"
        if factor > 0
        else (by_itself if overload.found == "before the run" else given_up)
    )
    how = "found before the run" if overload.found == "before the run" else "seen in the run"
    return (
        f"{station} cannot keep up ({how}); the largest load that {'they' if plural else 'it'} can carry is {largest}. "
        "No latency is quoted, since the queues would grow without end."
    )


def _set_by(key: str) -> str:
    """The key that says how many permits there are; nothing where no permits are meant."""
    return f" ({key})" if key else ""


def busiest(result: Result) -> StationResult | None:
    """The busiest station that serves; pools that bound what is under way only if nothing else is there."""
    known = [each for each in result.stations if each.utilisation]
    serving = [each for each in known if each.paces] or known
    return max(serving, key=lambda each: each.utilisation or 0.0, default=None)


def _is_filled_by_closed(station: StationResult) -> bool:
    """Whether a station is nearly always busy though open classes ask little of it; of arms that says nothing."""
    busy = station.utilisation or 0.0
    return (
        station.discipline in ("fcfs", "ps", "flow", "bulk")
        and busy > 0.9
        and busy > (station.share_of_saturation or 0.0) + 0.1
    )


def _busy(station: StationResult) -> str:
    return f"{percent(station.utilisation or 0.0)} % busy"


def _named(result: Result, name: str, stage: str, count: int = 1, whose: str = "") -> tuple[str, bool]:
    """A station as the subject of a sentence, and whether that is a plural; ``count`` if the answer has none.

    With ``whose``, of which servers it is, it is one of that ``count`` in each of them.
    """
    if not whose:
        count = next(
            (each.count for each in result.stations if (each.name, each.stage) == (name, stage)), count
        )
    name = name.removeprefix(SLOW)
    pool, _, noun = name.rpartition(": ") if stage in ("lane", "media") else ("", "", name)
    way = ""
    noun, between, _ = noun.partition(" between servers")
    for ending, side in ((" in", ", inbound,"), (" out", ", outbound,")):
        if noun.endswith(ending):
            noun, way = noun.removesuffix(ending), f"{between}{side}"
    head = noun.partition(" of ")[0]
    plural = head.endswith("s") and not head.endswith(("ss", "us"))
    if count > 1 and not plural:
        plural, noun = True, noun + ("es" if noun.endswith(("s", "x", "ch")) else "s")
    of = "" if stage in noun else f" ({stage})" if " of " in noun else f" of the {stage}"
    whole = f"The {noun}{of}{f' of pool {pool}' if pool else ''}{way}"
    return whole + (f" of {whose}" if whose else ""), plural


def tail_sentence(figures: Figures) -> str | None:
    """Where the slowest 1 % spend what they take longer than the median request; None if that is not known."""
    longer = _longer(figures)
    shares = _shares(longer)
    if not shares:
        return None
    whole = time_text(sum(longer.values()))
    return f"The slowest 1 % take {whole} longer than the median request: {' and '.join(shares)}."


def _longer(figures: Figures) -> dict[str, float]:
    """How much longer the slowest 1 % wait and are served than the median request, by place; empty if not known."""
    slow, usual = _spent(figures.slowest_stages), _spent(figures.median_stages)
    return {name: seconds - usual[name] for name, seconds in slow.items()} if slow and usual else {}


def _spent(stages: Mapping[str, StageTimes]) -> dict[str, float]:
    """Mean seconds of wait and of service, by place; empty if one is not known."""
    found = {
        f"{part} at {_place(stage)}": seconds.value
        for stage, times in stages.items()
        for part, seconds in (("wait", times.wait_s), ("service", times.service_s))
    }
    known = {name: value for name, value in found.items() if value is not None}
    return known if len(known) == len(found) else {}


def _shares(spent: Mapping[str, float]) -> list[str]:
    """The two largest parts of what is spent, in percent; none where nothing is."""
    more = sum(seconds for seconds in spent.values() if seconds > 0)
    if not sum(spent.values()) > 0:
        return []
    shares = sorted(((seconds / more, name) for name, seconds in spent.items()), reverse=True)
    return [f"{100 * share:.0f} % {name}" for share, name in shares if share >= 0.1][:2]


def _place(stage: str) -> str:
    return stage if stage == "media" else f"the {stage}"


def method_sentence(result: Result) -> str:
    """How the answer was found, enough to repeat it."""
    begin = f"Method: tailrace {result.version}, seed {result.seed}, {result.engine} engine"
    if not result.replications:
        return f"{begin}."
    ended = {
        "precision": "the precision asked for was reached",
        "budget": "the budget was used up before what was asked for was reached",
        "decided": "the run went on until every target was decided",
        "fixed": "the length was given",
        None: "",
    }[result.stopped_by]
    return (
        f"{begin}, {result.replications} replications, {result.requests:,} requests measured"
        f"{f'; {ended}' if ended else ''}."
    )


def interval_sentence(result: Result) -> str:
    """What ± and – mean in the tables of this answer."""
    said = "± is half of the 95 % confidence interval, from the spread over the replications."
    said += judged_sentence([result])
    figures = [f for each in result.classes for f in (each.all, *each.kinds.values())]
    if any(estimate.value is None for f in figures for estimate in f.latency_s.values()):
        said += " A figure that is – needs longer runs: give it a target, or raise run.requests."
    return said


def judged_sentence(results: Iterable[Result]) -> str:
    """By which intervals targets are judged, as a further sentence; nothing where these are the usual ones."""
    targets = [target for result in results for each in result.classes for target in each.targets]
    levels = sorted({target.level for target in targets if target.level > LEVEL})
    if not levels:
        return ""
    each = f"of {100 * levels[0]:.4g} % each" if len(levels) == 1 else "of each"
    return f" Targets are judged by the wider one {each}, so that all verdicts hold together with 95 % (Bonferroni)."


def estimate_sentence(theory: Theory) -> str:
    """What closed forms alone say of the load."""
    saturation = theory.saturation
    if saturation is None:
        return "No class is open: the load follows the server and saturates nothing."
    whose = f" of {saturation.whose}" if saturation.whose else ""
    place = f"{saturation.station.removeprefix(SLOW)}{whose} ({saturation.stage}){_set_by(saturation.key)}"
    if saturation.is_exceeded:
        return (
            f"Overloaded: at {place} the largest load that can be carried is {rounded_down(saturation.low)} times "
            "this. No latency is quoted."
        )
    if saturation.load_factor <= 1:
        low, high = number(saturation.low, 4), number(saturation.high, 4)
        return f"At its edge: {place} saturates between {low} and {high} times this load."
    return f"First to saturate: {place}, at {rounded_down(saturation.low)} times this load."


def transaction_sentence(each: ClassResult) -> str | None:
    """How transactions and requests go together; None where a class has no transactions."""
    count, rate = each.requests_per_transaction, each.all.rate_per_s.value
    if count is None:
        return None
    said = f"Rates, counts and latencies are of transactions. Each is of {count:,} request{'s' * (count > 1)}"
    if rate is None:
        return f"{said}."
    return f"{said}: {number(rate, 4)} transactions/s are {number(rate * count, 4)} requests/s."
