"""What a telephone sees that was given a key: a page that takes pictures for one case, and nothing of it but
its number, the bay they are of, and what became of the pictures that were sent."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import jinja2
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.formparsers import MultiPartException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from mendbay.core.errors import MendbayError, UsageError
from mendbay.core.quantity import counted
from mendbay.faces.web.addresses import UPLOAD_BYTES
from mendbay.faces.web.guard import Guard, Rules, TooMuch, cookies_of
from mendbay.faces.web.phone_keys import MOST_PICTURES, PhoneKey, PhoneKeys
from mendbay.faces.web.upload_folder import room_told

COOKIE = "mendbay_phone"
AT_ONCE = 40
SMALL_BODY = 1 << 12
STATIC = ("mendbay.css", "pictures.css", "phone.js", "mark.svg")
"""Of the bench's own files, those that the page loads."""

Take = Callable[[PhoneKey, Sequence[UploadFile]], str]
"""Keeps pictures that arrived, and says in a sentence what became of them."""


def phone_application(
    hosts: frozenset[str],
    keys: PhoneKeys,
    take: Take,
    static: Mapping[str, tuple[bytes, str]],
    closed: Callable[[str], None],
) -> ASGIApp:
    """
    Args:
        hosts: the names, with port, under which it may be asked.
        static: the bench's own files.
        closed: told the key that the person at the telephone is done with.
    """
    made = _Phone(keys, take, static, closed)
    inner = Starlette(
        routes=[
            Route("/p/{key}", made.page, methods=["GET"]),
            Route("/p/{key}/use", made.use, methods=["POST"]),
            Route("/p/{key}/pictures", made.pictures, methods=["POST"]),
            Route("/p/{key}/done", made.done, methods=["POST"]),
            Route("/static/{path}", made.static, methods=["GET"]),
        ],
        exception_handlers={HTTPException: made.nothing, 500: made.fault},
    )
    return Guard(inner, Rules(hosts, limit=_limit))


def _limit(method: str, path: str) -> int:
    return UPLOAD_BYTES if path.endswith("/pictures") else SMALL_BODY


