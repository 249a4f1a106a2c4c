"""The application: every address behind its guard, answers and troubles made into pages."""

from __future__ import annotations

import asyncio
import logging
import re
import threading
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from importlib import import_module
from typing import Any
from urllib.parse import quote, unquote

from sse_starlette import EventSourceResponse, JSONServerSentEvent, ServerSentEvent
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.formparsers import MultiPartException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Match, Route
from starlette.types import ASGIApp

from mendbay.core import errors
from mendbay.core.errors import MendbayError, UsageError
from mendbay.core.texts import LINE_LIMIT
from mendbay.faces.web.addresses import Address, Book
from mendbay.faces.web.answers import Answer, Blob, Go, Page, Unchanged
from mendbay.faces.web.description import description_of
from mendbay.faces.web.desk import Desk
from mendbay.faces.web.drawing import Drawing, is_local
from mendbay.faces.web.fields import SEEN, read_fields
from mendbay.faces.web.guard import COOKIE, DOOR, Guard, TooMuch, cookies_of
from mendbay.faces.web.once import Once, press_of
from mendbay.faces.web.picture_reading import picture_reading
from mendbay.faces.web.reading_orders import is_waiting
from mendbay.faces.web.refusals import Refusals, kept_words, sent_of
from mendbay.faces.web.sent_for_works import needed_and_left
from mendbay.faces.web.upload_folder import room_told
from mendbay.faces.web.uploads import remove_forgotten
from mendbay.faces.web.visit import Visit
from mendbay.wiring import presses

WHO = "mendbay_who"
NOTICE = "mendbay_notice"
NOTICE_LETTERS, NOTICE_BYTES = 400, 3800
"""Of what a notice says. A cookie has 4096 bytes (RFC 6265, 6.1), its name and terms among them."""
FIELDS_AT_ONCE = 500
WORKS_KEPT = 500
"""Works that ended, of which the newest are kept (own choice)."""
TIDY_SECONDS = 6 * 3600.0
"""How often what is kept no longer is removed while the server runs (own choice)."""
LOAD_AGAIN = "Load the page again"
"""What a refusal says to do whose page is not true any more; it then offers that."""
DOOR_SECONDS = 10.0
"""How long the key may be on its way to the door (own choice)."""
YEAR_SECONDS = 365 * 86_400
VIEWS = (
    "today",
    "cases",
    "case",
    "take_in",
    "take_in_file",
    "pictures",
    "phone",
    "things",
    "hand_overs",
    "stock",
    "stock_lists",
    "lessons",
    "families",
    "settings",
    "setting_forms",
    "setting_prices",
    "setting_relay",
    "setting_wordings",
    "tried_papers",
    "money",
    "letters",
    "record",
    "closing",
    "erasing",
    "triage",
    "board",
    "board_donors",
    "board_rom",
    "board_transfer",
    "drives",
    "reading",
    "drive_more",
    "pair",
    "files",
    "file",
    "hand_back",
)
"""Modules below `views/`; each has a `BOOK`."""

STATUS: tuple[tuple[type[MendbayError], int], ...] = (
    (errors.NoSuchCase, 404),
    (errors.NoSuchItem, 404),
    (errors.CaseForgotten, 410),
    (errors.CustodyBroken, 409),
    (errors.LedgerError, 503),
    (UsageError, 422),
    (errors.ToolMissing, 503),
)
"""What a trouble is to a browser; the first that fits. Any other is a conflict with how things stand
(409)."""

_CASE = re.compile(r"/case/([1-9][0-9]{0,14})(?:/|$)")

_log = logging.getLogger("mendbay.web")


def book_of_all() -> Book:
    """Every address of the bench."""
    book = Book()
    for name in VIEWS:
        for address in import_module(f"mendbay.faces.web.views.{name}").BOOK.addresses.values():
            book.add(address)
    return book


def application(desk: Desk) -> ASGIApp:
    """The bench in the browser.

    Args:
        desk: its rules' `limit` is put in here.
    """
    book = book_of_all()
    made = _Application(desk, book)
    routes = [Route(one.path, made.endpoint(one), methods=[one.method]) for one in book.addresses.values()]
    routes += [
        Route("/live", made.live, methods=["GET"]),
        Route("/static/{boot}/{path:path}", made.static, methods=["GET"]),
        Route("/api.json", made.description, methods=["GET"]),
        Route(DOOR, made.door, methods=["GET", "POST"]),
        Route("/who", made.who, methods=["POST"]),
    ]
    inner = Starlette(
        routes=routes,
        lifespan=made.lifespan,
        exception_handlers={HTTPException: made.no_such_page, 500: made.fault},
    )
    limits = [(one, Route(one.path, _never, methods=[one.method])) for one in book.addresses.values()]
    return Guard(inner, _with_limits(desk, limits))


