"""A process that carries out pieces of work, one at a time, and can be stopped: at once by its word, or by its end."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from multiprocessing.connection import Connection
from typing import Any

from tailrace.crew.executors import begin_worker, clean_context
from tailrace.crew.progress import Progress
from tailrace.errors import ScenarioError, TailraceError
from tailrace.live.piece import Piece
from tailrace.live.starts import Start

LONGEST_S = {"take": 120.0}
USUALLY_S = 30.0
"""Seconds that a piece may take, by its kind; then its process is ended, and another begins."""
GRACE_S = 2.0
"""Seconds that a piece which nobody wants any more may go on."""
BEGINNING_S = 300.0
"""Seconds that a process may take to begin: where the engine is not compiled yet, that happens now."""
MEMORY_BYTES = 6 << 30
"""Most memory (address space) of a process beyond what it begins with."""

Tell = Callable[[str, str], None]


class Worker:
    """The process as the server sees it. It begins when it is first needed, and again after an end.

    ``warm`` is a piece that it carries out for nobody, so that what that needs is loaded.
    """

    def __init__(self, starts: Mapping[str, Start], engine: str, warm: Piece | None = None) -> None:
        self._given, self._warm = (dict(starts), engine), warm
        self._context: Any = clean_context()
        if (
            self._context.get_start_method() == "forkserver"
        ):  # then what is slow to load is loaded once for all
            self._context.set_forkserver_preload(["tailrace.live.loaded"])
        self._stop = self._context.Value("Q", 0)
        self._process: Any = None
        self._pipe: Connection | None = None
        self._number = 0

    def stop(self) -> None:
        """Stop the piece that is under way, as soon as its replication is finished."""
        self._stop.value = self._number

    def end(self) -> None:
        """End the process."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.join()
        if self._pipe is not None:
            self._pipe.close()
            self._pipe = None

    def begin(self) -> None:
        """Begin the process, and wait until it is warm. Raises RuntimeError if it does not come to that."""
        if self._process is not None and self._process.is_alive():
            return
        self.end()
        self._pipe, theirs = self._context.Pipe()
        self._process = self._context.Process(
            target=_work, args=(theirs, self._stop, *self._given, self._warm), daemon=True
        )
        self._process.start()
        self._warm = None  # after an end somebody waits, and what he wants comes first
        theirs.close()
        if self._received(BEGINNING_S) is None:
            self.end()
            raise RuntimeError("the process that simulates could not begin")

    def carry_out(self, piece: Piece, tell: Tell, is_wanted: Callable[[], bool]) -> None:
        """Carry out a piece, and tell each event with its fragment. Blocks; for a thread of its own."""
        self.begin()
        assert self._pipe is not None
        self._number += 1
        self._pipe.send((self._number, piece))
        began, stopped = time.monotonic(), None
        longest = LONGEST_S.get(piece.kind, USUALLY_S)
        while True:
            got = self._received(0.1)
            now = time.monotonic()
            if got == ("end", ""):
                return
            if got is not None and is_wanted():
                tell(*got)
            if not is_wanted() and stopped is None:
                stopped = now
                self.stop()
            if self._process is None or not self._process.is_alive():
                self.end()
                tell("problem", "The process that simulates has ended by itself, perhaps for want of memory.")
                return
            if now - began > longest or (stopped is not None and now - stopped > GRACE_S):
                self.end()
                tell(
                    "problem",
                    f"This takes longer than the {longest:.0f} s that a page affords; tailrace run takes any time.",
                )
                return

    def _received(self, seconds: float) -> tuple[str, str] | None:
        assert self._pipe is not None
        with suppress(EOFError, OSError):
            if self._pipe.poll(seconds):
                got: tuple[str, str] = self._pipe.recv()
                return got
        return None


class _SupersededError(Exception):
    """Nobody wants the piece any more."""


def _work(pipe: Connection, stop: Any, starts: Mapping[str, Start], engine: str, warm: Piece | None) -> None:
    """What the process does, until the pipe is closed."""
    begin_worker()
    import tailrace.live.loaded  # noqa: F401
    from tailrace.live.pieces import Pieces

    number = 0

    def watch(_: Progress) -> None:
        if number and stop.value >= number:
            raise _SupersededError

    pieces = Pieces(starts, engine, watch)
    for _ in [] if warm is None else _events(pieces, warm, lambda: None):
        pass
    _bound_memory()
    pipe.send(("ready", ""))
    with suppress(EOFError, OSError):
        while True:
            number, piece = pipe.recv()
            for event in _events(pieces, piece, lambda: watch(Progress("", 0, 0))):
                pipe.send(event)
            pipe.send(("end", ""))


def _events(pieces: Any, piece: Piece, check: Callable[[], None]) -> Iterator[tuple[str, str]]:
    """The events of a piece; what goes wrong is one of them."""
    try:
        check()
        for event in pieces.carried_out(piece):
            yield event
            check()
    except _SupersededError:
        return
    except ScenarioError as error:
        yield (
            "problem",
            "\n".join(f"{each.key}: {each.message}" if each.key else each.message for each in error.problems),
        )
    except TailraceError as error:
        yield "problem", str(error)
    except MemoryError:
        yield "problem", "This needs more memory than a page affords; tailrace run takes what there is."
    except Exception as error:  # a page goes on whatever fails, and says so
        yield "problem", f"failure: {type(error).__name__}: {' '.join(str(error).split())}"


def _bound_memory() -> None:
    """So that no scenario takes the memory of the whole machine; where the system can do that."""
    with suppress(ImportError, OSError, ValueError):
        import resource
        from pathlib import Path

        now = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (now + MEMORY_BYTES, now + MEMORY_BYTES))
