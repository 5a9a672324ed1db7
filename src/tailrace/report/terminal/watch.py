"""How far have the runs come? Shown on standard error, if that is a terminal."""

from __future__ import annotations

from types import TracebackType
from typing import TYPE_CHECKING, Self

from tailrace.crew.progress import COMPILING, Progress

if TYPE_CHECKING:
    from rich.progress import Progress as Display


class Watch:
    """What is called as replications finish, and the context in which it shows how far they are."""

    def __init__(self, shown: bool) -> None:
        """``shown`` says whether there is anybody to see it."""
        self._display = _display() if shown else None

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
        """Show how far it is."""
        if self._display is None:
            return
        if progress.step == COMPILING:  # nobody knows how long that takes
            self._display.update(self._task, description=progress.step)
            return
        runs = "" if progress.requests is None else f": runs of {progress.requests:,} requests"
        self._display.update(
            self._task,
            description=f"{progress.step}{runs}",
            total=progress.wanted,
            completed=progress.done,
            count=f"{progress.done} of {progress.wanted}",
            widths=_widths(progress),
            left=_left(progress),
        )


def _left(progress: Progress) -> str:
    """How long this step will go on, if the rest takes as long as what is done."""
    if progress.seconds_left is None or progress.done >= progress.wanted:
        return ""
    seconds = round(progress.seconds_left)
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