async def _never(request: Request) -> Response:
    raise AssertionError(request)


def _with_limits(desk: Desk, limits: Sequence[tuple[Address, Route]]) -> Any:
    def limit(method: str, path: str) -> int:
        scope = {"type": "http", "method": method, "path": path, "root_path": ""}
        for address, route in limits:
            if route.matches(scope)[0] is Match.FULL:
                return address.most_bytes
        return 1 << 16

    return replace(desk.rules, limit=limit)


class _Application:
    def __init__(self, desk: Desk, book: Book) -> None:
        self._desk = desk
        self._book = book
        self._drawing = Drawing(book)
        self._refusals = Refusals(desk, book, self._drawing)
        self._nowhere = Address("GET", "/", "nowhere", "", lambda visit: Page("trouble.html", {}))

    @asynccontextmanager
    async def lifespan(self, app: Starlette) -> AsyncIterator[None]:
        self._desk.pulse.heed("ledger", self._desk.look_at_ledger)
        with suppress(MendbayError):  # told by every page
            await run_in_threadpool(self._desk.look_at_ledger)
        self._desk.pulse.start()
        await run_in_threadpool(self._take_up)
        await run_in_threadpool(self._tidy)
        tidying = asyncio.create_task(self._stay_tidy())
        yield
        tidying.cancel()
        await run_in_threadpool(self._desk.pulse.end)
        await run_in_threadpool(self._desk.end)

    def _take_up(self) -> None:
        """Pictures that a killed server left unread are read now."""
        picture_reading(self._desk).take_up()

    def _tidy(self) -> None:
        """Removes works that ended long ago, what was sent and nobody needs any more, and what killed works
        left; what cannot be removed now is tried the next time. Lets go of what was shown of cases, which
        nobody may have looked at for long."""
        self._desk.let_go_of_cases()
        self._once().tidy()
        needed, left = needed_and_left(self._desk.home, self._desk.works)
        remove_forgotten(self._desk.home, is_waiting, needed, left)
        with suppress(MendbayError, OSError):
            self._desk.works.tidy(WORKS_KEPT)

    async def _stay_tidy(self) -> None:
        """A bench may be served for months."""
        while True:
            await asyncio.sleep(TIDY_SECONDS)
            with suppress(Exception):
                await run_in_threadpool(self._tidy)

    # ------------------------------------------------------------------ addresses

    def endpoint(self, address: Address) -> Any:
        """What answers requests to an address."""

        async def answer(request: Request) -> Response:
            try:
                visit = await self._visit(request, address)
                if address.method == "GET":
                    found = await _while_waited_for(request, address, visit)
                else:
                    found = await run_in_threadpool(self._done_once, request, address, visit)
                return await run_in_threadpool(self._made, request, visit, found)
            except MendbayError as trouble:
                return await run_in_threadpool(self._trouble, request, address, trouble)
            finally:
                await request.close()

        return answer

    def _done_once(self, request: Request, address: Address, visit: Visit) -> Answer:
        """What a change answers, which is done once however often its form was pressed."""
        press = press_of(address, request.url.path, sent_of(request), visit.path.get("case"))
        return self._once().answer(press, lambda: address.handler(visit))

    def _once(self) -> Once:
        found: Once = self._desk.keep("once", lambda: Once(presses(self._desk.home)))
        return found

    async def _visit(self, request: Request, address: Address) -> Visit:
        mark = self._desk.pulse.mark
        sent: list[tuple[str, Any]]
        if address.method == "GET":
            sent = list(request.query_params.multi_items())
        else:
            request.state.address = address
            request.state.sent = sent = await _form(request, address)
        seen = next((one for name, one in sent if name == SEEN and isinstance(one, str)), "")
        return Visit(
            self._desk,
            self._book,
            address,
            address.values(request.path_params),
            read_fields(address.fields, sent),
            _who(request),
            request.url.path + (f"?{request.url.query}" if request.url.query else ""),
            seen,
            mark,
        )

    def _made(self, request: Request, visit: Visit, answer: Answer) -> Response:
        match answer:
            case Page():
                notice = "" if _is_for_a_part(request) else _notice(request)
                made: Response = HTMLResponse(self._drawing.page(visit, answer, notice), answer.status)
                if notice:
                    made.delete_cookie(NOTICE, samesite="strict", httponly=True)
                return made
            case Unchanged():
                return Response(status_code=204)
            case Go():
                made = RedirectResponse(answer.url, 303)
                if answer.notice:
                    made.set_cookie(NOTICE, _kept_short(answer.notice), 60, httponly=True, samesite="strict")
                if answer.clears:
                    made.headers["Clear-Site-Data"] = '"cache"'
                return made
            case Blob():
                made = Response(answer.data, media_type=answer.media_type)
                if answer.file_name:
                    made.headers["content-disposition"] = _attachment(answer.file_name)
                if answer.lasting:
                    made.headers["cache-control"] = "private, max-age=86400, immutable"
                return made

    # ------------------------------------------------------------------ troubles

    def _trouble(self, request: Request, address: Address, trouble: MendbayError) -> Response:
        status = next((status for kind, status in STATUS if isinstance(trouble, kind)), 409)
        again = self._refusals.page_again(
            request, address, trouble, status, _page_before(request), _who(request)
        )
        return again or self._told(request, address, trouble.what, trouble.next_step, status, trouble)

    def _told(
        self,
        request: Request,
        address: Address,
        what: str,
        next_step: str,
        status: int,
        trouble: MendbayError | None = None,
    ) -> Response:
        path = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        number = _CASE.match(path)
        of = {"case": int(number[1])} if number else {}
        visit = Visit(self._desk, self._book, address, of, {}, _who(request), path)
        back = "" if request.method == "GET" else _page_before(request)
        facts = {
            "what": what,
            "next_step": next_step,
            "status": status,
            "back": back,
            "again": back if LOAD_AGAIN in next_step else "",
            "case": number[1] if number else "",
            **kept_words(request, address, trouble),
        }
        told = HTMLResponse(self._drawing.page(visit, Page("trouble.html", facts)), status)
        told.headers["HX-Push-Url"] = "false"  # the form's page stays, and with it its address
        return told

    async def no_such_page(self, request: Request, trouble: Exception) -> Response:
        """For what no address takes."""
        status = trouble.status_code if isinstance(trouble, HTTPException) else 404
        words = {
            404: "There is no page of that address.",
            408: "It did not arrive in time.",
            405: "That address is not asked in this way.",
            413: "That is more than is taken at once: nothing was kept.",
        }
        what = words.get(status, "The request could not be understood.")
        headers = dict(trouble.headers or {}) if isinstance(trouble, HTTPException) else {}
        told = self._told(request, self._nowhere, what, "Begin at the list of cases.", status)
        told.headers.update(headers)
        return told

    async def fault(self, request: Request, trouble: Exception) -> Response:
        """For what nobody foresaw: told as that, its story in the server's log."""
        _log.error("%s %s", request.method, request.url.path, exc_info=trouble)
        return self._told(
            request,
            getattr(request.state, "address", self._nowhere),
            "Something unforeseen went wrong inside Mendbay.",
            "The terminal in which the server runs says where. Load the page again: it shows what was kept.",
            500,
        )

    # ------------------------------------------------------------------ addresses of the server itself

    async def live(self, request: Request) -> Response:
        """A stream that says that something changed."""

        async def events() -> AsyncIterator[ServerSentEvent]:
            async for now in self._desk.pulse.changes():
                yield JSONServerSentEvent(now, event="now", retry=1000)

        return EventSourceResponse(events(), ping=3600)

    async def static(self, request: Request) -> Response:
        """The server's own style and script; they last as long as the start of the server in their path."""
        found = self._desk.static.get(request.path_params["path"])
        if found is None:
            raise HTTPException(404)
        return Response(
            found[0], media_type=found[1], headers={"cache-control": "public, max-age=86400, immutable"}
        )

    async def description(self, request: Request) -> Response:
        """The description of the interface for programs (OpenAPI)."""
        return JSONResponse(description_of(self._book))

    async def door(self, request: Request) -> Response:
        """Where the key is asked for and given."""
        rules = self._desk.rules
        if request.method == "POST":
            try:
                async with asyncio.timeout(DOOR_SECONDS):
                    form = await request.form(max_files=0, max_fields=2)
            except TimeoutError:  # or whoever has no key would hold its place for ever
                raise HTTPException(408) from None
            key = form.get("key", "")
            if not (rules.key and isinstance(key, str) and rules.opens(key)):
                return self._told(
                    request,
                    self._nowhere,
                    "That is not the key.",
                    "It stands in the terminal of the server.",
                    403,
                )
            made: Response = RedirectResponse("/", 303)
            made.set_cookie(
                COOKIE,
                rules.pass_of(rules.key),
                YEAR_SECONDS,
                httponly=True,
                samesite="strict",
                secure=rules.scheme == "https",
            )
            return made
        if not rules.key:
            return RedirectResponse("/", 303)
        visit = Visit(self._desk, self._book, self._nowhere, {}, {}, "", DOOR)
        return HTMLResponse(self._drawing.page(visit, Page("door.html", {})))

    async def who(self, request: Request) -> Response:
        """Who is at the bench from now on, in this browser."""
        form = await request.form(max_files=0, max_fields=2)
        said = form.get("who", "")
        name = " ".join(said.split()) if isinstance(said, str) else ""
        if len(name) > LINE_LIMIT or any(not one.isprintable() for one in name):
            return self._told(
                request,
                self._nowhere,
                "That name cannot be kept.",
                f"Up to {LINE_LIMIT} plain characters.",
                422,
            )
        back = _page_before(request)
        made = RedirectResponse(back if _can_be_asked(request, back) else "/", 303)
        told = f"At the bench: {name}." if name else "Nobody is named at the bench now."
        made.set_cookie(NOTICE, _kept_short(told), 60, httponly=True, samesite="strict")
        made.set_cookie(WHO, quote(name), YEAR_SECONDS, httponly=True, samesite="strict")
        return made


