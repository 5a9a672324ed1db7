"""What a worker does with a piece: from a state to the fragments of the page, or to a file to take along."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from tailrace.crew.progress import Watch
from tailrace.errors import SettingError
from tailrace.live import shown
from tailrace.live.address import State
from tailrace.live.controls import scenario_at
from tailrace.live.kept import Keeping
from tailrace.live.piece import Piece
from tailrace.live.reckoned import CURVE_REQUESTS, LOOKS, Reckoner, bounded, seed_of
from tailrace.live.starts import Start
from tailrace.scenario.reading.toml import toml_text
from tailrace.scenario.reading.written import tables
from tailrace.scenario.tables.scenario import Scenario

SCENARIO = "scenario.toml"
FILES = (SCENARIO, "report.html", "numbers.csv")
"""What can be taken along."""


class Pieces:
    """Carries out pieces, for as long as the process lives."""

    def __init__(self, starts: Mapping[str, Start], engine: str, watch: Watch) -> None:
        self._starts, self._engine = starts, engine
        self._crew = Keeping(watch)
        self._reckoner = Reckoner(self._crew, engine)

    def carried_out(self, piece: Piece) -> Iterator[tuple[str, str]]:
        """The events of a piece: the element that each belongs into, and its fragment.

        Raises ScenarioError or SettingError: a state that is not possible, or more than a page affords.
        """
        scenario, kept = scenarios(self._starts, piece.state)
        if piece.kind == "forms":
            bounded(scenario)
            yield "verdict", shown.forms(self._reckoner.forms(scenario, kept))
        elif piece.kind == "seen":
            found = self._reckoner.seen(scenario, kept, piece.step)
            yield "verdict", shown.seen(found, kept)
            yield "spoken", shown.spoken(found) if piece.step == LOOKS else ""
            yield from shown.pictures(found, piece.width, piece.whole)
        elif piece.kind == "curve":
            yield "load", shown.curve(self._reckoner.curve(scenario), piece.width)
        else:
            yield "file", self._file(piece, scenario)

    def _file(self, piece: Piece, scenario: Scenario) -> str:
        text = scenario_file(scenario, piece.state.settings)
        if piece.name == SCENARIO:
            return text
        if piece.name not in FILES:
            raise SettingError(f"{piece.name!r} cannot be taken along; accepted: {', '.join(FILES)}")
        found = self._reckoner.seen(scenario, None, LOOKS)
        if piece.name == "numbers.csv":
            import pandas as pd

            from tailrace.report.files.answer import classes_table

            frames = [
                classes_table(each).assign(condition=name) if name else classes_table(each)
                for name, each in found.results.items()
            ]
            return pd.concat(frames, ignore_index=True).to_csv(index=False, lineterminator="\n")
        if found.conditions is not None:
            from tailrace.report.page.conditions import ConditionsAccount, conditions_page

            told = ConditionsAccount(scenario.title, scenario, text, (), found.conditions)
            return conditions_page([told], ["scenario.toml"])
        from tailrace.report.page.page import report_page
        from tailrace.study.account import account

        whole = account(
            scenario.title,
            bounded(scenario),
            text,
            seed=seed_of(scenario),
            engine=self._engine,
            curve_requests=CURVE_REQUESTS,
            result=found.result,
        )
        return report_page([whole], ["scenario.toml"])


def scenarios(starts: Mapping[str, Start], state: State) -> tuple[Scenario, Scenario | None]:
    """The scenario of a state, and the one that was kept. Raises as `scenario_at`, and SettingError: no such start."""
    start = start_of(starts, state)
    return scenario_at(start, state.settings), None if state.kept is None else scenario_at(start, state.kept)


def start_of(starts: Mapping[str, Start], state: State) -> Start:
    """Where a state starts. Raises SettingError: a ValueError: no such start."""
    if state.start not in starts:
        if not state.start:
            return next(iter(starts.values()))
        raise SettingError(f"start is {state.start!r}; accepted: {', '.join(filter(None, starts))}")
    return starts[state.start]


def scenario_file(scenario: Scenario, settings: Mapping[str, str]) -> str:
    """The scenario as a file of its own, in which parts are written out."""
    changed = [f"Set on a live page: {key} = {value}" for key, value in settings.items()]
    written = tables(scenario)
    run = written.get("run", {}) | {"seed": seed_of(scenario)}
    return toml_text(written | {"run": run}, f"Next: tailrace run {SCENARIO}", *changed)
