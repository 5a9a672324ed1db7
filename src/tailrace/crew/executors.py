"""Where tasks are carried out: in this process, in several, or on an existing Dask cluster.

All speak the interface of `concurrent.futures.Executor`, and give the same results.
"""

from __future__ import annotations

import importlib.util
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from multiprocessing.context import BaseContext
from multiprocessing.process import BaseProcess
from types import TracebackType
from typing import Any, Self, TypeVar

from tailrace.errors import SettingError

T = TypeVar("T")

SCHEDULER_WAIT = "10s"
"""How long to wait for a scheduler to answer."""


def available_cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class InThisProcess(Executor):
    """Carries out each task when it is submitted."""

    def submit(self, task: Callable[..., T], /, *arguments: Any, **named: Any) -> Future[T]:
        future: Future[T] = Future()
        try:
            future.set_result(task(*arguments, **named))
        except Exception as error:
            future.set_exception(error)
        return future


class Executors:
    """Executors of one kind: begun when first needed, and again where one is broken. Use as a context.

    Raises SettingError, a ValueError: fewer than one worker, no Dask installed, or no scheduler at the address.
    """

    def __init__(self, workers: int = 1, scheduler: str | None = None) -> None:
        if workers < 1:
            raise SettingError(f"workers is {workers}; accepted: 1 or more")
        self._workers = workers
        self._executor: Executor | None = None
        self._client: Any = None if scheduler is None else _connected(scheduler)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.dismiss(at_once=kind is not None)
        if self._client is not None:
            self._client.close()

    @property
    def width(self) -> int:
        """Tasks that can be carried out at a time."""
        if self._client is not None:
            return max(int(sum(self._client.nthreads().values())), 1)
        return self._workers

    @property
    def is_elsewhere(self) -> bool:
        """Whether tasks are carried out on a cluster, whose cores are not those of this machine."""
        return self._client is not None

    @property
    def begins_processes(self) -> bool:
        """Whether processes would have to be started first, which takes a second or two."""
        return self._client is None and self._workers > 1 and self._executor is None

    def executor(self) -> Executor:
        """The executor, begun if need be."""
        if self._executor is None:
            if self._client is not None:
                self._executor = self._client.get_executor(pure=False, retries=2)
            elif self._workers > 1:
                self._executor = process_pool(self._workers)
            else:
                self._executor = InThisProcess()
        return self._executor

    def dismiss(self, at_once: bool = False) -> None:
        """End the executor; ``at_once`` without waiting for what is under way."""
        executor, self._executor = self._executor, None
        if executor is None:
            return
        if at_once and isinstance(executor, ProcessPoolExecutor):
            for process in list((executor._processes or {}).values()):
                process.terminate()
        if self._client is None:
            executor.shutdown(wait=True, cancel_futures=True)
        else:
            executor.shutdown(wait=False)


def process_pool(workers: int) -> ProcessPoolExecutor:
    """Processes started clean rather than copied from this one, which may have threads by then."""
    return ProcessPoolExecutor(workers, mp_context=clean_context(), initializer=begin_worker)


def clean_context() -> BaseContext:
    """How processes are started clean."""
    methods = multiprocessing.get_all_start_methods()
    return multiprocessing.get_context("forkserver" if "forkserver" in methods else "spawn")


def begin_worker() -> None:
    """Leave interrupts to the parent, and go when it is gone: one that was killed cannot send anybody home."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_outlive, args=(parent,), daemon=True).start()


def _outlive(parent: BaseProcess) -> None:
    parent.join()
    os._exit(1)


def _connected(address: str) -> Any:
    if importlib.util.find_spec("distributed") is None:
        raise SettingError(
            "scheduler is given, but Dask is not installed; install tailrace with its extra 'cluster'"
        )
    from distributed import Client

    connect: Any = Client  # distributed has no types of its own
    try:
        return connect(address, timeout=SCHEDULER_WAIT, set_as_default=False)
    except (OSError, ValueError) as error:
        said = " ".join(str(error).split()) or type(error).__name__
        raise SettingError(
            f"scheduler is {address!r}: nobody answers ({said}); accepted: the address of a running one, "
            "such as tcp://127.0.0.1:8786"
        ) from None
