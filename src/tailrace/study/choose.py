"""Which is the least design that keeps every promise, and why does none of the lesser ones?"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version
from typing import TYPE_CHECKING, Any, Unpack

import numpy as np

from tailrace import units
from tailrace.answer.result import TargetResult
from tailrace.arrays import BoolArray
from tailrace.crew.crew import Interrupted
from tailrace.errors import SettingError, UnitError
from tailrace.measure.length import PILOT_START
from tailrace.measure.verdict import Verdict
from tailrace.scenario.reading.dial import Dial
from tailrace.scenario.reading.read import Given, named
from tailrace.scenario.reading.variant import Variants
from tailrace.scenario.tables.scenario import Scenario
from tailrace.shown import Shown, told
from tailrace.study.candidates import Candidate, candidates, has_as_much
from tailrace.study.judge import FIRST, Judge, Judged, Lengths
from tailrace.study.least import Least
from tailrace.study.session import How, Session
from tailrace.study.tried import Tried, deciding
from tailrace.study.vary import axes_of

if TYPE_CHECKING:
    import pandas as pd

NEXT_UP = 3
"""Further designs that keep every promise, looked for behind the one that is chosen."""
MOST_BEYOND = 12
"""Designs looked at behind the one that is chosen, at most."""

FIRST_SPEND = 4 * FIRST * PILOT_START
"""Requests for the first look at a design, in each condition."""
MORE_SPEND = 4
"""How many times that for the next, if it takes one."""


@dataclass(frozen=True)
class Offer:
    """One design and what is known of it.

    ``verdict`` is None where there is no such design, or where nobody looked, or no further, since another that takes
    less does.
    ``tried`` holds the target that decided. ``as_of`` is another design that has as much of everything, and that this
    one therefore misses with; ``overloaded`` the station that cannot keep up, ``carries`` how many
    times the load it carries. ``doubt`` says why nothing is said of the figure that would decide.
    """

    candidate: Candidate
    verdict: Verdict | None = None
    tried: Tried | None = None
    as_of: Candidate | None = None
    overloaded: str | None = None
    carries: float | None = None
    doubt: str | None = None

    def row(self, keys: Sequence[str], least: str) -> dict[str, Any]:
        """The same, ready for JSON; in SI units."""
        mine = {each.key: each.value for each in self.candidate.settings}
        spent = self.candidate.cost
        tried = self.tried.row() if self.tried else dict.fromkeys(_OF_TRIED)
        return {
            "scenario": self.candidate.name,
            **{key: mine.get(key) for key in keys},
            least: self.candidate.least if self.candidate.scenario else None,
            "verdict": self.verdict,
            "price": spent and spent.price,
            "power_w": spent and spent.power_w,
            "height": self.candidate.height,
            "capacity_bytes": self.candidate.capacity,
            **{key: tried.get(key) for key in _OF_TRIED},
            "overloaded_station": self.overloaded,
            "carries": self.carries,
            "as_of": self.as_of and self.as_of.label,
            "reason": self.candidate.reason or self.doubt,
        }


_OF_TRIED = ("condition", "class", "quantity", "limit", "found", "found_low", "found_high", "requests")


@dataclass(frozen=True, repr=False)
class Choice(Shown):
    """The answer: every design, the least first, and which one is chosen.

    With 95 % confidence ``chosen`` keeps its promises, and each lesser one does not, or is undecided.
    """

    title: str
    seed: int
    keys: tuple[str, ...]
    units: Mapping[str, str]
    least: str
    offers: tuple[Offer, ...]
    chosen: Offer | None
    requests: int
    looks: int
    several: bool

    @property
    def lesser(self) -> tuple[Offer, ...]:
        """Those before the one that is chosen; all that can be, where none is."""
        possible = tuple(each for each in self.offers if each.candidate.scenario is not None)
        return possible if self.chosen is None else possible[: possible.index(self.chosen)]

    @property
    def next_up(self) -> tuple[Offer, ...]:
        """Those behind it that keep every promise too, as far as anybody looked."""
        behind = self.offers[len(self.lesser) + 1 :] if self.chosen else ()
        return tuple(each for each in behind if each.verdict == "met")[:NEXT_UP]

    @property
    def impossible(self) -> tuple[Offer, ...]:
        """Combinations that contradict themselves, or hold too little."""
        return tuple(each for each in self.offers if each.candidate.scenario is None)

    @property
    def undecided(self) -> tuple[Offer, ...]:
        """Lesser ones of which nobody can say whether they would do."""
        return tuple(each for each in self.lesser if each.verdict == "undecided")

    @property
    def verdict(self) -> Verdict:
        """Met where one is chosen; else undecided where one may be, and missed where none is."""
        return "met" if self.chosen else "undecided" if self.undecided else "missed"

    def front(self) -> list[Offer]:
        """Designs of which a figure is known and that none beats in both: more of what shall be least, less strain."""
        known = [each for each in self.offers if strain(each) is not None]
        front: list[Offer] = []
        for each in known:
            if not front or (strain(each) or 0.0) < (strain(front[-1]) or 0.0):
                front.append(each)
        return front

    def rows(self) -> list[dict[str, Any]]:
        """One row a design, the least first."""
        made = {"seed": self.seed, "version": version("tailrace")}
        return [
            {
                **each.row(self.keys, self.least),
                "chosen": each is self.chosen,
                **made,
                "digest": each.candidate.scenario.digest if each.candidate.scenario else None,
            }
            for each in self.offers
        ]

    @property
    def table(self) -> pd.DataFrame:
        """One row a design, in SI units."""
        import pandas as pd

        return pd.DataFrame(self.rows())

    def as_dict(self) -> dict[str, Any]:
        """The answer as plain mappings and lists, in SI units, ready for JSON."""
        rows = self.rows()
        return {
            "tailrace": version("tailrace"),
            **told(self, "title", "seed"),
            "keys": [{"key": key, "unit": self.units.get(key, "")} for key in self.keys],
            "least": self.least,
            "chosen": next((row for row in rows if row["chosen"]), None),
            "verdict": self.verdict,
            "designs": rows,
            **told(self, "requests", "looks"),
        }


def strain(offer: Offer) -> float | None:
    """How many times its limit the figure is that decided; below 1 where it is kept, None where it is not known."""
    target = offer.tried.target if offer.tried else None
    is_open = offer.verdict is None or offer.doubt is not None
    if is_open or target is None or not target.judged.value:
        return None
    return target.quantity.strain(target.judged.value, target.limit)


def choose(
    scenario: Given | Sequence[Given],
    vary: Mapping[str, object] | Iterable[str] = (),
    *,
    least: str | None = None,
    capacity: str | int | None = None,
    names: Sequence[str] | None = None,
    **how: Unpack[How],
) -> Choice:
    """Find the least design that keeps every promise, in every condition, among all combinations of values.

    Designs that their demands rule out are not run. The others are looked at by short runs first, by longer ones where
    it is close; where one has as much of everything as another and misses, that one misses too.

    Args:
        scenario: a scenario, a file, or several of them: families of designs.
        vary: keys with their values, as for `sweep`; without any those of the scenario's `choice`.
        least: "price" by default, "power", "height", a key, or "price + 4 years at 0.25 per kWh".
        capacity: bytes, or a text such as "200 TB", that the drives must hold at least.
        names: what to call the scenarios; titles, or names of files, if left out.
        how: see `How`.

    Raises:
        ScenarioError, SettingError: what is asked for cannot be.
        StoreError: the store cannot be used.
    """
    designs = named(scenario, names)
    first = next(iter(designs.values()))
    axes = axes_of(vary)
    if first.choice is not None:
        axes = axes or axes_of(first.choice.vary)
        least, capacity = least or first.choice.least, capacity or first.choice.capacity
    wanted = Least.of(least or "price")
    for each in designs.values():
        Lengths.of(each).check(each)
    held = _bytes(capacity)
    found = candidates(designs, axes, wanted, held, how.get("seed"))
    asked = {
        "vary": [f"{axis.key}={axis.written}" for axis in axes],
        "least": wanted.text,
        "capacity": held,
        "scenarios": list(designs),
        "digests": [each.digest for each in designs.values()],
    }
    with Session("choose", first, asked, **how) as session:
        search = _Search(session, first, found, has_as_much(found, designs))
        try:
            search.go()
        except Interrupted as stop:
            raise Interrupted(f"{stop} {search.so_far()}", stop.finished) from None
        answer = Choice(
            first.title if len(designs) == 1 else ", ".join(designs),
            session.seed,
            tuple(axis.key for axis in axes),
            {axis.key: Dial(Variants(first), axis.key).unit for axis in axes},
            wanted.text,
            tuple(search.offers),
            None if search.best is None else search.offers[search.best],
            session.crew.tally.requests,
            search.judge.looks,
            len(designs) > 1,
        )
        session.finish(answer.rows())
    return answer


def _bytes(capacity: str | int | None) -> int | None:
    if capacity is None or isinstance(capacity, int):
        return capacity
    try:
        return int(units.parse_bytes(capacity))
    except UnitError as error:
        raise SettingError(f"capacity is {capacity!r}: {error}") from None


class _Search:
    """Looks at designs until the least that does is known.

    Each look is at the design that rules out most, whichever way it turns out: one that misses takes with it all that
    have no more of anything, one that does all that are not less. A design near its limit waits until all others have
    been looked at: they may rule it out for far less.
    """

    def __init__(
        self, session: Session, scenario: Scenario, found: Sequence[Candidate], more: BoolArray
    ) -> None:
        self._more = more
        self.offers = [Offer(each) for each in found]
        most = Lengths.of(scenario)
        self.judge = Judge(session.bench, most, most.looks * len(found))
        self._most = most.requests * most.replications
        self._spend = FIRST_SPEND
        self._open = np.array([each.scenario is not None for each in found])
        self._waits = np.zeros(len(found), dtype=bool)
        self.best: int | None = None

    def go(self) -> None:
        """Find the least, then some that are next to it."""
        while True:
            while (place := self._next()) is not None:
                self._look(place)
            if not self._waits[: self.best].any():
                break
            self._spend *= MORE_SPEND
            self._waits[:] = False
        if self.best is None:
            return
        for place in map(int, np.flatnonzero(self._waits)):
            self.offers[place] = replace(self.offers[place], verdict=None)
        behind = [place for place in range(self.best + 1, len(self.offers)) if self._is_possible(place)]
        enough = 0
        for place in behind[:MOST_BEYOND]:
            if self.offers[place].tried is None and self._open[place]:
                self._look(place)
            enough += self.offers[place].verdict == "met"
            if enough == NEXT_UP:
                break

    def so_far(self) -> str:
        """The best that is known, in words."""
        if self.best is None:
            return "No design is known yet that keeps every promise."
        best = self.offers[self.best].candidate.label
        return f"The least so far that keeps every promise, which need not be the least of all: {best}."

    def _is_possible(self, place: int) -> bool:
        return self.offers[place].candidate.scenario is not None

    def _next(self) -> int | None:
        """The design that rules out most at worst; of several the least. None where nothing less is open."""
        places = np.flatnonzero((self._open & ~self._waits)[: self.best])
        if not places.size:
            return None
        missed = self._more[np.ix_(places, places)].sum(axis=1)
        met = places.size - np.arange(places.size)
        return int(places[np.argmax(np.minimum(missed, met))])

    def _look(self, place: int) -> None:
        candidate = self.offers[place].candidate
        assert candidate.scenario is not None
        before = self.judge.requests
        seen = self.judge.judged(candidate.scenario, self._spend)
        self._waits[place] = seen.verdict == "undecided" and self._spend < self._most
        self._open[place] = self._waits[place]
        earlier = self.offers[place].tried
        spent = self.judge.requests - before + (earlier.requests if earlier else 0)
        self.offers[place] = self._offer(candidate, seen, spent)
        if seen.verdict == "met":
            self.best = place if self.best is None else min(self.best, place)
        elif seen.verdict != "undecided":
            for other in np.flatnonzero(self._more[place] & self._open):
                self._open[other] = self._waits[other] = False
                self.offers[other] = Offer(self.offers[other].candidate, seen.verdict, as_of=candidate)

    def _offer(self, candidate: Candidate, seen: Judged, requests: int) -> Offer:
        assert candidate.scenario is not None
        where, target = deciding(seen)
        overloaded = next((each.overload for each in seen.seen if each.overload is not None), None)
        digest = candidate.scenario.digest
        tried = Tried(candidate.least, seen.verdict, requests, None, target, digest, where)
        return Offer(
            candidate,
            seen.verdict,
            tried,
            overloaded=None if overloaded is None else overloaded.station,
            carries=None if overloaded is None else overloaded.largest_load_factor,
            doubt=_open_because(seen, target) if target and seen.verdict == "undecided" else None,
        )


def _open_because(seen: Judged, target: TargetResult) -> str | None:
    """Why nobody can say, where it is not the width of the interval alone."""
    return seen.doubt(target.class_name) or (target.judged.method if target.judged.low is None else None)
