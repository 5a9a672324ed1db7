"""The server: on this machine alone unless others are let in, under an address with a random key, until Ctrl-C."""

from __future__ import annotations

import ipaddress
import secrets
import socket
from collections.abc import Callable, Sequence
from pathlib import Path

import uvicorn

from tailrace.crew.executors import available_cores
from tailrace.engine.choice import choose_engine
from tailrace.errors import SettingError
from tailrace.live.address import read
from tailrace.live.desk import Desk
from tailrace.live.guard import Guard
from tailrace.live.site import site
from tailrace.live.starts import starts

LOOPBACK = "127.0.0.1"
EVERYWHERE = ("0.0.0.0", "::")
MANY = 10**9
MOST_CONNECTIONS = 100
OTHERS = (
    "Whoever can reach this machine and has the address can see the scenario and make this machine simulate. Names, "
    "figures and files that the scenario names are shown to them; nothing else of the machine is. The way there is not "
    "encrypted."
)
"""What it means to let in others."""


def is_loopback(host: str) -> bool:
    """Whether a host is this machine itself."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def serve(
    file: Path | None,
    settings: Sequence[str],
    condition: str | None,
    host: str,
    port: int,
    at: str,
    allow_others: bool,
    say: Callable[[str], None],
    opened: Callable[[str], object] | None = None,
) -> None:
    """Serve until Ctrl-C.

    Args:
        file: the scenario; only the lessons without it.
        settings: KEY=VALUE texts over the file.
        condition: one of its conditions alone.
        host: where to listen.
        port: which port; 0 takes one that is free.
        at: the state to begin with, as it stands behind the question mark of an address.
        allow_others: whether ``host`` may be one that others can reach.
        say: told what to show the user.
        opened: called with the address, to open it.

    Raises:
        ScenarioError: the file cannot be read.
        SettingError: a ValueError: a host that others can reach without ``allow_others``, one that is not there, a port
            that is taken, or a state that is none.
    """
    if not is_loopback(host) and not allow_others:
        raise SettingError(
            f"host is {host!r}, which others can reach; accepted: {LOOPBACK}, or that with --allow-others. {OTHERS}"
        )
    query = read(at.lstrip("?")).query if at else ""
    known = starts(file, settings, condition)
    engine = choose_engine("auto", MANY)
    if engine == "compiled":
        from tailrace.engine.compiled import prepare

        prepare(lambda: say("Compiling the engine, this once: it takes a minute or so.\n"))
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listening = socket.socket(family)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((host, port))
    except (OSError, OverflowError) as error:
        listening.close()
        reason = getattr(error, "strerror", None) or str(error)
        raise SettingError(
            f"port is {port} on {host!r}: {reason.lower()}; accepted: a host of this machine and a port that is free, "
            "or 0"
        ) from None
    own_port = int(listening.getsockname()[1])
    key = secrets.token_urlsafe(16)
    named = f"[{host}]" if family == socket.AF_INET6 else host
    desk = Desk(known, engine, max(available_cores() - 1, 1))
    shown = socket.gethostname() if host in EVERYWHERE else named
    names = ["127.0.0.1", "localhost", "[::1]", shown]
    app = Guard(site(known, desk), key, names, own_port, by_address=not is_loopback(host))
    address = f"http://{shown}:{own_port}/{key}/{f'?{query}' if query else ''}"
    if not is_loopback(host):
        say(f"{OTHERS}\n")
    say(f"Open {address}\nCtrl-C ends it.\n")
    if opened is not None:
        opened(address)
    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        server_header=False,
        date_header=False,
        ws="none",
        limit_concurrency=MOST_CONNECTIONS,
        timeout_keep_alive=10,
        timeout_graceful_shutdown=2,
        h11_max_incomplete_event_size=32_768,
    )
    try:
        _Server(config, desk).run(sockets=[listening])
    except KeyboardInterrupt:
        pass
    finally:
        listening.close()
    say(
        "\nStopped. Pages that are open keep what they show, and their addresses what was set: the part behind the\n"
        "question mark opens it again, as tailrace live FILE --at '...'.\n"
    )


class _Server(uvicorn.Server):
    """Tells the pages before it goes."""

    def __init__(self, config: uvicorn.Config, desk: Desk) -> None:
        super().__init__(config)
        self._desk = desk

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._desk.stop()
        await super().shutdown(sockets)
