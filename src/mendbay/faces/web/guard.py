"""What stands before every request: who may ask, from where, how much, and what every answer carries.

The server is reached by whatever runs on the same machine, other pages in the same browser included. So a
request must name this server as its host (against names that are rebound to it), and whatever changes
something must come from a page of its own. Where a key is needed, nothing but the door is open without it.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Callable
from dataclasses import dataclass, field

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import cookie_parser
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

NEIGHBOUR = "neighbour"
"""In the state of a request, whether another account of this machine asks a server that asks for no key."""
POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=(), usb=(), serial=()",
}
DOOR = "/enter"
STATIC = "/static/"
COOKIE = "mendbay_bench"
SAFE = ("GET", "HEAD")
HTMX = "hx-request"
"""Header by which the script of a page says that it asks."""
PATH_LIMIT = 2000
"""Characters of a path. More is no page, and digits by the thousand would not be read as a number at all."""


@dataclass(frozen=True, slots=True)
class Rules:
    """Who may ask.

    Args:
        hosts: the names, with port, under which this server may be asked for, lower case.
        key: without which nothing is answered; empty where none is needed.
        limit: the largest body that an address takes, by method and path.
        scheme: by which browsers reach it.
    """

    hosts: frozenset[str]
    key: str = field(default="", repr=False)
    limit: Callable[[str, str], int] = lambda method, path: 1 << 20
    scheme: str = "http"

    @property
    def origins(self) -> frozenset[str]:
        """What a browser calls pages of this server."""
        return frozenset(f"{self.scheme}://{one}" for one in self.hosts)

    def pass_of(self, key: str) -> str:
        """What a browser is given that knew the key; it holds as long as the key does."""
        return hmac.new(key.encode(), b"mendbay bench pass 1", hashlib.sha256).hexdigest()

    def opens(self, key: str) -> bool:
        """Whether that is the key."""
        return bool(self.key) and hmac.compare_digest(self.key.encode(), key.strip().encode(errors="replace"))

    def lets_in(self, headers: Headers) -> bool:
        """Whether a request comes from a browser that knew the key, or needs none."""
        if not self.key:
            return True
        given = cookies_of(headers).get(COOKIE, "")
        return hmac.compare_digest(self.pass_of(self.key).encode(), given.encode())


def cookies_of(headers: Headers) -> dict[str, str]:
    """The cookies of a request, of two of one name the last. Browsers send those of all servers of a machine,
    whatever its port: one that is written otherwise than RFC 6265 has it hides no other."""
    return cookie_parser(headers.get("cookie", ""))


class Guard:
    """The middleware that keeps `Rules`."""

    def __init__(self, app: ASGIApp, rules: Rules) -> None:
        self._app = app
        self._rules = rules
        self._origins = [[one] for one in rules.origins]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        refused = self._refusal(scope)
        if refused is not None:
            await refused(scope, receive, _clothed(send))
            return
        await self._app(scope, _measured(receive, self._limit(scope)), _clothed(send))

    def _limit(self, scope: Scope) -> int:
        return 0 if scope["method"] in SAFE else self._rules.limit(scope["method"], scope["path"])

    def _refusal(self, scope: Scope) -> Response | None:
        headers, method, path = Headers(scope=scope), scope["method"], scope["path"]
        if len(headers.getlist("host")) != 1 or headers["host"].lower() not in self._rules.hosts:
            return _plain("This server does not go by that name.", 421)
        if scope.get("state", {}).get(NEIGHBOUR):
            return _plain(
                "This bench is served for another account of this machine. Started with a key it lets in "
                "whoever has that: mendbay bench serve --with-key",
                403,
            )
        if len(path) > PATH_LIMIT:
            return _plain("There is no page of that address.", 404)
        if method not in (*SAFE, "POST"):
            return _plain("Only GET, HEAD and POST are answered here.", 405, {"allow": "GET, HEAD, POST"})
        if method in SAFE and _is_drawn_in_from_elsewhere(headers):
            return _plain("This was asked by a page of another server: nothing is shown to it.", 403)
        if method == "POST" and [one.lower() for one in headers.getlist("origin")] not in self._origins:
            return _plain("This did not come from a page of this server: nothing was changed.", 403)
        if method == "POST" and not _length_fits(headers, self._limit(scope)):
            return _told(headers, "That is more than is taken at once: nothing was kept.", 413)
        open_to_all = path == DOOR or path.startswith(STATIC)
        if not open_to_all and not self._rules.lets_in(headers):
            if method == "POST" or HTMX in headers or "text/html" not in headers.get("accept", ""):
                return _told(headers, "The key of this bench is needed.", 401, _way_in(headers))
            return RedirectResponse(DOOR, 303)
        return None


def _way_in(headers: Headers) -> str:
    """What whoever has a page open does, whose key holds no longer, so that nothing they typed is lost; in
    HTML."""
    door = f'<a href="{DOOR}" target="_blank" rel="noopener">Give the key on a page of its own</a>'
    if HTMX in headers:
        return f"{door}. What you typed is still here: send it again after that."
    return (
        f"{door}. Then load this page again, and let the browser send once more what you typed. Or go back: "
        "most browsers still have it there."
    )


def _plain(text: str, status: int, headers: dict[str, str] | None = None) -> Response:
    return PlainTextResponse(f"{text}\n", status, headers)


def _told(headers: Headers, text: str, status: int, next_step: str = "") -> Response:
    """A refusal for a person's page where one asks: its script shows what is marked as a trouble.

    Args:
        next_step: in HTML.
    """
    if HTMX not in headers and "text/html" not in headers.get("accept", ""):
        return _plain(text, status)
    then = f"<p><strong>Next:</strong> {next_step}</p>" if next_step else ""
    main = f'<section class="trouble"><h1>Not done</h1><p>{text}</p>{then}</section>'
    page = (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Not done · Mendbay</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"</head><body><main>{main}</main></body></html>"
    )
    return HTMLResponse(page, status, {"HX-Push-Url": "false"})  # a form's page keeps its address


def _is_drawn_in_from_elsewhere(headers: Headers) -> bool:
    """Whether a browser asks because another server's page wants to load something here, as a picture, a
    script, or ahead of time. That page may not see the answer, but it could have the machine draw papers and
    pictures without end while drives are read. A link that a person follows is no such thing. By what
    browsers say of their requests (W3C Fetch Metadata); nothing else says it, and none that cannot be trusted
    says it over a network without encryption."""
    if headers.get("sec-fetch-site", "same-origin") in ("same-origin", "none"):
        return False
    return (headers.get("sec-fetch-mode"), headers.get("sec-fetch-dest")) != ("navigate", "document")


def _length_fits(headers: Headers, limit: int) -> bool:
    stated = headers.get("content-length", "0")
    return stated.isascii() and stated.isdigit() and int(stated[:20]) <= limit


class TooMuch(HTTPException):
    """A body grew larger than its address takes."""

    def __init__(self) -> None:
        super().__init__(413)


def _measured(receive: Receive, limit: int) -> Receive:
    """Counts what comes in, for a body may be longer than stated, or not state its length."""
    so_far = 0

    async def measured() -> Message:
        nonlocal so_far
        message = await receive()
        so_far += len(message.get("body", b""))
        if so_far > limit > 0 or (limit == 0 and so_far > 0):
            raise TooMuch
        return message

    return measured


def _clothed(send: Send) -> Send:
    """Puts the headers on that every answer carries."""

    async def clothed(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers[name] = value
            if "cache-control" not in headers:
                headers["cache-control"] = "no-store"
        await send(message)

    return clothed
