"""Everything that a report tells of one scenario: the answer, and the runs and closed forms around it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from tailrace.answer.result import Result
from tailrace.answer.run import simulate
from tailrace.crew.crew import Crew
from tailrace.crew.progress import Watch
from tailrace.forecast.distribution import closed_tail
from tailrace.scenario.tables.scenario import Scenario
from tailrace.study.beside import Beside
from tailrace.study.curve import REQUESTS, Curve, LoadCurve, depth_curve, load_curve


@dataclass(frozen=True)
class Account:
    """One scenario with its answer.

    ``source`` is the text of its file and ``settings`` the keys set over it. ``load`` is there where a class is open,
    ``depth`` over the queue depth of the class ``depth_class`` where none is.
    """

    name: str
    scenario: Scenario
    source: str
    settings: tuple[str, ...]
    result: Result
    closed_tail_s: Mapping[str, Mapping[float, float]]
    load: LoadCurve | None
    depth: Curve | None
    depth_class: str | None
    beside: Beside = field(default_factory=Beside)


def account(
    name: str,
    scenario: Scenario,
    source: str,
    settings: tuple[str, ...] = (),
    *,
    seed: int | None = None,
    engine: str = "auto",
    workers: int | None = None,
    progress: Watch | None = None,
    curve_requests: int = REQUESTS,
    result: Result | None = None,
) -> Account:
    """Simulate a scenario, and around it its load curve, or its queue-depth curve where no class is open.

    ``curve_requests`` is the length of the runs behind the curve, ``result`` the answer where there is one already, as
    of a comparison; the rest is as for `simulate`.

    Raises SettingError as `simulate`.
    """
    load, depth, depth_class = None, None, None
    with Crew(
        workers or 1, watch=progress
    ) as crew:  # the same processes for the answer and for what is around it
        result = result or simulate(scenario, seed, engine, crew)
        around: dict[str, Any] = {"seed": result.seed, "engine": engine, "workers": crew}
        around["requests"] = curve_requests
        if any(each.is_open for each in scenario.workload):
            load = load_curve(scenario, **around)
        else:
            found = depth_curve(scenario, **around)
            depth, depth_class = found.curve, found.name
    tail = {} if result.overload is not None else closed_tail(scenario, result.seed)
    return Account(name, scenario, source, settings, result, tail, load, depth, depth_class)