async def _while_waited_for(request: Request, address: Address, visit: Visit) -> Answer:
    """What an address answers; its visit is told when the browser goes away before that."""
    gone = threading.Event()

    async def watch() -> None:
        with suppress(Exception):  # a connection that breaks is gone too
            while (await request.receive())["type"] != "http.disconnect":
                pass
        gone.set()

    watching = asyncio.create_task(watch())
    try:
        return await run_in_threadpool(address.handler, replace(visit, gone=gone.is_set))
    finally:
        watching.cancel()


def _notice(request: Request) -> str:
    return unquote(cookies_of(request.headers).get(NOTICE, ""))[:500]


def _page_before(request: Request) -> str:
    """The page of this server that a form was sent from, "" where the browser does not say."""
    origin = f"{request.url.scheme}://{request.headers.get('host', '')}"
    referer = request.headers.get("referer", "")
    back = referer.removeprefix(origin) if referer.startswith(f"{origin}/") else ""
    return back if is_local(back) else ""


def _can_be_asked(request: Request, url: str) -> bool:
    """Whether a page answers at an address; a form that was refused has left the browser at its own."""
    scope = {"type": "http", "method": "GET", "path": url.partition("?")[0], "root_path": ""}
    return any(one.matches(scope)[0] is Match.FULL for one in request.app.routes)


