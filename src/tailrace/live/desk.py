"""Whose turn is it? Pages ask, pieces of work go to the workers, and what they find goes back to the page.

A page has one question at a time: a newer one takes the place of the older, whose work is stopped. Pieces of the same
urgency take turns, and first answers come before finer ones, so that no page waits for another's last step.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from itertools import count
from typing import Literal, TypeAlias

from tailrace.live import shown
from tailrace.live.address import State
from tailrace.live.piece import Piece
from tailrace.live.reckoned import LOOKS
from tailrace.live.starts import Start
from tailrace.live.worker import Worker

MOST_PAGES = 32
"""Questions that are open at a time."""
LAST = ("done", "stopped", "file")
"""Events after which no other comes."""


class FullError(Exception):
    """There is no room for another question."""


class Mailbox:
    """The latest of each event that its reader has not taken yet: a slow one misses what is out of date already."""

    def __init__(self) -> None:
        self._events: dict[str, str] = {}
        self._there = asyncio.Event()

    def put(self, event: str, text: str) -> None:
        """Lay an event in, over an older one of its name."""
        self._events.pop(event, None)
        self._events[event] = text
        self._there.set()

    async def take(self) -> list[tuple[str, str]]:
        """All that is there, in order; waits until there is something."""
        await self._there.wait()
        self._there.clear()
        events, self._events = list(self._events.items()), {}
        return events


@dataclass(eq=False)
class Question:
    """What a page wants to know, and where the answers go."""

    tab: str
    number: int
    mailbox: Mailbox = field(default_factory=Mailbox)
    is_wanted: bool = True
    is_simulated: bool = False
    """Whether a simulated answer was told already: closed forms that come late must not take its place."""


@dataclass(order=True)
class _Waiting:
    urgency: int
    number: int
    question: Question = field(compare=False)
    piece: Piece = field(compare=False)


Lane: TypeAlias = Literal["forms", "runs", "take"]
"""Closed forms, simulations and files each have workers of their own, so that none of them waits for another kind."""


class Desk:
    """Takes questions and has them answered. ``run`` is to be run for as long as the server lives."""

    def __init__(self, starts: Mapping[str, Start], engine: str, simulating: int = 1) -> None:
        self.questions: dict[str, Question] = {}
        runs: list[Lane] = ["runs"] * simulating
        lanes: list[Lane] = ["forms", *runs, "take"]
        first = State(next(iter(starts)))
        warm = {"forms": Piece("forms", first), "runs": Piece("seen", first, 1)}
        self._workers = [(Worker(starts, engine, warm.get(lane)), lane) for lane in lanes]
        self._waiting: dict[Lane, asyncio.PriorityQueue[_Waiting]] = {
            lane: asyncio.PriorityQueue() for lane in lanes
        }
        self._at_work: dict[Worker, Question] = {}
        self._numbers = count()
        self._ends = False

    async def run(self) -> None:
        """Let the workers work; ends them when it is cancelled."""
        try:
            await asyncio.gather(*(self._served(worker, lane) for worker, lane in self._workers))
        finally:
            self._ends = True
            for worker, _ in self._workers:
                worker.end()

    def ask(self, tab: str, number: int, piece: Piece) -> Question:
        """Take a question of a page, in place of the one that it had.

        Raises FullError: too many are open.
        """
        earlier = self.questions.get(tab)
        if earlier is not None:
            if number < earlier.number:  # came late; the page does not listen any more
                late = Question(tab, number, is_wanted=False)
                late.mailbox.put("done", "")
                return late
            self.leave(earlier)
        if len(self.questions) >= MOST_PAGES:
            raise FullError
        question = self.questions[tab] = Question(tab, number)
        self._wait(question, piece)
        if piece.kind == "forms":
            self._wait(question, replace(piece, kind="seen", step=1))
        return question

    def leave(self, question: Question) -> None:
        """Nobody wants to know any more."""
        question.is_wanted = False
        question.mailbox.put("done", "")
        if self.questions.get(question.tab) is question:
            del self.questions[question.tab]
        for worker, mine in self._at_work.items():
            if mine is question:
                worker.stop()

    def stop(self) -> None:
        """Tell every page that the server ends."""
        for question in list(self.questions.values()):
            question.mailbox.put("stopped", "")

    def _wait(self, question: Question, piece: Piece) -> None:
        lane: Lane = "forms" if piece.kind == "forms" else "take" if piece.kind == "take" else "runs"
        urgency = LOOKS + 1 if piece.kind == "curve" else piece.step
        self._waiting[lane].put_nowait(_Waiting(urgency, next(self._numbers), question, piece))

    async def _served(self, worker: Worker, lane: Lane) -> None:
        """One worker's day."""
        if lane != "take":  # files are seldom asked for
            with suppress(RuntimeError):
                await asyncio.to_thread(worker.begin)
        while True:
            turn = await self._waiting[lane].get()
            if turn.question.is_wanted:
                await self._turn(worker, turn.question, turn.piece)

    async def _turn(self, worker: Worker, question: Question, piece: Piece) -> None:
        """One piece, and then what comes after it."""
        loop = asyncio.get_running_loop()
        failed = False

        def tell(event: str, text: str) -> None:
            nonlocal failed
            failed = failed or event == "problem"
            if not self._ends:
                loop.call_soon_threadsafe(self._put, question, piece, event, text)

        self._at_work[worker] = question
        try:
            is_wanted = lambda: question.is_wanted and not self._ends  # noqa: E731
            await asyncio.to_thread(worker.carry_out, piece, tell, is_wanted)
        except RuntimeError as error:
            tell("problem", str(error))
        finally:
            self._at_work.pop(worker, None)
        await asyncio.sleep(0)  # what was told comes before what follows from it
        self._go_on(question, piece, failed)

    def _put(self, question: Question, piece: Piece, event: str, text: str) -> None:
        if not question.is_wanted:
            return
        if event == "problem" and piece.kind == "curve":  # the answer stands without it
            event, text = "load", shown.fragment("nothing.html", said=f"No load curve: {text}")
        elif event == "problem" and question.is_simulated:  # the answer of the step before stands
            event, text = "progress", f"No finer answer follows: {text}"
        elif event == "problem" and piece.kind != "take":
            text = shown.problem(text)
        if event == "verdict":
            if piece.kind == "forms" and question.is_simulated:
                return
            question.is_simulated = piece.kind == "seen"
        question.mailbox.put(event, text)

    def _go_on(self, question: Question, piece: Piece, failed: bool) -> None:
        """What comes after a piece."""
        if not question.is_wanted or (piece.kind == "forms" and not failed):
            return
        if failed or piece.kind in ("curve", "take"):
            self.leave(question)
        elif piece.step < LOOKS:
            self._wait(question, replace(piece, step=piece.step + 1))
        else:
            self._wait(question, replace(piece, kind="curve"))
