"""Answers on their way to a page, as server-sent events (WHATWG HTML, section 9.2)."""

from __future__ import annotations

import asyncio
from contextlib import suppress

from starlette.types import Receive, Scope, Send

from tailrace.live.desk import LAST, Desk, Question

SLOWEST_S = 20.0
"""Seconds that a reader may take for one event; then it is let go."""
SILENCE_S = 15.0
"""Seconds after which a comment is sent, so that a reader who has gone is noticed."""


class Stream:
    """An ASGI response: the events of a question until it is answered, or until nobody listens."""

    def __init__(self, desk: Desk, question: Question) -> None:
        self._desk, self._question = desk, question

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send until the end."""
        del scope
        gone = asyncio.ensure_future(_gone(receive))
        sending = asyncio.ensure_future(self._sent(send))
        try:
            await asyncio.wait((gone, sending), return_when=asyncio.FIRST_COMPLETED)
        finally:
            self._desk.leave(self._question)
            for each in (gone, sending):
                each.cancel()
                with suppress(asyncio.CancelledError, OSError, TimeoutError):
                    await each

    async def _sent(self, send: Send) -> None:
        kind = (b"content-type", b"text/event-stream; charset=utf-8")
        await send({"type": "http.response.start", "status": 200, "headers": [kind]})
        is_open = True
        while is_open:
            try:
                events = await asyncio.wait_for(self._question.mailbox.take(), SILENCE_S)
            except TimeoutError:
                events = [("", "")]
            text = "".join(written(*each) for each in events)
            is_open = not any(event in LAST for event, _ in events)
            body = {"type": "http.response.body", "body": text.encode(), "more_body": is_open}
            await asyncio.wait_for(send(body), SLOWEST_S)


async def _gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass


def written(event: str, text: str) -> str:
    """An event as it is sent: a line of data for each line of text. A comment, without a name."""
    if not event:
        return ":\n\n"
    lines = "".join(f"data: {line}\n" for line in text.splitlines() or [""])
    return f"event: {event}\n{lines}\n"
