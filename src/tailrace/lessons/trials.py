"""What a lesson runs, and what it claims of what it found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tailrace.answer.result import Figures, Result
from tailrace.answer.run import simulate
from tailrace.engine.choice import choose_engine
from tailrace.measure.estimate import Estimate
from tailrace.scenario.reading.read import parse
from tailrace.study.curve import Curve, key_curve

WHOLE_LESSON = 1_000_000
"""Requests of a lesson, roughly, by which "auto" chooses the engine once for all of its runs."""
STANDARD_ERRORS = 2.0
"""Half-widths of a 95 % interval within which an exact value must lie: about four standard errors."""


@dataclass(frozen=True)
class Trials:
    """How the runs of a lesson are done: ``share`` is that of the usual requests in each replication."""

    seed: int = 7
    engine: str = "auto"
    replications: int = 8
    share: float = 1.0

    def requests(self, usual: int) -> int:
        """The requests of a replication that usually has so many."""
        return max(int(usual * self.share), 1000)

    def answer(self, text: str, requests: int) -> Result:
        """Simulate a scenario, given as TOML without a table `run`, at a fixed length."""
        run = f"[run]\nrequests = {self.requests(requests)}\nreplications = {self.replications}\n"
        return simulate(parse(text + run), self.seed, choose_engine(self.engine, WHOLE_LESSON))

    def curve(self, text: str, key: str, values: Sequence[int | str], requests: int) -> Curve:
        """The same at several values of a key."""
        return key_curve(
            parse(text),
            key,
            values,
            requests=self.requests(requests),
            replications=self.replications,
            seed=self.seed,
            engine=choose_engine(self.engine, WHOLE_LESSON),
        )


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


def agrees(
    said: str, found: Estimate, exact: float, unit: str = "ms", factor: float = 1e3, edge: float = 0.0
) -> Claim:
    """The claim that an estimate is an exact value; both in SI units, ``factor`` brings them into ``unit``.

    ``edge`` is a share of the exact value by which the ends of the measured window may shift what was found.
    """
    value, half = known(found), found.half_width
    room = STANDARD_ERRORS * (half if half is not None else 0.0) + edge * exact
    return Claim(said, value * factor, (exact - room) * factor, (exact + room) * factor, unit)


def known(estimate: Estimate) -> float:
    """The value of an estimate, NaN where it is not known."""
    return float("nan") if estimate.value is None else estimate.value


def figures(result: Result, name: str | None = None) -> Figures:
    """What a class saw; the first if no name is given."""
    return (result.classes[0] if name is None else result.class_named(name)).all


def seen(curve: Curve) -> dict[float, Figures]:
    """What the first class saw at each value of a curve."""
    return {point.value: figures(point.result) for point in curve.points}
