"""How far can a key grow before a target is missed? A bracket: surely met up to here, surely missed from there on."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.metadata import version
from typing import TYPE_CHECKING, Any, Literal, Unpack

from tailrace.answer.bench import Bench
from tailrace.answer.together import hardest, joint_limits
from tailrace.errors import SettingError
from tailrace.forecast.edge import drives_share, saturating_value
from tailrace.forecast.estimate import theory_of
from tailrace.forecast.flow import depth_notes
from tailrace.forecast.saturation import Load
from tailrace.measure.verdict import Verdict
from tailrace.scenario.reading.conditions import states
from tailrace.scenario.reading.dial import Dial
from tailrace.scenario.reading.read import Given, given
from tailrace.scenario.reading.variant import Variants
from tailrace.scenario.tables.scenario import Scenario
from tailrace.shown import Shown, told
from tailrace.study.judge import Judge, Lengths
from tailrace.study.session import How, Session
from tailrace.study.sweep import IDENTITY
from tailrace.study.tried import COLUMNS, Tried, deciding, in_order

if TYPE_CHECKING:
    import pandas as pd

Rule = Literal["simulated", "plain"]
RULES: tuple[Rule, ...] = ("simulated", "plain")

RESOLUTION = 0.02
"""Relative distance at which two values are not told apart further."""
IDLE = 0.01
"""A server that is loaded to less than this share of saturation is not made faster by a smaller load."""

FARTHEST = 2.0**30
MOST_TRIED = 60
GUESSES = 14


@dataclass(frozen=True, repr=False)
class Headroom(Shown):
    """The answer. ``met`` is the value farthest towards the worse side at which every target is surely met, ``missed``
    the nearest at which one is surely missed; None where there is none within reach.

    ``plain`` is what plain division of the drives' own rate gives, ``saturating`` where the first of all stations
    saturates, both by closed form; None where nothing does. ``unit`` is that of the values in SI, ``told`` the one in
    which they are told.
    """

    title: str
    key: str
    unit: str
    is_whole: bool
    more_is_worse: bool
    rule: Rule
    start: float
    met: float | None
    missed: float | None
    plain: float | None
    saturating: float | None
    tried: tuple[Tried, ...]
    requests: int
    seed: int
    notes: tuple[str, ...] = ()
    told: str = ""

    @property
    def verdict(self) -> Verdict:
        """That of the scenario as it is written."""
        own = [each.verdict for each in self.tried if each.value == self.start]
        return own[0] if own else "none"

    def rows(self) -> list[dict[str, object]]:
        """Every value that was tried, ready for JSON; with what gave it."""
        made = {"seed": self.seed, "version": version("tailrace")}
        return [{**each.row(), **made, "digest": each.digest} for each in self.tried]

    @property
    def table(self) -> pd.DataFrame:
        """Every value that was tried, in SI units."""
        import pandas as pd

        where = ["condition"] if any(each.condition for each in self.tried) else []
        return pd.DataFrame(self.rows(), columns=[*where, *COLUMNS, *IDENTITY])

    def as_dict(self) -> dict[str, Any]:
        """The answer as plain mappings and lists, in SI units, ready for JSON."""
        edges = ("start", "met", "missed", "plain", "saturating")
        found = {**told(self, "title", "seed", "key", "unit", "rule", *edges), "tried": self.rows()}
        return {"tailrace": version("tailrace"), **found, **told(self, "requests", "verdict", "notes")}


def headroom(scenario: Given, grow: str, *, rule: Rule = "simulated", **how: Unpack[How]) -> Headroom:
    """Find how far a key can grow (or shrink, for what is a resource) before a target is missed.

    Args:
        scenario: a scenario, or its file.
        grow: the key; the scenario sets it to a number or a quantity.
        rule: "simulated", or "plain" for the plain division of the drives' rate, without any run.
        how: see `How`.

    Raises:
        ScenarioError, SettingError: what is asked for cannot be.
        StoreError: the store cannot be used.
    """
    if rule not in RULES:
        raise SettingError(f"rule is {rule!r}; accepted: {', '.join(RULES)}")
    scenario = given(scenario)
    dial = Dial(Variants(scenario), grow)
    asked = {"grow": grow, "from": dial.number, "digest": scenario.digest, "rule": rule}
    with Session("headroom", scenario, asked, **how) as session:
        search = _Search(session.bench, dial)
        if rule == "simulated":
            session.part([scenario])
            search.go()
            session.part(search.scenarios)
        found = search.found(rule, session.seed)
        session.finish(found.rows())
    return found


class _Search:
    """A bisection that knows three answers. Values are compared by how hard they are: `_harder` orders them."""

    def __init__(self, bench: Bench, dial: Dial) -> None:
        self._bench, self._dial, self._start = bench, dial, dial.number
        self._scenario = dial.variants.scenario
        self._is_whole, self._up = dial.is_whole, dial.worse_upwards
        self._judge = Judge(bench, Lengths.of(self._scenario))
        self.saturating = saturating_value(dial, load_of=self._load)
        self.plain = saturating_value(dial, drives_share, load_of=self._load)
        self.tried: dict[float, Tried] = {}
        self._widths: dict[float, float] = {}
        self.scenarios: list[Scenario] = []
        self.met: float | None = None
        self.missed: float | None = None
        self.notes: list[str] = []
        if dial.set_by_conditions:
            named = ", ".join(dial.set_by_conditions)
            self.notes.append(
                f"{dial.key} has a value of its own in condition {named}: it changes in proportion there."
            )

    def _load(self, scenario: Scenario) -> Load:
        """The load of a scenario; in the hardest of its conditions, where it has some."""
        return self._bench.load(hardest(self._bench, scenario))

    # Order

    def _is_harder(self, one: float, two: float) -> bool:
        return one > two if self._up else one < two

    def _between(self, easy: float, hard: float) -> float | None:
        """A value between two, or None if they are as near as the resolution, or neighbours."""
        low, high = sorted((easy, hard))
        if self._is_whole:
            if high - low <= max(1.0, RESOLUTION * low):
                return None
            middle = math.sqrt(low * high) if low > 0 and high > 2 * low else (low + high) / 2
            return float(min(max(round(middle), low + 1), high - 1))
        if high - low <= RESOLUTION * high:
            return None
        return _rounded(math.sqrt(low * high) if low > 0 and high > 2 * low else (low + high) / 2)

    # Search

    def go(self) -> None:
        """Bracket the edge from both sides, then close in."""
        parts = states(self._scenario)
        if not any(each.limits for part in parts for each in part.scenario.workload):
            self._without_targets()
            return
        self._try(self._start)
        for value in self._first_values():
            self._try(value)
        self._widen()
        self._close()

    def _without_targets(self) -> None:
        """Nothing was promised: what can be carried at all is a matter of closed form."""
        self.notes.append("No target is set: the edge is where the first station saturates, by closed form.")
        if self.saturating is None:
            return
        if not self._is_whole:
            self.met = self.missed = self.saturating
            return
        hair = 1e-9 * self.saturating
        self.missed = math.ceil(self.saturating - hair) if self._up else math.floor(self.saturating + hair)
        self.met = self.missed + (-1 if self._up else 1)

    def _try(self, value: float) -> Verdict | None:
        """The verdict at a value; None if the scenario does not accept it there."""
        if value in self.tried:
            return self.tried[value].verdict
        if len(self.tried) >= MOST_TRIED:
            return None
        scenario = self._dial.at(value)
        if scenario is None:
            return None
        self.scenarios.append(scenario)
        before = self._judge.requests
        seen = self._judge.judged(scenario)
        binding = self._load(scenario).binding
        share = None if binding is None else 1 / binding.load_factor
        self._widths[value] = 0.0 if binding is None else binding.relative_half_width
        requests = self._judge.requests - before
        where, target = deciding(seen)
        self.tried[value] = Tried(value, seen.verdict, requests, share, target, scenario.digest, where)
        self._note(value, seen.verdict)
        return seen.verdict

    def _note(self, value: float, verdict: Verdict) -> None:
        if verdict == "met" and (self.met is None or self._is_harder(value, self.met)):
            self.met = value
        if verdict in ("missed", "overloaded") and (
            self.missed is None or self._is_harder(self.missed, value)
        ):
            self.missed = value

    def _first_values(self) -> Iterator[float]:
        """Where the closed forms expect the edge, a little before and behind."""
        if self.saturating is None:
            return
        guess = self._guess()
        for factor in (0.97, 1.03) if guess is not None else (0.8,):
            value = (guess or self.saturating) * (factor if self._up else 1 / factor)
            if self._is_whole:
                value = float(math.floor(value) if factor < 1 else math.ceil(value))
            if value > 0:
                yield value if self._is_whole else _rounded(value)

    def _guess(self) -> float | None:
        """Where closed forms see the first target missed; None where they have nothing to say of it."""
        assert self.saturating is not None
        easy, hard = self._step_easier(self.saturating), self.saturating
        for _ in range(GUESSES):
            kept = self._kept_by_theory(easy)
            if kept is None:
                return None
            if kept:
                break
            easy, hard = self._step_easier(easy), easy
        else:
            return None
        while abs(hard - easy) > 0.5 * RESOLUTION * abs(hard) and (
            not self._is_whole or abs(hard - easy) > 1
        ):
            middle = (easy + hard) / 2
            middle = float(round(middle)) if self._is_whole else middle
            easy, hard = (middle, hard) if self._kept_by_theory(middle) else (easy, middle)
        return (easy + hard) / 2

    def _step_easier(self, value: float) -> float:
        easier = value / 2 if self._up else value * 2
        return float(max(round(easier), 1)) if self._is_whole else easier

    def _kept_by_theory(self, value: float) -> bool | None:
        scenario = self._dial.at(value)
        if scenario is None:
            return None
        parts = states(scenario)
        if joint_limits(parts):
            return None
        kept = [self._kept_in(each.scenario) for each in parts]
        return False if False in kept else None if None in kept else True

    def _kept_in(self, scenario: Scenario) -> bool | None:
        load = self._bench.load(scenario)
        if load.binding is not None and load.binding.is_exceeded:
            return False
        theory = theory_of(scenario, self._bench.seed, load)
        ratios = []
        for workload in scenario.workload:
            known = theory.classes.get(workload.name)
            for quantity, limit in workload.limits:
                said = None if known is None else {"mean": known.mean_s, "p99": known.p99_s}.get(quantity)
                if said is None:
                    return None
                ratios.append(said / limit)
        return max(ratios, default=0.0) <= 1

    def _widen(self) -> None:
        """Walk towards the easy side until something is met, and towards the hard one until something is missed."""
        if self.missed is None and self.saturating is not None:
            edge = self.saturating
            if self._is_whole:
                edge = float(math.ceil(edge) if self._up else math.floor(edge))
            if edge > 0:
                self._try(edge)
        for towards_hard in (True, False):
            value = self._start
            while (self.missed if towards_hard else self.met) is None:
                value = self._stepped(value, towards_hard)
                if not self._start / FARTHEST <= value <= max(self._start, 1) * FARTHEST or value < 0:
                    break
                if self._try(value) is None:
                    self.notes.append(f"{value:g} and beyond are not accepted by the scenario.")
                    break
                share = self.tried[value].share_of_saturation
                if not towards_hard and self.missed == value and share is not None and share < IDLE:
                    self.notes.append(
                        f"Still missed at {value:g}, with {100 * share:.2g} % of the load that saturates: not the"
                        " load misses it."
                    )
                    break

    def _stepped(self, value: float, towards_hard: bool) -> float:
        up = towards_hard == self._up
        if not self._is_whole:
            return value * 2 if up else value / 2
        if up:
            return float(max(2 * value, value + 1))
        return float(value // 2) if value > 1 else -1.0

    def _close(self) -> None:
        """Halve what lies between met and missed; where values stay undecided, halve on both sides of them."""
        while self.met is not None and self.missed is not None:
            if self._is_harder(self.met, self.missed) or self.met == self.missed:
                self.notes.append(
                    "The verdicts contradict each other: a value is met beyond one that is missed."
                )
                break
            between = [
                value
                for value, each in self.tried.items()
                if each.verdict == "undecided"
                and self._is_harder(value, self.met)
                and self._is_harder(self.missed, value)
            ]
            easiest = min(between, key=lambda value: value if self._up else -value, default=self.missed)
            hardest = max(between, key=lambda value: value if self._up else -value, default=self.met)
            value = self._between(self.met, easiest) if between else self._between(self.met, self.missed)
            if value is None and between:
                value = self._between(hardest, self.missed)
            if value is None or self._try(value) is None:
                break

    # Answer

    def found(self, rule: Rule, seed: int) -> Headroom:
        """The answer."""
        return Headroom(
            self._scenario.title,
            self._dial.key,
            self._dial.unit,
            self._is_whole,
            self._up,
            rule,
            self._start,
            self.met,
            self.missed,
            self._reachable(self.plain),
            self.saturating,
            in_order(self.tried.values(), self._widths, self._up),
            self._judge.requests,
            seed,
            (*self.notes, *self._beyond_depths()),
            self._dial.told_in,
        )

    def _beyond_depths(self) -> tuple[str, ...]:
        """Whether measured drives are used beyond what was measured at the last value at which every target is met."""
        scenario = None if self.met is None else self._dial.at(self.met)
        if scenario is None:
            return ()
        load = self._load(scenario)
        return depth_notes(scenario, load.banks, load.share)

    def _reachable(self, value: float | None) -> float | None:
        """The last whole value up to an edge, the edge included: that is plain division."""
        if value is None or not self._is_whole:
            return value
        hair = 1e-9 * abs(value)
        return float(math.floor(value + hair) if self._up else math.ceil(value - hair))


def _rounded(value: float) -> float:
    """To four digits, so that what is shown is what was tried."""
    return float(f"{value:.4g}")
