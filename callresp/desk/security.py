"""Who may ask the server for anything: the page that was opened with its token, and nobody else.

What is guarded against
-----------------------
- Other pages in the same browser: they don't know the token, which no cookie carries for
  them; and their Origin is refused.
- DNS rebinding (a foreign name that is made to mean this machine): the Host must be the one
  that the server was opened at.
- Injected script: the content security policy lets in the page's own files and nothing inline.
- Floods: sizes of requests are bounded before they are read.

Sources: Fetch (WHATWG), Content Security Policy Level 3 (W3C), RFC 9110.
"""

from __future__ import annotations

import hmac
from collections.abc import Iterable
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

BODY_MAX = 256 * 1024
QUERY_MAX = 4096
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:;"
    " connect-src 'self'; worker-src 'self'; base-uri 'none'; form-action 'none';"
    " frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "X-Frame-Options": "DENY",
}


class Guard:
    """Lets through what comes from the page, and answers the rest in one line of JSON.

    Parameters
    ----------
    app
        What is guarded.
    token
        Without it nothing but the page's own files is given.
    hosts
        What the Host header may say, with the port.
    open_paths
        Paths below these need no token: files that hold nothing of the user's.
    """

    def __init__(
        self, app: ASGIApp, token: str, hosts: Iterable[str], open_paths: tuple[str, ...]
    ) -> None:
        self._app = app
        self._token = token.encode()
        self._hosts = frozenset(hosts)
        self._open = open_paths

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.update(HEADERS)
                if scope["path"].startswith("/api") or scope["path"] == "/":
                    headers["Cache-Control"] = "no-store"
            await send(message)

        refused = self._refused(scope)
        if refused is not None:
            status, what, remedy = refused
            body = {"error": what, "where": "", "remedy": remedy}
            await JSONResponse(body, status)(scope, receive, guarded)
            return
        await self._app(scope, _bounded(receive), guarded)

    def _refused(self, scope: Scope) -> tuple[int, str, str] | None:
        headers = Headers(scope=scope)
        if headers.get("host", "") not in self._hosts:
            return 403, "this is not the address that the desk was opened at", "use the one printed"
        origin = headers.get("origin")
        if origin is not None and origin.partition("://")[2] not in self._hosts:
            return 403, "asked by another page", "open the desk's own page"
        if headers.get("sec-fetch-site", "none") not in ("same-origin", "none"):
            return 403, "asked by another page", "open the desk's own page"
        if len(scope["query_string"]) > QUERY_MAX or len(scope["path"]) > QUERY_MAX:
            return 414, "too long an address", "ask for less"
        size = headers.get("content-length", "0")
        if not size.isdecimal() or int(size) > BODY_MAX or "transfer-encoding" in headers:
            return 413, "too much at once", f"send at most {BODY_MAX} bytes"
        if scope["path"].startswith(self._open):
            return None
        if not self._knows_token(headers, scope["query_string"]):
            return 401, "the token is missing or wrong", "open the address that was printed"
        return None

    def _knows_token(self, headers: Headers, query: bytes) -> bool:
        given = headers.get("authorization", "").removeprefix("Bearer ")
        given = given or headers.get("x-callresp-token", "")
        if not given:
            given = parse_qs(query.decode("latin-1")).get("token", [""])[0]
        return hmac.compare_digest(given.encode("utf-8", "replace"), self._token)


def _bounded(receive: Receive) -> Receive:
    """No more of a body than was promised is read."""
    left = BODY_MAX

    async def bounded() -> Message:
        nonlocal left
        message = await receive()
        left -= len(message.get("body", b""))
        if left < 0:
            return {"type": "http.disconnect"}
        return message

    return bounded
