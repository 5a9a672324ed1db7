"""What a lesson runs, and what it claims of what it found."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import dataclass, field

from tailrace import theory
from tailrace.answer.result import Figures, Result
from tailrace.engine.choice import choose_engine
from tailrace.errors import ScenarioError, SettingError
from tailrace.lessons.servers import SERVICE_S
from tailrace.measure.interval import IntervalEstimate
from tailrace.scenario.reading.read import parse
from tailrace.scenario.reading.toml import comment, toml_text
from tailrace.scenario.reading.variant import Variants
from tailrace.scenario.reading.written import tables
from tailrace.scenario.tables.scenario import Scenario
from tailrace.study.curve import Curve, key_curve

WHOLE_LESSON = 1_000_000
"""Requests of a lesson, roughly, by which "auto" chooses the engine once for all of its runs."""
STANDARD_ERRORS = 2.0
"""Half-widths of a 95 % interval within which an exact value must lie: about four standard errors."""
EDGE = 2e-3
"""Share by which rate times mean latency may differ from the number under way, for the ends of the window."""
ALONE = 1000
"""Usual requests of a closed run: the same in all lessons, so that the same drive has the same figures in each."""


@dataclass(frozen=True)
class Trials:
    """How the runs of a lesson are done: ``share`` is that of the usual requests in each replication.

    ``settings`` are set over the keys of its scenarios, each where that key is. ``notes`` are those of all answers so
    far, ``scenarios`` what was simulated, each as a file that repeats it by the command in its first line.
    """

    seed: int = 7
    engine: str = "auto"
    replications: int = 12
    share: float = 1.0
    settings: tuple[str, ...] = ()
    notes: list[str] = field(default_factory=list)
    scenarios: list[str] = field(default_factory=list)
    taken: set[str] = field(default_factory=set)
    """Those of the settings that some scenario took up."""

    def requests(self, usual: int) -> int:
        """The requests of a replication that usually has so many."""
        return max(int(usual * self.share), 1000)

    def answer(self, text: str, requests: int, longest: int = 2) -> Result:
        """Simulate a scenario, given as TOML without a table `run`, until it is settled."""
        return self.curve(text, "load", [1.0], requests, longest).points[0].result

    def curve(
        self, text: str, key: str, values: Sequence[float | str], requests: int, longest: int = 16
    ) -> Curve:
        """The same at several values of a key, in up to ``longest`` times as many requests."""
        scenario = self._changed(text)
        run = {
            "seed": self.seed,
            "requests": longest * self.requests(requests),
            "replications": self.replications,
        }
        vary = ",".join(map(str, values))
        command = f"tailrace sweep SCENARIO --vary {shlex.quote(f'{key}={vary}')}"
        kept = comment(command) + toml_text(tables(scenario) | {"run": run})
        if kept not in self.scenarios:
            self.scenarios.append(kept)
        curve = key_curve(
            scenario,
            key,
            values,
            requests=self.requests(requests),
            replications=self.replications,
            seed=self.seed,
            engine=choose_engine(self.engine, WHOLE_LESSON),
            longest=longest,
        )
        self.notes.extend(note for point in curve.points for note in point.result.notes)
        return curve

    def _changed(self, text: str) -> Scenario:
        """A scenario with the settings of which it has the key."""
        scenario = parse(text)
        variants = Variants(scenario)
        mine = []
        for setting in self.settings:
            try:
                variants.shape(setting.partition("=")[0].strip())
            except ScenarioError:
                continue
            mine.append(setting)
        self.taken.update(mine)
        return variants.with_keys(mine) if mine else scenario


@dataclass(frozen=True)
class Claim:
    """A sentence about what was found, the figure that it stands on, and the range in which that has to lie.

    ``unit`` is what a page writes behind the figures; they are in that unit.
    """

    said: str
    found: float
    low: float
    high: float
    unit: str = ""

    @property
    def holds(self) -> bool:
        """Whether the figure lies in its range; NaN lies in none."""
        return self.low <= self.found <= self.high


def agrees(said: str, found: IntervalEstimate, exact: float, unit: str = "ms", factor: float = 1e3) -> Claim:
    """The claim that an estimate is an exact value; both in SI units, ``factor`` brings them into ``unit``."""
    return about(said, known(found) * factor, exact * factor, found, unit=unit)


def about(
    said: str, found: float, exact: float, *of: IntervalEstimate, unit: str = "", edge: float = 0.0
) -> Claim:
    """The claim that what was made of estimates by products and ratios is an exact value.

    ``edge`` is a share of the exact value by which the ends of the measured window may shift what was found.
    """
    room = edge * exact + STANDARD_ERRORS * found * sum(each.relative_half_width or 0.0 for each in of)
    return Claim(said, found, exact - room, exact + room, unit)


def mmc_s(quantity: str, load: float, servers: int = 1, service_s: float = SERVICE_S) -> float:
    """The exact mean latency of M/M/c at a utilisation, or its p99; in seconds."""
    rate = load * servers / service_s
    if quantity == "mean":
        return float(theory.mmc_response_mean(rate, 1 / service_s, servers))
    return float(theory.mmc_response_quantile(0.99, rate, 1 / service_s, servers))


def known(estimate: IntervalEstimate) -> float:
    """The value of an estimate, NaN where it is not known."""
    return float("nan") if estimate.value is None else estimate.value


def less(estimate: IntervalEstimate, constant: float) -> IntervalEstimate:
    """What an estimate is above a constant: the wait without the service."""
    value, low, high = (
        None if end is None else end - constant for end in (estimate.value, estimate.low, estimate.high)
    )
    return IntervalEstimate(value, low, high, estimate.n, estimate.method)


def figures(result: Result, name: str | None = None) -> Figures:
    """What a class saw; the first if no name is given.

    Raises:
        SettingError: with what was set the server is overloaded, and there is nothing to be seen.
    """
    if not result.classes:
        raise SettingError(
            "--set overloads a server of this lesson; accepted: settings with which all of them carry their load"
        )
    return (result.classes[0] if name is None else result.class_named(name)).all


def seen(curve: Curve) -> dict[float, Figures]:
    """What the first class saw at each value of a curve."""
    return {point.value: figures(point.result) for point in curve.points}
