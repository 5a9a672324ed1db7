"""Which engine runs a plan? Both give the same observations."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from tailrace.engine.observations import Observations
from tailrace.errors import SettingError

Engine = Literal["reference", "compiled"]
ENGINES = ("auto", "reference", "compiled")

WORTH_COMPILING = 50_000
"""Requests, over all replications, from which on loading the compiled engine pays."""


def choose_engine(wanted: str, requests: int) -> Engine:
    """The engine to use for a run of that many requests over all replications.

    "auto" takes the compiled one where it is installed and the run is long enough to pay for it. Raises SettingError
    (a ValueError) for a name that is not in ``ENGINES``, and for "compiled" where numba is not installed.
    """
    if wanted not in ENGINES:
        raise SettingError(f"engine is {wanted!r}; accepted: {', '.join(ENGINES)}")
    if wanted == "reference" or (wanted == "auto" and requests < WORTH_COMPILING):
        return "reference"
    from tailrace.engine.compiled import available

    if available():
        return "compiled"
    if wanted == "compiled":
        raise SettingError(
            "engine is 'compiled', but numba is not installed; install tailrace with its extra 'fast'"
        )
    return "reference"


def runner(engine: Engine) -> Callable[..., Observations]:
    """The function that runs a plan: ``run(plan, requests, marks=21, most_present=None)``."""
    if engine == "compiled":
        from tailrace.engine.compiled import run_compiled

        return run_compiled
    from tailrace.engine.reference import run_reference

    return run_reference
