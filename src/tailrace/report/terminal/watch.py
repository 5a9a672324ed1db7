"""How far has a run come? Shown on standard error, if that is a terminal."""

from __future__ import annotations

import time
from collections.abc import Callable
from types import TracebackType
from typing import TYPE_CHECKING, Self

from tailrace.crew.progress import Progress, StudyProgress

if TYPE_CHECKING:
    from rich.progress import Progress as Display

PHASES = {"compiling": "Compiling the engine, this once", "pilot": "Pilot", "answer": "Answer"}


class Watch:
    """The callback of a study, and the context in which it shows its progress."""

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
        """Show how far the study is."""
        if self._display is None:
            return
        if progress.phase == "compiling":  # nobody knows how long that takes
            self._display.update(self._task, description=PHASES[progress.phase])
            return
        if progress.done == 0:
            self._began_s = self._clock()
        self._display.update(
            self._task,
            description=f"{PHASES[progress.phase]}: runs of {progress.requests:,} requests",
            total=progress.wanted,
            completed=progress.done,
            count=f"{progress.done} of {progress.wanted}",
            widths=_widths(progress),
            left=_left(progress, self._clock() - self._began_s),
        )


def _left(progress: Progress, elapsed_s: float) -> str:
    """How long this phase will go on, if the rest takes as long as what is done."""
    if not 0 < progress.done < progress.wanted:
        return ""
    seconds = round(elapsed_s / progress.done * (progress.wanted - progress.done))
    if seconds < 90:
        return f"{seconds} s left"
    return f"{seconds // 60} min left" if seconds < 5400 else f"{seconds / 3600:.1f} h left"


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


class StudyDisplay:
    """The callback of a study of many points, and the context in which it shows steps done and time left."""

    def __init__(self, shown: bool) -> None:
        """``shown`` says whether there is anybody to see it."""
        self._display = _study_display() if shown else None

    def __enter__(self) -> Self:
        if self._display is not None:
            self._display.start()
            self._task = self._display.add_task("Preparing", total=None, count="", left="")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._display is not None:
            self._display.stop()

    def __call__(self, progress: StudyProgress) -> None:
        """Show how far the study is."""
        if self._display is not None:
            self._display.update(
                self._task,
                description=progress.step,
                total=progress.wanted,
                completed=progress.done,
                count=f"{progress.done} of {progress.wanted} runs",
                left=_time_left(progress.seconds_left),
            )


def _time_left(seconds: float | None) -> str:
    if seconds is None:
        return ""
    return f"{seconds:.0f} s left" if seconds < 100 else f"{seconds / 60:.0f} min left"


def _study_display() -> Display:
    from rich.console import Console
    from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Display

    return Display(
        TextColumn("{task.description}"),
        BarColumn(bar_width=16),
        TextColumn("{task.fields[count]}"),
        TimeElapsedColumn(),
        TextColumn("{task.fields[left]}"),
        console=Console(stderr=True),
        transient=True,
    )
