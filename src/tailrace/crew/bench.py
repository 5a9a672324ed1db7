"""Tasks go in, outcomes come out: those in the store are taken from it, the others are carried out and kept at once."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field

from tailrace.crew.executors import Crew, InThisProcess
from tailrace.crew.progress import StudyProgress
from tailrace.crew.store import Store
from tailrace.errors import TailraceError
from tailrace.replicate.outcome import Outcome
from tailrace.replicate.tasks import Task, perform

WORTH_STARTING_S = 4.0
"""Seconds of work left from which on it pays to start processes."""

MOST_LOSSES = 3
"""Times in a row that workers may be lost without a task finished between."""


class LostWorkersError(TailraceError):
    """Workers were lost again and again, or the scheduler is gone."""


StudyWatch = Callable[[StudyProgress], None]


class InterruptedStudyError(KeyboardInterrupt):
    """A study that Ctrl-C has ended; its text says what is kept and how to go on."""


@dataclass
class Tally:
    """What was done so far; ``work_s`` is what the tasks took whoever carried them out, now or earlier."""

    performed: int = 0
    found: int = 0
    requests: int = 0
    work_s: float = 0.0
    store_s: float = 0.0
    began: float = field(default_factory=time.perf_counter)

    @property
    def elapsed_s(self) -> float:
        """Seconds since the beginning."""
        return time.perf_counter() - self.began


class Bench:
    """Carries out tasks with a crew and, where there is one, a store."""

    def __init__(self, crew: Crew, store: Store | None = None, watch: StudyWatch | None = None) -> None:
        self._crew, self.store, self._watch = crew, store, watch
        self._in_this_process = InThisProcess()
        self.tally = Tally()

    @property
    def width(self) -> int:
        """Tasks that are carried out at a time."""
        return self._crew.width

    def run(self, tasks: Sequence[Task], step: str) -> list[Outcome]:
        """The outcomes of tasks, in their order.

        Raises:
            InterruptedStudyError: on Ctrl-C; what was finished is in the store.
            LostWorkersError: workers or scheduler gone for good.
            StoreError: the store cannot be read or written.
        """
        outcomes: dict[int, Outcome] = {}
        left: deque[int] = deque()
        for place, task in enumerate(tasks):
            known = self._found(task)
            if known is None:
                left.append(place)
            else:
                outcomes[place], seconds = known
                self._count(task, seconds, found=True)
        run = _Run(self, tasks, outcomes, left, step)
        try:
            run.go(self._crew)
        except KeyboardInterrupt:
            self._crew.dismiss(at_once=True)
            kept = "Nothing of it is kept: --store FILE would keep it."
            if self.store is not None:
                kept = f"What was finished is kept in {self.store.path}: the same command goes on from there."
            raise InterruptedStudyError(
                f"Interrupted: {len(outcomes)} of {len(tasks)} replications of this step were finished. {kept}"
            ) from None
        return [outcomes[place] for place in range(len(tasks))]

    def _found(self, task: Task) -> tuple[Outcome, float] | None:
        if self.store is None:
            return None
        began = time.perf_counter()
        known = self.store.find(task.key)
        self.tally.store_s += time.perf_counter() - began
        return known

    def keep(self, task: Task, outcome: Outcome, seconds: float) -> None:
        """Note a finished task, and keep it in the store."""
        if self.store is not None:
            began = time.perf_counter()
            self.store.keep(task.key, outcome, seconds)
            self.tally.store_s += time.perf_counter() - began
        self._count(task, seconds, found=False)

    def _count(self, task: Task, seconds: float, found: bool) -> None:
        self.tally.work_s += seconds
        self.tally.found += found
        self.tally.performed += not found
        self.tally.requests += task.requests

    def tell(self, progress: StudyProgress) -> None:
        """Show progress to whoever watches."""
        if self._watch is not None:
            self._watch(progress)


def timed(task: Task) -> tuple[Outcome, float]:
    """Carry out a task, with the seconds that it took."""
    began = time.perf_counter()
    return perform(task), time.perf_counter() - began


class _Run:
    """One bag of tasks: a few more under way than can be carried out at a time, so that no worker waits."""

    def __init__(
        self, bench: Bench, tasks: Sequence[Task], outcomes: dict[int, Outcome], left: deque[int], step: str
    ) -> None:
        self._bench, self._tasks, self._outcomes, self._left, self._step = bench, tasks, outcomes, left, step
        self._work = sum(tasks[place].requests for place in left)
        self._worked = 0
        self._began = time.perf_counter()
        self._losses = 0

    def go(self, crew: Crew) -> None:
        self._tell()
        while self._left and crew.begins_processes and not self._is_worth_processes():
            place = self._left.popleft()
            self._finish(place, *timed(self._tasks[place]))
        while self._left:
            self._bag(crew)

    def _is_worth_processes(self) -> bool:
        elapsed = time.perf_counter() - self._began
        return self._worked > 0 and (self._work - self._worked) * elapsed / self._worked > WORTH_STARTING_S

    def _bag(self, crew: Crew) -> None:
        """Submit and collect until all is done, or until the executor breaks: then what is missing is left again."""
        under_way: dict[Future[tuple[Outcome, float]], int] = {}
        most = 2 * crew.width
        executor = crew.executor()
        try:
            while self._left or under_way:
                while self._left and len(under_way) < most:
                    place = self._left.popleft()
                    under_way[executor.submit(timed, self._tasks[place])] = place
                ready, _ = wait(under_way, return_when=FIRST_COMPLETED)
                for future in sorted(ready, key=lambda each: under_way[each]):
                    place = under_way.pop(future)
                    try:
                        outcome, seconds = future.result()
                    except (BrokenProcessPool, CancelledError):
                        self._left.appendleft(place)
                        raise
                    self._finish(place, outcome, seconds)
                    self._losses = 0
        except (BrokenProcessPool, CancelledError):
            self._left.extend(under_way.values())
            crew.dismiss(at_once=True)
            self._losses += 1
            if self._losses > MOST_LOSSES:
                raise LostWorkersError(
                    f"workers were lost {self._losses} times without a task finished between; "
                    "accepted: machines with memory enough, or fewer workers"
                ) from None
        except BaseException:
            for future in under_way:
                future.cancel()
            raise

    def _finish(self, place: int, outcome: Outcome, seconds: float) -> None:
        self._bench.keep(self._tasks[place], outcome, seconds)
        self._outcomes[place] = outcome
        self._worked += self._tasks[place].requests
        self._tell()

    def _tell(self) -> None:
        elapsed = time.perf_counter() - self._began
        left = (self._work - self._worked) * elapsed / self._worked if self._worked else None
        self._bench.tell(StudyProgress(self._step, len(self._outcomes), len(self._tasks), seconds_left=left))
