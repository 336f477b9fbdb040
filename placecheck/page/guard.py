"""The guard: what every request passes before a screen sees it, and every answer on its way out.

Who may ask: the Host must be one this computer goes by (a foreign name pointing here is how other
sites' pages reach into a room's network), and without a paired session there is nothing but the
pairing page and the page's own style and scripts. What may change things: POST only, from this
page's own origin by what the browser says (Sec-Fetch-Site, Origin), and with the session's form
token, which `changes` checks before the view runs. How much: bodies are counted as they
arrive, refused beyond their route's limit, and must not dawdle. Answers carry a strict
Content-Security-Policy (nothing inline, nothing from elsewhere) and are kept in no cache.
"""

from __future__ import annotations

import asyncio
import hmac
import json
import logging
from collections.abc import Awaitable, Callable, Iterable, Mapping
from http.cookies import CookieError, SimpleCookie
from typing import Any

from starlette.datastructures import FormData, Headers
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from placecheck.page.sessions import COOKIE, Sessions, form_token

log = logging.getLogger("placecheck.page")

CSP = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; "
    "form-action 'self'; manifest-src 'self'; base-uri 'none'; frame-ancestors 'none'"
)
DOCUMENT_CSP = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox; frame-ancestors 'none'"
"""For documents that stand for themselves (reports, charts as files): their own style, and nothing that runs."""
HEADERS = {
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=(), payment=()",
    "content-security-policy": CSP,
    "cache-control": "no-store",
}
SMALL_BODY = 64_000
CHUNK_S, BODY_S = 30.0, 600.0
MAX_FIELDS = 60


class TooMuch(Exception):
    """A body beyond its limit."""


class TooSlow(Exception):
    """A body that does not come."""


