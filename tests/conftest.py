"""What holds for all tests, and what several files of them use."""

import importlib
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType

import pandas as pd
import pytest
from hypothesis import settings

from quick import EXPERIMENTS, Quick, written

# The same examples in every run, so that a run that has passed passes again. To look for others:
# pytest --hypothesis-profile=default
settings.register_profile("repeatable", derandomize=True)
settings.load_profile("repeatable")


@pytest.fixture(scope="session", autouse=True)
def _short_scenarios_run_as_long_ones_do() -> Iterator[None]:
    """By the compiled engine where there is one: whoever wants to see the other, or the choice, asks for it by name."""
    from tailrace.engine import choice
    from through import ENGINE

    with pytest.MonkeyPatch.context() as patch:
        if ENGINE == "compiled":
            importlib.import_module("tailrace.engine.loop.state")
            patch.setattr(choice, "WORTH_COMPILING", 0)
        yield


@pytest.fixture
def script(monkeypatch: pytest.MonkeyPatch) -> Callable[[str], ModuleType]:
    """A script of the experiments, as a module."""
    monkeypatch.syspath_prepend(str(EXPERIMENTS))
    return importlib.import_module


@pytest.fixture
def quick(script: Callable[[str], ModuleType], monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Quick:
    """Run an experiment in its small version, see that it wrote what it says, and return its table."""
    pytest.importorskip("numba")

    def run(name: str) -> pd.DataFrame:
        experiment = script(name)
        monkeypatch.setattr(sys, "argv", [f"{name}.py", "--quick", "--results", str(tmp_path)])
        experiment.main()
        return written(name, tmp_path)

    return run
