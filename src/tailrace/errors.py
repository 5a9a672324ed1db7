"""What can go wrong, in words for the person who wrote the scenario."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


class TailraceError(Exception):
    """Base of every error that this package raises on purpose."""


class UnitError(TailraceError, ValueError):
    """A quantity cannot be read; `wrong` says why and `accepted` what may stand there."""

    def __init__(self, wrong: str, accepted: str) -> None:
        super().__init__(wrong, accepted)
        self.wrong = wrong
        self.accepted = accepted

    def __str__(self) -> str:
        return f"{self.wrong}; accepted: {self.accepted}"


class SettingError(TailraceError, ValueError):
    """How a run is to be done cannot be: an engine that is not there, no workers."""


class StoreError(TailraceError):
    """The file that keeps finished work cannot be used: damaged, foreign, full, or locked for too long."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong in a scenario.

    Attributes:
        file: the file, or "override" for a key that an override set.
        key: the path of the key, such as `workload.booking.rate`; empty where the whole file is meant.
        value: the bad value as it was written, or None where there is none (a missing key).
        message: what is wrong and, after "accepted:", what may stand there.
    """

    file: str
    key: str
    value: str | None
    message: str

    def __str__(self) -> str:
        if not self.key:
            return f"{self.file}: {self.message}"
        if self.value is None:
            return f"{self.file}: {self.key}: {self.message}"
        return f"{self.file}: {self.key} = {self.value}: {self.message}"


class ScenarioError(TailraceError):
    """A scenario cannot be used: `problems` holds all that is wrong with it, a line each in the text."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__(self.problems)

    def __str__(self) -> str:
        return "\n".join(str(problem) for problem in self.problems)


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong with a recorded file, at a key relative to the table that names the file."""

    key: tuple[str, ...]
    wrong: str
    accepted: str


class TraceError(TailraceError):
    """A recorded file cannot be used: ``faults`` holds all that is wrong with it, a line each in the text."""

    def __init__(self, file: str, faults: Iterable[Fault]) -> None:
        self.file, self.faults = file, tuple(faults)
        super().__init__(file, self.faults)

    def __str__(self) -> str:
        lines = []
        for fault in self.faults:
            key = "" if fault.key == ("file",) else f"{'.'.join(fault.key)}: "
            lines.append(f"{self.file}: {key}{fault.wrong}; accepted: {fault.accepted}")
        return "\n".join(lines)
