"""How far has a run, or a study, come? Shown on standard error, if that is a terminal."""

from __future__ import annotations

import time
from collections.abc import Callable
from types import TracebackType
from typing import TYPE_CHECKING, Self

from tailrace.crew.progress import Progress

if TYPE_CHECKING:
    from rich.progress import Progress as Display


class Watch:
    """The callback of a run or study, and the context in which it shows its progress."""

    def __init__(self, shown: bool, clock: Callable[[], float] = time.perf_counter) -> None:
        """``shown`` says whether there is anybody to see it; ``clock`` tells seconds."""
        self._display = _display() if shown else None
        self._clock = clock
        self._began_s = clock()

    def __enter__(self) -> Self:
        if self._display is not None:
            self._display.start()
            self._task = self._display.add_task("Preparing", total=None, count="", widths="", left="")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._display is not None:
            self._display.stop()

    def __call__(self, progress: Progress) -> None:
        """Show how far the step is; of one that is a single thing, such as compiling, only that it is under way."""
        if self._display is None:
            return
        if progress.done == 0:
            self._began_s = self._clock()
        several = progress.wanted > 1
        runs = "" if progress.requests is None else f": runs of {progress.requests:,} requests"
        self._display.update(
            self._task,
            description=f"{progress.step}{runs}",
            total=progress.wanted if several else None,
            completed=progress.done,
            count=f"{progress.done} of {progress.wanted}" if several else "",
            widths=_widths(progress),
            left=_left(self._seconds_left(progress)),
        )

    def _seconds_left(self, progress: Progress) -> float | None:
        """Until all is done, or if that is not known, the step, if its rest takes as long as what is done."""
        if progress.seconds_left is not None or not 0 < progress.done < progress.wanted:
            return progress.seconds_left
        return (self._clock() - self._began_s) / progress.done * (progress.wanted - progress.done)


def _left(seconds: float | None) -> str:
    if seconds is None:
        return ""
    if seconds < 90:
        return f"{seconds:.0f} s left"
    return f"{seconds / 60:.0f} min left" if seconds < 5400 else f"{seconds / 3600:.1f} h left"


def _widths(progress: Progress) -> str:
    found = f"±{100 * progress.half_width:.3g} %" if progress.half_width is not None else ""
    wanted = f"wanted ±{100 * progress.precision:.3g} %" if progress.precision is not None else ""
    return ", ".join(part for part in (found, wanted) if part)


def _display() -> Display:
    from rich.console import Console
    from rich.progress import BarColumn, TextColumn
    from rich.progress import Progress as Display

    return Display(
        TextColumn("{task.description}"),
        BarColumn(bar_width=10),
        TextColumn("{task.fields[count]}"),
        TextColumn("{task.fields[left]}"),
        TextColumn("{task.fields[widths]}"),
        console=Console(stderr=True),
        transient=True,
    )
