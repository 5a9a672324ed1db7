"""Tasks go in, replications come out: what the store has is taken from it, all else is carried out and kept at once."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field, replace
from types import TracebackType
from typing import Any, Self

from tailrace.crew.executors import Executors
from tailrace.crew.progress import Progress, Watch
from tailrace.crew.store import Store
from tailrace.errors import TailraceError
from tailrace.replicate.replication import Replication
from tailrace.replicate.task import Task, perform

WORTH_STARTING_S = 4.0
"""Seconds of work left from which on it pays to start processes, each of which has to import all this first."""

MOST_LOSSES = 3
"""Times in a row that workers may be lost without a task finished between."""


class LostWorkersError(TailraceError):
    """Workers were lost again and again, or the scheduler is gone."""


class Interrupted(KeyboardInterrupt):
    """Runs that Ctrl-C has ended; its text says how far they were, what is kept, and how to go on.

    ``finished`` are the replications of the step that were, by the places of their tasks in it, ``result`` the answer
    made of them, where there is one.
    """

    def __init__(
        self, said: str, finished: Mapping[int, Replication] | None = None, result: Any = None
    ) -> None:
        super().__init__(said)
        self.finished, self.result = dict(finished or {}), result


@dataclass
class Tally:
    """What was done so far; ``work_s`` is what the tasks took whoever carried them out, now or earlier."""

    performed: int = 0
    found: int = 0
    requests: int = 0
    work_s: float = 0.0
    began: float = field(default_factory=time.perf_counter)

    @property
    def elapsed_s(self) -> float:
        """Seconds since the beginning."""
        return time.perf_counter() - self.began


class Crew:
    """Carries out tasks, in this process or by others, and keeps what is finished where there is a store.

    Use as a context. ``unkept`` is what to say to whoever interrupts it where there is no store.

    Raises SettingError, a ValueError: fewer than one worker, no Dask installed, or no scheduler at the address.
    """

    def __init__(
        self,
        workers: int = 1,
        scheduler: str | None = None,
        store: Store | None = None,
        watch: Watch | None = None,
        unkept: str = "",
    ) -> None:
        self.executors = Executors(workers, scheduler)
        self.store, self._watch, self._unkept = store, watch, unkept
        self.tally = Tally()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.executors.__exit__(kind, error, trace)

    @property
    def is_watched(self) -> bool:
        """Whether anybody is shown the progress."""
        return self._watch is not None

    def run(
        self,
        tasks: Sequence[Task],
        step: str,
        until: Callable[[Replication], bool] | None = None,
        half_width: Callable[[Replication], float | None] | None = None,
        precision: float | None = None,
    ) -> list[Replication]:
        """The replications of tasks, in their order, up to the first for which ``until`` holds.

        Args:
            tasks: what to carry out.
            step: what to call it while it goes on.
            until: tasks behind the first of which it holds need not be carried out.
            half_width: told each replication as it finishes, the widest relative half-width by then; for progress.
            precision: the half-width wanted; for progress.

        Raises:
            Interrupted: on Ctrl-C; what was finished is in the store.
            LostWorkersError: workers or scheduler gone for good.
            StoreError: the store cannot be read or written.
        """
        lengths = {task.requests for task in tasks}
        shown = Progress(
            step, 0, len(tasks), lengths.pop() if len(lengths) == 1 else None, precision=precision
        )
        bag = _Bag(self, tasks, shown, until, half_width)
        try:
            bag.go(self.executors)
        except KeyboardInterrupt:
            self.executors.dismiss(at_once=True)
            kept = self._unkept
            if self.store is not None:
                kept = f"What was finished is kept in {self.store.path}: the same command goes on from there."
            finished = {place: bag.found[place] for place in sorted(bag.found)}
            said = f"{len(finished)} of {len(tasks)} replications of the {step.lower()} were finished."
            raise Interrupted(f"Interrupted: {said} {kept}".strip(), finished) from None
        return [bag.found[place] for place in range(bag.end)]

    def stored(self, task: Task) -> tuple[Replication, float] | None:
        """What the store has of a task, and the seconds that it took; it is counted as done."""
        if self.store is None:
            return None
        known = self.store.find(task.key)
        if known is not None:
            self.tally.found += 1
            self._count(task, known[1])
        return known

    def keep(self, task: Task, replication: Replication, seconds: float) -> None:
        """Note a finished task, and keep it in the store."""
        if self.store is not None:
            self.store.keep(task.key, replication, seconds)
        self.tally.performed += 1
        self._count(task, seconds)

    def _count(self, task: Task, seconds: float) -> None:
        self.tally.work_s += seconds
        self.tally.requests += task.requests

    def tell(self, progress: Progress) -> None:
        """Show progress to whoever watches."""
        if self._watch is not None:
            self._watch(progress)


def timed(task: Task) -> tuple[Replication, float]:
    """Carry out a task, with the seconds that it took."""
    began = time.perf_counter()
    return perform(task), time.perf_counter() - began


class _Bag:
    """Some tasks: a few more under way than can be carried out at a time, so that no worker waits."""

    def __init__(
        self,
        crew: Crew,
        tasks: Sequence[Task],
        shown: Progress,
        until: Callable[[Replication], bool] | None,
        half_width: Callable[[Replication], float | None] | None,
    ) -> None:
        self._crew, self._tasks, self._shown = crew, tasks, shown
        self._until, self._half_width = until, half_width
        self.found: dict[int, Replication] = {}
        self.end = len(tasks)
        """Tasks that are wanted: up to the first that ends the bag."""
        self._left: deque[int] = deque()
        for place, task in enumerate(tasks):
            known = crew.stored(task)
            if known is None:
                self._left.append(place)
            else:
                self._note(place, known[0])
        self._work = sum(tasks[place].requests for place in self._left)
        self._worked = 0
        self._began = time.perf_counter()
        self._losses = 0

    def go(self, executors: Executors) -> None:
        """Carry out what is left."""
        self._tell()
        while self._more() and executors.begins_processes and not self._is_worth_processes():
            place = self._left.popleft()
            self._finish(place, *timed(self._tasks[place]))
        while self._more():
            self._submit_all(executors)

    def _more(self) -> bool:
        return bool(self._left) and self._left[0] < self.end

    def _is_worth_processes(self) -> bool:
        return len(self._left) > 1 and self._worked > 0 and (self._seconds_left() or 0.0) > WORTH_STARTING_S

    def _submit_all(self, executors: Executors) -> None:
        """Submit and collect until all is done, or until the executor breaks: then what is missing is left again."""
        under_way: dict[Future[tuple[Replication, float]], int] = {}
        most = 2 * executors.width
        executor = executors.executor()
        try:
            while self._more() or any(place < self.end for place in under_way.values()):
                while self._more() and len(under_way) < most:
                    place = self._left.popleft()
                    under_way[executor.submit(timed, self._tasks[place])] = place
                ready, _ = wait(under_way, return_when=FIRST_COMPLETED)
                for future in sorted(ready, key=lambda each: under_way[each]):
                    place = under_way.pop(future)
                    try:
                        replication, seconds = future.result()
                    except (BrokenProcessPool, CancelledError):
                        self._left.appendleft(place)
                        raise
                    self._finish(place, replication, seconds)
                    self._losses = 0
        except (BrokenProcessPool, CancelledError):
            self._left.extend(under_way.values())
            executors.dismiss(at_once=True)
            self._losses += 1
            if self._losses > MOST_LOSSES:
                raise LostWorkersError(
                    f"workers were lost {self._losses} times without a task finished between; "
                    "accepted: machines with memory enough, or fewer workers"
                ) from None
        finally:
            for future in under_way:
                future.cancel()

    def _finish(self, place: int, replication: Replication, seconds: float) -> None:
        self._crew.keep(self._tasks[place], replication, seconds)
        self._worked += self._tasks[place].requests
        self._note(place, replication)
        self._tell()

    def _note(self, place: int, replication: Replication) -> None:
        self.found[place] = replication
        if self._until is not None and self._until(replication):
            self.end = min(self.end, place + 1)
        if self._half_width is not None and self._crew.is_watched:
            self._shown = replace(self._shown, half_width=self._half_width(replication))

    def _seconds_left(self) -> float | None:
        left, earlier = self._work - self._worked, self._crew.tally
        if self._worked:
            return left * (time.perf_counter() - self._began) / self._worked
        # Until the first is finished, which may take long, as fast as what was done before: the pilot of an answer.
        return (
            left * earlier.work_s / earlier.requests / self._crew.executors.width
            if earlier.requests
            else None
        )

    def _tell(self) -> None:
        self._crew.tell(replace(self._shown, done=len(self.found), seconds_left=self._seconds_left()))
