"""Requests planned ahead by a thread of its own, while the compiled loop, which needs no interpreter, walks others."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor

from tailrace.plan.columns import Chunk
from tailrace.plan.source import Source


class Planner:
    """Plans the next chunk of each source that was asked before it is asked again.

    Sources do not know of each other and each is asked by one thread, so the chunks are those that they would have
    given anyway.
    """

    def __init__(self, sources: Sequence[Source | None], requests: int) -> None:
        """``requests`` is how many the run needs: of what it may not need, nothing is planned ahead."""
        self._sources, self._needed = sources, requests
        self._thread = ThreadPoolExecutor(1, "plan")
        self._ahead: dict[int, Future[Chunk]] = {}

    def next_chunk(self, number: int) -> Chunk:
        """The next chunk of that source."""
        chunk = (self._ahead.pop(number, None) or self._plan(number)).result()
        self._needed -= len(chunk)
        if self._needed > 0:
            self._ahead[number] = self._plan(number)
        return chunk

    def _plan(self, number: int) -> Future[Chunk]:
        source = self._sources[number]
        assert source is not None
        return self._thread.submit(source.next_chunk)

    def close(self) -> None:
        """Plan no more."""
        self._thread.shutdown(cancel_futures=True)
