"""Does a sweep take the time that it was given? On a clock that only work and starting processes move."""

from dataclasses import dataclass
from types import SimpleNamespace

import pytest

import tailrace.crew.crew as crew_module
import tailrace.study.budget as budget_module
import tailrace.study.sweep as sweep_module
from studies import ONE_STATION
from tailrace.crew.executors import Executors, InThisProcess
from tailrace.replicate.replication import Replication
from tailrace.replicate.task import Task, perform
from tailrace.scenario import parse
from tailrace.study.budget import STARTING_S, Pace
from tailrace.study.sweep import Sweep, sweep

CORES = 2
LONG = parse(
    ONE_STATION.replace('[workload.target]\np99 = "12 ms"\n', ""),
    overrides=("run.requests=400000", "run.precision=0.0001"),
)
"""Without a limit that is far away, so that all the time there is is wanted."""


@dataclass
class Machine:
    """A machine of some cores, on which a replication takes some time for itself and some for each request."""

    each_s: float
    request_s: float
    now: float = 100.0
    abreast: int = 1

    def timed(self, task: Task) -> tuple[Replication, float]:
        seconds = self.each_s + self.request_s * task.requests
        self.now += seconds / self.abreast
        # Processes that take turns on a core each take the longer.
        return perform(task), seconds

    def executor(self, executors: Executors) -> InThisProcess:
        if executors._executor is None:
            self.now += STARTING_S if executors.width > 1 else 0.0
            executors._executor = InThisProcess()
        self.abreast = min(executors.width, CORES)
        return executors._executor


def swept(monkeypatch: pytest.MonkeyPatch, machine: Machine, seconds: float, **how: object) -> float:
    """How long a sweep of two points takes there."""
    clock = SimpleNamespace(perf_counter=lambda: machine.now)
    for module in (crew_module, budget_module, sweep_module):
        monkeypatch.setattr(module, "time", clock)
    monkeypatch.setattr(crew_module, "timed", machine.timed)
    monkeypatch.setattr(Executors, "executor", lambda self: machine.executor(self))
    monkeypatch.setattr(budget_module, "available_cores", lambda: CORES)
    began = machine.now
    found = sweep(LONG, {"load": [0.5, 0.9]}, budget=seconds, **how)
    assert isinstance(found, Sweep)
    return machine.now - began


@pytest.mark.parametrize("workers", [1, 2, 8])
@pytest.mark.parametrize(
    ("each_s", "request_s"),
    [
        pytest.param(0.02, 0.1e-3, id="a slow server"),
        pytest.param(0.02, 0.04e-3, id="a quick one, whose short runs take as long for themselves"),
        pytest.param(0.0, 1e-3, id="a very slow one, of which nothing but trials fits"),
    ],
)
def test_a_sweep_takes_the_time_that_it_was_given_to_within_a_quarter(
    monkeypatch: pytest.MonkeyPatch, workers: int, each_s: float, request_s: float
) -> None:
    took = swept(monkeypatch, Machine(each_s, request_s), 10.0, workers=workers)
    assert 7.5 < took < 12.5


def test_what_passed_before_the_sweep_counts_where_the_budget_began_earlier(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    machine = Machine(0.02, 0.1e-3)
    took = swept(monkeypatch, machine, 10.0, began=machine.now - 4.0)
    assert 7.5 - 4.0 < took < 12.5 - 4.0


def test_the_pace_of_a_scenario_is_told_by_a_short_and_a_long_trial() -> None:
    assert Pace.of((1000, 0.03)).request_s == pytest.approx(3e-5)
    both = Pace.of((1000, 0.03), (16_000, 0.18))
    assert (both.each_s, both.request_s) == (pytest.approx(0.02), pytest.approx(1e-5))
    assert both.work_s(4, 10_000) == pytest.approx(4 * 0.12)
    # A short trial that was disturbed, so that it took longer than the long one.
    assert Pace.of((1000, 0.3), (16_000, 0.18)).request_s == pytest.approx(0.18 / 16_000 / 4)
    assert Pace.of((500, 0.03), (500, 0.03)) == Pace.of((500, 0.03))
