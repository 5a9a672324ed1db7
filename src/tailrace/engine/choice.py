"""Which engine runs a plan? Both give the same observations."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Literal, Protocol

from tailrace.engine.observations import Marks, Observations
from tailrace.errors import SettingError

if TYPE_CHECKING:
    from tailrace.engine.loop.layout import Records

Engine = Literal["reference", "compiled"]
ENGINES = ("auto", "reference", "compiled")

WORTH_COMPILING = 50_000
"""Requests, over all replications, from which on loading the compiled engine pays."""


class EngineRun(Protocol):
    """A run under way: its requests come in blocks, so that memory need not grow with their number."""

    complete: bool
    """Whether it came to its end; known when there are no more blocks."""

    def blocks(self) -> Iterator[Records]:
        """Run, and hand out the finished among the requests wanted, as records of type `layout.FINISHED`.

        They come in order of completion, the same from either engine. A block is overwritten by the next one.
        """
        ...

    def marks(self) -> Marks:
        """The marks that have been passed."""
        ...

    def laps(self) -> Records:
        """The steps that transactions have done, as records of type `layout.LAPPED`, in order of time.

        None where the run was not started with ``laps=True``.
        """
        ...


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


def at_hand() -> Engine:
    """The engine that costs nothing to begin with: the compiled one where this process has loaded it already."""
    return "compiled" if "tailrace.engine.loop.state" in sys.modules else "reference"


def runner(engine: Engine) -> Callable[..., Observations]:
    """The function that runs a plan: ``run(plan, requests, marks=21, most_present=None)``."""
    if engine == "compiled":
        from tailrace.engine.compiled import run_compiled

        return run_compiled
    from tailrace.engine.reference import run_reference

    return run_reference


def started(engine: Engine) -> Callable[..., EngineRun]:
    """What makes a run of a plan: ``started(engine)(plan, requests, marks=21, most_present=None, laps=False)``."""
    if engine == "compiled":
        from tailrace.engine.compiled import CompiledRun

        return CompiledRun
    from tailrace.engine.reference import ReferenceRun

    return ReferenceRun