def _is_for_a_part(request: Request) -> bool:
    """Whether a page asks again for a part of itself, by what htmx says of its requests. A notice is in no
    such part, and waits for the page that it is meant for."""
    return "hx-request" in request.headers and "hx-boosted" not in request.headers


def _who(request: Request) -> str:
    name = unquote(cookies_of(request.headers).get(WHO, ""))
    return name if len(name) <= LINE_LIMIT and name.isprintable() else ""


async def _form(request: Request, address: Address) -> list[tuple[str, Any]]:
    files = sum(one.limit for one in address.fields if one.kind == "files")
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind not in ("application/x-www-form-urlencoded", "multipart/form-data", ""):
        raise UsageError("That is not how a form is sent.", "Send it from its page.")
    try:
        with room_told():
            form = await request.form(max_files=files, max_fields=FIELDS_AT_ONCE, max_part_size=1 << 20)
    except TooMuch:
        raise
    except ClientDisconnect:
        raise UsageError("The form did not arrive whole.", "Send it again.") from None
    except (MultiPartException, HTTPException, UnicodeDecodeError, ValueError) as trouble:
        said = getattr(trouble, "detail", "") or getattr(trouble, "message", "") or "not a form"
        if files and str(said).startswith("Too many files"):
            raise UsageError(
                "Those are too many files at once: nothing was kept.", f"Send at most {files} at a time."
            ) from None
        raise UsageError(
            f"The form could not be read ({str(said)[:80]}).", "Send it again from its page."
        ) from None
    return [(name, one) for name, one in form.multi_items() if isinstance(one, str | UploadFile)]


def _kept_short(notice: str) -> str:
    """A notice as its cookie holds it; of a long one the beginning, as browsers drop larger cookies whole."""
    short = notice[:NOTICE_LETTERS]
    while len(said := quote(short, errors="replace")) > NOTICE_BYTES:
        short = short[: len(short) * 3 // 4]
    return said


def _attachment(name: str) -> str:
    """A file to be kept, whatever signs its name has."""
    plain = "".join(one if one.isascii() and (one.isalnum() or one in "._- ") else "_" for one in name)[:120]
    whole = quote(name[:120], safe="", errors="replace")
    return f"attachment; filename=\"{plain or 'file'}\"; filename*=UTF-8''{whole}"
