"""Who is let in? Whoever has the key of the address, from this very page, with nothing in the hands.

The page is reached by its random key alone (which the browser hands on to nobody), and only under the names by which it
was opened: else a page elsewhere could come in by a name of its own that leads to this machine. Requests have no body.
"""

from __future__ import annotations

import hmac
import ipaddress
from collections.abc import Sequence

from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from tailrace.live.address import LONGEST_QUERY

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src data:; form-action 'none'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
    "cache-control": "no-store",
}


class Guard:
    """ASGI middleware in front of all. ``names`` are the hosts that are accepted, with the port.

    ``by_address`` also accepts any number of an interface: a name that leads elsewhere is none.
    """

    def __init__(
        self, app: ASGIApp, key: str, names: Sequence[str], port: int, by_address: bool = False
    ) -> None:
        self._app, self._key, self._port, self._by_address = app, key, port, by_address
        self._names = {f"{name}:{port}" for name in names} | ({*names} if port == 80 else set())

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let in or send away."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        refusal = self._refusal(scope)

        async def sent(message: Message) -> None:
            if message["type"] == "http.response.start":
                extra = [(name.encode(), value.encode()) for name, value in HEADERS.items()]
                if refusal is not None:
                    extra.append((b"connection", b"close"))
                message = {**message, "headers": [*message.get("headers", []), *extra]}
            await send(message)

        if refusal is not None:
            status, said = refusal
            await PlainTextResponse(f"{said}\n", status)(scope, receive, sent)
        else:
            await self._app(scope, receive, sent)

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        """Status and reason, or None for who is let in."""
        headers = {name: value.decode("latin-1") for name, value in scope["headers"]}
        host = headers.get(b"host", "")
        if not self._is_ours(host) or [name for name, _ in scope["headers"]].count(b"host") != 1:
            return 403, "another host"
        origin = headers.get(b"origin")
        if origin is not None and origin != f"http://{host}":
            return 403, "another origin"
        if (
            headers.get(b"sec-fetch-site", "none") not in ("none", "same-origin")
            and headers.get(b"sec-fetch-mode") != "navigate"
        ):
            return 403, "another origin"
        key = str(scope["path"]).removeprefix("/").partition("/")[0]
        if not hmac.compare_digest(key.encode(), self._key.encode()):
            return 404, "not found"
        if scope["method"] not in ("GET", "HEAD"):
            return 405, "only GET"
        if headers.get(b"content-length", "0") != "0" or b"transfer-encoding" in headers:
            return 413, "no body is taken"
        if len(scope["query_string"]) > LONGEST_QUERY:
            return 414, "too long"
        return None

    def _is_ours(self, host: str) -> bool:
        if host in self._names:
            return True
        if not self._by_address:
            return False
        name, _, port = host.rpartition(":")
        try:
            ipaddress.ip_address(name.strip("[]"))
        except ValueError:
            return False
        return port == str(self._port)
