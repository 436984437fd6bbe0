"""What every request passes before the page looks at it, and what every answer carries."""

from __future__ import annotations

import asyncio
import re
from collections import Counter
from collections.abc import Iterable
from http.cookies import CookieError, SimpleCookie
from urllib.parse import quote

from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from platemark.app.page.keys import Keys
from platemark.app.page.limits import CALLER, EVERYBODY, Rates
from platemark.model.page import Page

SESSION = "platemark-page"
BROWSER = "platemark-browser"
LARGEST_BODY = 64 * 1024
LONGEST_TARGET = 8 * 1024
BODY_S = 10.0
LOOK_AGAIN_S = 1.0
"""One who asks too much waits this long for the answer that says so."""
COSTS = (("/search", 4.0), ("/record", 2.0), ("/metrics", 2.0), ("/assets/", 0.5))
OPEN = ("/healthz", "/enter")
ANSWERS = ("/answer", "/approve")
"""Where forms are sent to."""
KEPT = "/enter/kept"
"""Where an answer goes that came without a token: it is asked for, and the answer is kept."""
ASSETS = "/assets/"
"""What is shown without a token."""
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "frame-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'; "
    "require-trusted-types-for 'script'; trusted-types 'none'"
)
"""Content Security Policy Level 3: nothing from elsewhere, nothing inline, framed by nobody."""
HEADERS = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    # With no referrer at all a browser would call our own forms' origin “null”.
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), geolocation=(), microphone=(), payment=(), usb=()"),
    (b"cache-control", b"no-store"),
)
_HOST = re.compile(r"(?:\[([0-9A-Fa-f:.]+)\]|([^:/@\[\]]+))(?::[0-9]{1,5})?")
_ORIGIN = re.compile(r"https?://(.+)")


class Guard:
    """Lets through what is asked by the right name, from the page itself, and not too much."""

    def __init__(self, app: ASGIApp, page: Page, keys: Keys, rates: Rates | None = None) -> None:
        """Stand before a page.

        Args:
            app: The page.
            page: Its settings.
            keys: Its token and sessions.
            rates: How much may be asked.
        """
        self._app = app
        self._names = page.names
        self._keys = keys
        self._rates = rates or Rates(CALLER, EVERYBODY)
        self.answered: Counter[str] = Counter()
        """Answers by the first digit of their status: `2xx`."""
        self.refused: Counter[str] = Counter()
        """Requests that were turned away here, by why."""

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or pass it on."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        sent = self._counting(_with_headers(send))
        headers = {name.decode("latin-1"): value for name, value in scope["headers"]}
        if not self._rates.allows(_caller(scope), _cost(scope["path"])):
            self.refused["too-much"] += 1
            await asyncio.sleep(LOOK_AGAIN_S)
            await _say(sent, 429, "Too much is asked at once. Wait a moment, then look again.",
                       (b"retry-after", b"5"), (b"connection", b"close"))  # fmt: skip
            return
        if refusal := self._refusal(scope, headers):
            why, status, sentence = refusal
            self.refused[why] += 1
            await _say(sent, status, sentence, (b"connection", b"close"))
            return
        if not self._may_enter(scope, headers):
            self.refused["no-token"] += 1
            if scope["method"] == "POST" and scope["path"] in ANSWERS:
                kept = {**scope, "path": KEPT, "raw_path": KEPT.encode()}
                await self._app(kept, _bounded(receive), sent)
            elif scope["method"] == "GET" and b"text/html" in headers.get("accept", b""):
                target = quote(scope["path"], safe="/")
                await _say(sent, 303, "", (b"location", f"/enter?to={target}".encode()))
            else:
                await _say(sent, 401, "The studio's token is asked for.",
                           (b"www-authenticate", b"Bearer"))  # fmt: skip
            return
        await self._app(scope, _bounded(receive), sent)

    def _refusal(self, scope: Scope, headers: dict[str, bytes]) -> tuple[str, int, str] | None:
        method = scope["method"]
        if method not in ("GET", "HEAD", "POST"):
            return "method", 405, "The page is read with GET, and answered with POST."
        if len(scope.get("raw_path") or b"") + len(scope["query_string"]) > LONGEST_TARGET:
            return "too-long", 414, "That address is longer than any of this page."
        host = _name(headers.get("host", b"").decode("latin-1"))
        if host not in self._names:
            return (
                "host", 421,
                "This page does not answer to that name. Names stand in hosts under [page] in "
                "studio.toml.",
            )  # fmt: skip
        if method == "POST" and not self._is_from_here(headers):
            return "origin", 403, "An answer is taken from the page itself only."
        length = headers.get("content-length", b"0")
        if not length.isdigit() or int(length) > LARGEST_BODY:
            return "too-large", 413, "That is longer than any answer."
        return None

    def _is_from_here(self, headers: dict[str, bytes]) -> bool:
        """Whether a form was sent by a page of ours (Fetch Standard; Fetch Metadata)."""
        site = headers.get("sec-fetch-site", b"same-origin")
        match = _ORIGIN.fullmatch(headers.get("origin", b"").decode("latin-1"))
        own = headers.get("host", b"").decode("latin-1").casefold()
        # The port as well: another program of this computer is another origin.
        return site == b"same-origin" and match is not None and match[1].casefold() == own

    def _may_enter(self, scope: Scope, headers: dict[str, bytes]) -> bool:
        path = scope["path"]
        if not self._keys.asks or path in OPEN or path.startswith(ASSETS):
            return True
        kind, _, given = headers.get("authorization", b"").decode("latin-1").partition(" ")
        if kind.casefold() == "bearer":
            return self._keys.is_token(given)
        return self._keys.is_session(cookies(headers.get("cookie", b"")).get(SESSION, ""))

    def _counting(self, send: Send) -> Send:
        async def counted(message: Message) -> None:
            if message["type"] == "http.response.start":
                self.answered[f"{message['status'] // 100}xx"] += 1
            await send(message)

        return counted


