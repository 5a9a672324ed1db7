"""The routes of the page: itself, its script and style, its controls, its answers, and what can be taken along."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager, suppress
from importlib.resources import files

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.routing import Route

from tailrace.errors import TailraceError
from tailrace.live import shown
from tailrace.live.address import State, read
from tailrace.live.controls import controls_at, in_front
from tailrace.live.desk import Desk, FullError
from tailrace.live.piece import Piece
from tailrace.live.pieces import FILES, SCENARIO, scenario_file, scenarios, start_of
from tailrace.live.starts import Start
from tailrace.live.stream import Stream
from tailrace.report.pictures.style import Width

MOST_TAB = 40
KINDS = {"toml": "application/toml", "html": "text/html", "csv": "text/csv"}


def site(starts: Mapping[str, Start], desk: Desk) -> Starlette:
    """The application behind the guard, whose first step of a path is the key. Its lifespan runs the desk."""
    script = (files("tailrace.live") / "live.js").read_text(encoding="utf-8")
    style = shown.style()

    async def page(request: Request) -> Response:
        return HTMLResponse(await run_in_threadpool(_page, starts, request.url.query))

    async def controls(request: Request) -> Response:
        try:
            state = read(request.url.query)
            return HTMLResponse(await run_in_threadpool(_controls, start_of(starts, state), state))
        except TailraceError as error:
            return PlainTextResponse(str(error), 422)

    async def events(request: Request) -> Response | Stream:
        asked = request.query_params
        width, whole = (_width(asked.get(name)) for name in ("width", "whole"))
        try:
            state = read(request.url.query)
        except TailraceError as error:
            return PlainTextResponse(str(error), 422)
        number = asked.get("number", "0")
        number = number if number.isascii() and number.isdigit() and len(number) < 12 else "0"
        try:
            question = desk.ask(
                asked.get("tab", "")[:MOST_TAB], int(number), Piece("forms", state, width=width, whole=whole)
            )
        except FullError:
            return PlainTextResponse("too many pages at a time", 503, {"retry-after": "5"})
        return Stream(desk, question)

    async def take(request: Request) -> Response:
        name = request.path_params["name"]
        if name not in FILES:
            return PlainTextResponse("not found", 404)
        if name == SCENARIO:  # nothing has to be found for that
            try:
                text = await run_in_threadpool(_scenario_text, starts, request.url.query)
            except TailraceError as error:
                return PlainTextResponse(str(error), 422)
            return _attached(name, text)
        try:
            question = desk.ask(f"take {id(request)}", 0, Piece("take", read(request.url.query), name=name))
        except FullError:
            return PlainTextResponse("too many pages at a time", 503, {"retry-after": "5"})
        except TailraceError as error:
            return PlainTextResponse(str(error), 422)
        try:
            return await _taken(question.mailbox.take, name)
        finally:
            desk.leave(question)

    async def script_file(_: Request) -> Response:
        return Response(script, media_type="text/javascript")

    async def style_file(_: Request) -> Response:
        return Response(style, media_type="text/css")

    @asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        at_work = asyncio.create_task(desk.run())
        try:
            yield
        finally:
            at_work.cancel()
            with suppress(asyncio.CancelledError):
                await at_work

    routes = [
        Route("/{key}/", page),
        Route("/{key}/live.js", script_file),
        Route("/{key}/live.css", style_file),
        Route("/{key}/controls", controls),
        Route("/{key}/events", events),
        Route("/{key}/take/{name}", take),
    ]
    return Starlette(routes=routes, lifespan=lifespan)


async def _taken(take: Callable[[], Awaitable[list[tuple[str, str]]]], name: str) -> Response:
    """The file, or why there is none."""
    while True:
        for event, text in await take():
            if event == "file":
                return _attached(name, text)
            if event == "problem":
                return PlainTextResponse(text, 422)
            if event in ("done", "stopped"):
                return PlainTextResponse("stopped", 503)


def _width(text: str | None) -> Width:
    return "narrow" if text == "narrow" else "wide"


def _attached(name: str, text: str) -> Response:
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(text, media_type=KINDS[name.rpartition(".")[2]], headers=headers)


def _scenario_text(starts: Mapping[str, Start], query: str) -> str:
    state = read(query)
    return scenario_file(scenarios(starts, state)[0], state.settings)


def _page(starts: Mapping[str, Start], query: str) -> str:
    said = ""
    try:
        state = read(query)
        start = start_of(starts, state)
    except TailraceError as error:
        said, state = str(error), State()
        start = start_of(starts, state)
    try:
        found = _controls(start, state)
    except TailraceError as error:
        said = said or str(error)
        found = _controls(start, State(state.start))
    return shown.fragment(
        "live.html", start=start, starts=list(starts.values()), controls=found, problem=shown.problem(said)
    )


def _controls(start: Start, state: State) -> str:
    """The controls of a state. What counts as set is what differs from the start with the same drives."""
    found = controls_at(start, state.settings)
    drives = {key: value for key, value in state.settings.items() if key.endswith(".part")}
    before = controls_at(start, drives)
    values = {each.key: "" if each.key.endswith(".part") else each.value for each in before}
    return shown.controls(found, in_front(found, start.keys), values)
