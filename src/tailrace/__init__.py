"""tailrace: predicts the request latency of a storage server with a discrete-event queueing simulation.

A scenario is read from a TOML file with :func:`load` and simulated with :func:`simulate`; the answer is a
:class:`Result`. :func:`estimate` says in milliseconds what closed forms make of it. All figures are in SI
units: seconds, bytes, per second.

>>> import tailrace
>>> scenario = tailrace.load(
...     "shared/scenarios/one-station.toml", ["run.requests=2000", "run.precision=0.05"]
... )
>>> result = tailrace.simulate(scenario)
>>> latency = result.classes[0].all.latency_s["mean"]
>>> latency.low < latency.value < latency.high
True
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tailrace.answer.result import ClassResult, Figures, Result, StageTimes, StationResult, TargetResult
    from tailrace.answer.run import simulate
    from tailrace.errors import ScenarioError
    from tailrace.forecast.estimate import estimate
    from tailrace.forecast.result import ClassTheory, Theory
    from tailrace.measure.estimate import Estimate
    from tailrace.scenario.reading.read import load
    from tailrace.scenario.tables.scenario import Scenario
    from tailrace.study.compare import Comparison, compare
    from tailrace.study.headroom import headroom
    from tailrace.study.journey import Journey, journey
    from tailrace.study.relief import relief
    from tailrace.study.sweep import sweep

    __version__: str

__all__ = [
    "ClassResult",
    "ClassTheory",
    "Comparison",
    "Estimate",
    "Figures",
    "Journey",
    "Result",
    "Scenario",
    "ScenarioError",
    "StageTimes",
    "StationResult",
    "TargetResult",
    "Theory",
    "__version__",
    "compare",
    "estimate",
    "headroom",
    "journey",
    "load",
    "relief",
    "simulate",
    "sweep",
]

# Resolved at first use: what stands behind these names takes a second to import.
_HOMES = {
    "ClassResult": "tailrace.answer.result",
    "ClassTheory": "tailrace.forecast.result",
    "Comparison": "tailrace.study.compare",
    "Estimate": "tailrace.measure.estimate",
    "Figures": "tailrace.answer.result",
    "Journey": "tailrace.study.journey",
    "Result": "tailrace.answer.result",
    "Scenario": "tailrace.scenario.tables.scenario",
    "ScenarioError": "tailrace.errors",
    "StageTimes": "tailrace.answer.result",
    "StationResult": "tailrace.answer.result",
    "TargetResult": "tailrace.answer.result",
    "Theory": "tailrace.forecast.result",
    "compare": "tailrace.study.compare",
    "estimate": "tailrace.forecast.estimate",
    "headroom": "tailrace.study.headroom",
    "journey": "tailrace.study.journey",
    "load": "tailrace.scenario.reading.read",
    "relief": "tailrace.study.relief",
    "simulate": "tailrace.answer.run",
    "sweep": "tailrace.study.sweep",
}


def __getattr__(name: str) -> object:
    if name == "__version__":
        from importlib.metadata import version

        return version("tailrace")
    if name not in _HOMES:
        raise AttributeError(f"module 'tailrace' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
