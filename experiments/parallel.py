"""The same function for many arguments, on several processes: results in order, as they become ready."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar

from tailrace.crew.executors import Executors, available_cores

T = TypeVar("T")


class Parallel(Executors):
    """All cores, or this process alone. Use as a context."""

    def __init__(self, quick: bool = False) -> None:
        super().__init__(1 if quick else available_cores())

    def run(self, function: Callable[..., T], arguments: Sequence[tuple[Any, ...]]) -> Iterator[T]:
        """Results of ``function(*each)`` in the order of ``arguments``."""
        executor = self.executor()
        for future in [executor.submit(function, *each) for each in arguments]:
            yield future.result()
