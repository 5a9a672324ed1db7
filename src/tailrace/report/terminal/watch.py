"""How far have the runs come? On standard error: a line that changes on a terminal, else one now and then."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Self

from tailrace.crew.progress import COMPILING, Progress

if TYPE_CHECKING:
    from rich.progress import Progress as Display

NOW_AND_THEN_S = 30.0
"""Seconds between two lines where there is no terminal; what takes less says nothing."""


class Watch:
    """What is called as replications finish, and the context in which it shows how far they are."""

    def __init__(
        self, shown: bool, terminal: bool | None = None, clock: Callable[[], float] = time.monotonic
    ) -> None:
        """``shown`` says whether anybody wants to see it; ``terminal`` whether there is one, else that is found out."""
        there = sys.stderr.isatty() if terminal is None else terminal
        self._display = _display(clock) if shown and there else None
        self._clock, self._says = clock, shown and not there
        self._said = clock()

    def __enter__(self) -> Self:
        if self._display is not None:
            self._display.start()
            self._task = self._display.add_task("Preparing", total=None, count="", widths="", ends=None)
        return self

    def __exit__(self, *_: object) -> None:
        if self._display is not None:
            self._display.stop()

    def __call__(self, progress: Progress) -> None:
        """Show how far it is."""
        runs = "" if progress.requests is None else f": runs of {progress.requests:,} requests"
        step, count = f"{progress.step}{runs}", f"{progress.done} of {progress.wanted}"
        left = None if progress.done >= progress.wanted else progress.seconds_left
        if self._says and progress.step != COMPILING and self._clock() - self._said >= NOW_AND_THEN_S:
            self._said = self._clock()
            parts = [f"{step}, {count}", "" if left is None else time_left(left), _widths(progress)]
            print(f"tailrace: {', '.join(part for part in parts if part)}", file=sys.stderr, flush=True)
        if self._display is None:
            return
        if progress.step == COMPILING:  # nobody knows how long that takes
            self._display.update(self._task, description=progress.step)
            return
        self._display.update(
            self._task,
            description=step,
            total=progress.wanted,
            completed=progress.done,
            count=count,
            widths=_widths(progress),
            ends=None if left is None else self._clock() + left,
        )


def time_left(seconds: float) -> str:
    """How long a step will go on, if the rest takes as long as what is done."""
    if seconds < 90:
        return f"{max(round(seconds), 1)} s left"
    return f"{seconds / 60:.0f} min left" if seconds < 5400 else f"{seconds / 3600:.1f} h left"


def _widths(progress: Progress) -> str:
    found = f"±{100 * progress.half_width:.3g} %" if progress.half_width is not None else ""
    wanted = f"wanted ±{100 * progress.precision:.3g} %" if progress.precision is not None else ""
    return ", ".join(part for part in (found, wanted) if part)


def _display(clock: Callable[[], float]) -> Display:
    from rich.console import Console
    from rich.progress import BarColumn, ProgressColumn, Task, TextColumn
    from rich.progress import Progress as Display
    from rich.text import Text

    class Left(ProgressColumn):
        """Counts down, since between two replications of a long run there may be minutes."""

        def render(self, task: Task) -> Text:
            ends = task.fields["ends"]
            return Text("" if ends is None else time_left(ends - clock()))

    return Display(
        TextColumn("{task.description}"),
        BarColumn(bar_width=10),
        TextColumn("{task.fields[count]}"),
        Left(),
        TextColumn("{task.fields[widths]}"),
        console=Console(stderr=True),
        transient=True,
    )