class _Phone:
    def __init__(
        self,
        keys: PhoneKeys,
        take: Take,
        static: Mapping[str, tuple[bytes, str]],
        closed: Callable[[str], None],
    ) -> None:
        self._keys, self._take, self._static, self._closed = keys, take, static, closed
        self._pages = jinja2.Environment(
            loader=jinja2.PackageLoader("mendbay.faces.web", "templates"),
            autoescape=True,
            undefined=jinja2.StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )

    async def page(self, request: Request) -> Response:
        """The page of a key: the button that takes it, or what sends pictures. Changes nothing."""
        one = self._key(request)
        if one is None:
            return self._gone()
        if not one.device:
            return self._drawn("phone_use.html", one)
        if not self._is_its(request, one):
            return self._taken(one)
        return self._drawn("phone.html", one)

    async def use(self, request: Request) -> Response:
        """Gives the key to the first device that asks."""
        one = self._key(request)
        if one is None:
            return self._gone()
        there = RedirectResponse(f"/p/{one.key}", 303)
        if self._is_its(request, one):
            return there
        mark = self._keys.bind(one)
        if not mark:
            return self._taken(one)
        left = int(self._keys.seconds_left(one)) + 60
        there.set_cookie(COOKIE, mark, left, path=f"/p/{one.key}", httponly=True, samesite="strict")
        return there

    async def pictures(self, request: Request) -> Response:
        """Takes pictures from the device that has the key."""
        one = self._key(request)
        if one is None:
            return self._gone()
        if not self._is_its(request, one):
            self._keys.turn_away(one)
            return self._taken(one)
        try:
            sent = await _files(request)
            if not self._keys.count(one, len(sent)):
                if self._keys.find(one.key) is not one:  # closed while they were on their way
                    return self._gone()
                raise UsageError(
                    f"{MOST_PICTURES} pictures of one key are enough.", "Open another at the bench."
                )
            try:
                one.said = await run_in_threadpool(self._take, one, sent)
            except BaseException:
                self._keys.give_back(one, len(sent))
                raise
        except MendbayError as trouble:
            return self._told(one, trouble.what, trouble.next_step, 422)
        finally:
            await request.close()
        return RedirectResponse(f"/p/{one.key}", 303)

    async def done(self, request: Request) -> Response:
        """Closes the key, asked by the device that has it."""
        one = self._key(request)
        if one is None:
            return self._gone()
        if not self._is_its(request, one):
            self._keys.turn_away(one)
            return self._taken(one)
        answer = self._told(
            one,
            f"{counted(one.arrived, 'picture')} arrived. The key is closed.",
            "You may close this page; go on at the bench.",
            200,
        )
        self._keys.close(one.key)
        self._closed(one.key)
        return answer

    async def static(self, request: Request) -> Response:
        """The style and script of the page."""
        name = request.path_params["path"]
        if name not in STATIC or name not in self._static:
            raise HTTPException(404)
        data, kind = self._static[name]
        return Response(data, media_type=kind)

    async def nothing(self, request: Request, trouble: Exception) -> Response:
        """For what no address takes."""
        status = trouble.status_code if isinstance(trouble, HTTPException) else 404
        if status == 413:
            return self._told(
                None, "That is more than is taken at once: nothing was kept.", "Send fewer at a time.", 413
            )
        return self._told(None, "There is nothing here.", "Scan the code at the bench.", status)

    async def fault(self, request: Request, trouble: Exception) -> Response:
        """For what nobody foresaw."""
        return self._told(
            None, "Something unforeseen went wrong.", "The bench shows whether a picture arrived.", 500
        )

    # ------------------------------------------------------------------ answers

    def _key(self, request: Request) -> PhoneKey | None:
        return self._keys.find(str(request.path_params["key"]))

    def _is_its(self, request: Request, one: PhoneKey) -> bool:
        return self._keys.is_bound_to(one, cookies_of(request.headers).get(COOKIE, ""))

    def _gone(self) -> Response:
        return self._told(
            None,
            "This key is closed: it was used up, or its time is over.",
            "Open another at the bench.",
            410,
        )

    def _taken(self, one: PhoneKey) -> Response:
        return self._told(
            None,
            "Another device has this key.",
            "If that was not you, press “Done with the phone” at the bench and open another.",
            403,
        )

    def _told(self, one: PhoneKey | None, what: str, next_step: str, status: int) -> Response:
        back = "" if one is None or status == 200 else f"/p/{one.key}"
        html = self._pages.get_template("phone_told.html").render(
            what=what, next_step=next_step, back=back, status=status, case=one.case if one else None
        )
        return HTMLResponse(html, status)

    def _drawn(self, template: str, one: PhoneKey) -> Response:
        html = self._pages.get_template(template).render(
            case=one.case,
            bay=one.bay,
            said=one.said,
            at=f"/p/{one.key}",
            arrived=one.arrived,
            left=MOST_PICTURES - one.arrived,
            minutes=max(1, round(self._keys.seconds_left(one) / 60)),
        )
        return HTMLResponse(html)


async def _files(request: Request) -> tuple[UploadFile, ...]:
    """
    Raises:
        UsageError: what was sent is no form with pictures.
        NoRoom, DestinationError: it cannot be written down.
    """
    try:
        with room_told():
            form = await request.form(max_files=AT_ONCE, max_fields=0)
    except TooMuch:
        raise
    except (ClientDisconnect, MultiPartException, HTTPException, UnicodeDecodeError, ValueError):
        raise UsageError(
            "What was sent could not be read, or is too much at once.",
            f"Send at most {AT_ONCE} pictures at a time.",
        ) from None
    found = [one for _, one in form.multi_items() if isinstance(one, UploadFile) and one.filename]
    if not found:
        raise UsageError("No picture was chosen.", "Take one, or choose some.")
    return tuple(found)