class Guard:
    """ASGI middleware; `limits` are body sizes by path prefix, `hosts` the names this computer answers to."""

    def __init__(
        self,
        app: ASGIApp,
        sessions: Sessions,
        hosts: Iterable[str],
        limits: Mapping[str, int],
        chunk_s: float = CHUNK_S,
    ) -> None:
        self._app, self._sessions = app, sessions
        self._hosts, self._limits, self._chunk_s = frozenset(h.lower() for h in hosts), dict(limits), chunk_s

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        headers = Headers(scope=scope)
        started = False

        async def sending(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                given = {name.lower() for name, _ in message["headers"]}
                message["headers"] = [
                    *message["headers"],
                    *((n.encode(), v.encode()) for n, v in HEADERS.items() if n.encode() not in given),
                ]
            await send(message)

        token = _cookie(headers)
        session = self._sessions.of(token)
        scope.setdefault("state", {})
        scope["state"]["session"] = session
        scope["state"]["form_token"] = form_token(token) if session and token else ""
        refusal = self._refusal(scope, headers, session is not None)
        limit = self._limit(scope["path"])
        if refusal is None and _too_long(headers, limit):
            refusal = _say(headers, 413, _too_much(limit))
        if refusal is not None:
            await refusal(scope, receive, sending)
            return
        try:
            await self._app(scope, _Counted(receive, limit, self._chunk_s), sending)
        except TooMuch:
            if not started:
                await _say(headers, 413, _too_much(limit))(scope, receive, sending)
        except TooSlow:
            if not started:
                message = "The photo stopped coming: move nearer to the Wi-Fi and send it again."
                await _say(headers, 408, message)(scope, receive, sending)
        except Exception:
            log.exception("request failed")
            if not started:
                message = "Something in the program went wrong; nothing that was sent is lost. Go back and try again."
                await _say(headers, 500, message)(scope, receive, sending)

    def _limit(self, path: str) -> int:
        return next((size for prefix, size in self._limits.items() if path.startswith(prefix)), SMALL_BODY)

    def _refusal(self, scope: Scope, headers: Headers, paired: bool) -> Response | None:
        host = headers.get("host", "")
        if _bare(host) not in self._hosts:
            return _say(headers, 421, "This computer does not go by that name: use the address shown on its screen.")
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return _say(headers, 405, "Only reading and sending forms is possible here.")
        if scope["method"] == "POST" and not _own_origin(headers, scope["scheme"], host):
            return _say(headers, 403, "That was sent from another site and was refused.")
        path = scope["path"]
        if paired or path == "/pair" or path.startswith("/static/"):
            return None
        if scope["method"] == "GET" and "text/html" in headers.get("accept", "text/html"):
            return RedirectResponse("/pair", 303)
        return _say(headers, 401, "This device is not paired: open the page again and pair it.")


class _Counted:
    """A receive that counts the body and does not wait for ever."""

    def __init__(self, receive: Receive, limit: int, chunk_s: float) -> None:
        self._receive, self._left, self._chunk_s = receive, limit, chunk_s
        self._until: float | None = None
        self._all = False

    async def __call__(self) -> Message:
        if self._all:  # waiting for the client to leave, not for its body
            return await self._receive()
        now = asyncio.get_running_loop().time()
        self._until = self._until or now + BODY_S
        try:
            message = await asyncio.wait_for(self._receive(), min(self._chunk_s, max(0.1, self._until - now)))
        except TimeoutError:
            raise TooSlow from None
        if message["type"] == "http.request":
            self._left -= len(message.get("body", b""))
            self._all = not message.get("more_body", False)
            if self._left < 0:
                raise TooMuch
        return message


def _cookie(headers: Headers) -> str | None:
    try:
        morsel = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return None
    return morsel.value if morsel else None


def _bare(host: str) -> str:
    """A Host header without its port: `[::1]:80` to `::1`, `a:80` to `a`."""
    host = host.strip().lower()
    if host.startswith("["):
        return host[1:].partition("]")[0]
    return host.rpartition(":")[0] if host.count(":") == 1 else host


def _own_origin(headers: Headers, scheme: str, host: str) -> bool:
    site, origin = headers.get("sec-fetch-site"), headers.get("origin")
    if site is not None and site != "same-origin":
        return False
    return origin is None or origin.lower() == f"{scheme}://{host}".lower()


def _too_long(headers: Headers, limit: int) -> bool:
    length = headers.get("content-length", "0")
    return not length.isdigit() or int(length) > limit


def _too_much(limit: int) -> str:
    if limit == SMALL_BODY:
        return "That form is far too large and was refused."
    return f"That is more than {limit // 1_000_000} MB at once: send the photos as the phone's camera saved them."


def _say(headers: Headers, status: int, message: str) -> Response:
    """A refusal in one sentence, as JSON for scripts, else as plain text; the connection ends with it."""
    closing = {"connection": "close"}
    if "application/json" in headers.get("accept", ""):
        return JSONResponse({"error": message}, status, closing)
    return PlainTextResponse(message + "\n", status, closing)


# ----------------------------------------------------------------------------- changes

Change = Callable[[Request, Any], Awaitable[Response]]


def changes(view: Change, max_files: int = 1, as_json: bool = False) -> Callable[[Request], Awaitable[Response]]:
    """A view that changes something: called with its form, or its JSON object, once the form token was right.

    JSON comes with the token in the header X-Form-Token. Raises HTTPException 400 and 403.
    """

    async def guarded(request: Request) -> Response:
        right = request.state.form_token
        if as_json:
            _check(right, request.headers.get("x-form-token", ""))
            try:
                data = json.loads(await request.body())
            except (ValueError, RecursionError):
                raise HTTPException(400, "That could not be read: load the page again.") from None
            if not isinstance(data, dict):
                raise HTTPException(400, "That could not be read: load the page again.")
            return await view(request, data)
        async with request.form(max_files=max_files, max_fields=MAX_FIELDS, max_part_size=SMALL_BODY) as form:
            _check(right, request.headers.get("x-form-token") or _text(form, "token"))
            return await view(request, form)

    return guarded


def _check(right: str, given: str) -> None:
    if not right or not hmac.compare_digest(right.encode(), given.encode("utf-8", "replace")):
        raise HTTPException(403, "This form is out of date: load the page again and send it once more.")


def _text(form: FormData, name: str) -> str:
    value = form.get(name, "")
    return value if isinstance(value, str) else ""
