"""Independent tasks, in this process or on several: the results are the same and come in order."""

from __future__ import annotations

import multiprocessing
import os
import signal
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from types import TracebackType
from typing import Any, TypeVar

from tailrace.errors import SettingError

T = TypeVar("T")

WORTH_STARTING_S = 4.0
"""Seconds of work left from which on it pays to start processes, each of which has to import all this first."""


def available_cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class Workers:
    """Runs tasks on ``count`` processes; with one, in this process. Use as a context.

    Processes are started when they are worth it. They are started clean rather than copied from this one, which may
    have threads by then.
    """

    def __init__(self, count: int) -> None:
        """Raises SettingError, a ValueError, unless there is at least one worker."""
        if count < 1:
            raise SettingError(f"workers is {count}; accepted: 1 or more")
        self._count = count
        self._executor: ProcessPoolExecutor | None = None

    def __enter__(self) -> Workers:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        del error, trace
        if self._executor is None:
            return
        if kind is not None:  # nobody wants the rest
            for process in self._executor._processes.values():
                process.terminate()
        self._executor.shutdown(wait=True, cancel_futures=True)
        self._executor = None

    def run(self, task: Callable[..., T], arguments: Sequence[tuple[Any, ...]]) -> Iterator[T]:
        """Results of ``task(*each)`` in the order of ``arguments``, as they become ready."""
        started = time.perf_counter()
        rest = deque(arguments)
        while rest and not self._worth_starting(
            time.perf_counter() - started, len(arguments) - len(rest), len(rest)
        ):
            yield task(*rest.popleft())
        if rest:
            futures = [self._processes().submit(task, *each) for each in rest]
            for future in futures:
                yield future.result()

    def _worth_starting(self, seconds: float, done: int, left: int) -> bool:
        """Whether other processes would finish sooner, by what the first tasks took in this one."""
        if self._count == 1 or left == 1:
            return False
        if self._executor is not None:
            return True
        return done > 0 and left * seconds / done > WORTH_STARTING_S

    def _processes(self) -> ProcessPoolExecutor:
        if self._executor is None:
            methods = multiprocessing.get_all_start_methods()
            context = multiprocessing.get_context("forkserver" if "forkserver" in methods else "spawn")
            self._executor = ProcessPoolExecutor(
                self._count, mp_context=context, initializer=_leave_interrupts_to_parent
            )
        return self._executor


def _leave_interrupts_to_parent() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