def cookies(header: bytes) -> dict[str, str]:
    """What a browser shows; nothing where that cannot be read."""
    try:
        return {name: each.value for name, each in SimpleCookie(header.decode("latin-1")).items()}
    except CookieError:
        return {}


def _bounded(receive: Receive) -> Receive:
    """A body of bounded length that must all come in a bounded time."""
    got = 0
    ends = asyncio.get_running_loop().time() + BODY_S
    is_whole = False

    async def bounded() -> Message:
        nonlocal got, is_whole
        if is_whole:  # what comes after the body is only that the browser goes
            return await receive()
        try:
            async with asyncio.timeout_at(ends):
                message = await receive()
        except TimeoutError as error:
            raise HTTPException(408) from error
        if message["type"] == "http.request":
            got += len(message.get("body", b""))
            if got > LARGEST_BODY:
                raise HTTPException(413)
            is_whole = not message.get("more_body")
        return message

    return bounded


def _with_headers(send: Send) -> Send:
    """Every answer has our headers, but for those that it sets itself."""

    async def with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            given = {name.lower() for name, _ in message["headers"]}
            ours = [pair for pair in HEADERS if pair[0] not in given]
            message = {**message, "headers": [*message["headers"], *ours]}
        await send(message)

    return with_headers


async def _say(send: Send, status: int, sentence: str, *headers: tuple[bytes, bytes]) -> None:
    body = f"{sentence}\n".encode() if sentence else b""
    own: Iterable[tuple[bytes, bytes]] = (
        (b"content-type", b"text/plain; charset=utf-8"),
        (b"content-length", str(len(body)).encode()),
        *headers,
    )
    await send({"type": "http.response.start", "status": status, "headers": list(own)})
    await send({"type": "http.response.body", "body": body})


def _name(host: str) -> str:
    """The name or address in a Host header, without its port; empty where it is none."""
    match = _HOST.fullmatch(host)
    return (match[1] or match[2]).casefold().rstrip(".") if match else ""


def _caller(scope: Scope) -> str:
    client = scope.get("client")
    return str(client[0]) if client else ""


def _cost(path: str) -> float:
    return next((cost for start, cost in COSTS if path.startswith(start)), 1.0)
