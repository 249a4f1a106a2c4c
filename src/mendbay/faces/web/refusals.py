"""What is answered to a form that was refused: its page as it stands now, with what was typed in it; or,
where that page cannot be had, the words themselves."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl, unquote

from starlette.responses import HTMLResponse
from starlette.routing import Match, Route

from mendbay.core.errors import ChangedMeanwhile, MendbayError, UsageError
from mendbay.faces.web.addresses import Address, Book
from mendbay.faces.web.answers import Page
from mendbay.faces.web.drawing import Drawing, is_local
from mendbay.faces.web.fields import FROM_PAGE, FieldKind, read_fields
from mendbay.faces.web.guard import PATH_LIMIT
from mendbay.faces.web.typed_again import TypedAgain, typed_again
from mendbay.faces.web.visit import Visit

if TYPE_CHECKING:
    from starlette.requests import Request

    from mendbay.faces.web.desk import Desk

INTO_MAIN = {"HX-Retarget": "#main", "HX-Reselect": "#main", "HX-Reswap": "outerHTML"}
"""By which the answer to a form takes the place of the page, and not of the place for troubles."""
GIVEN = ("although", "in_spite")
"""What the names of fields begin with that hold a reason against what speaks against a work."""


class Refusals:
    """Draws the pages that refused forms came from."""

    def __init__(self, desk: Desk, book: Book, drawing: Drawing) -> None:
        self._desk = desk
        self._book = book
        self._drawing = drawing
        pages = [one for one in book.addresses.values() if one.method == "GET"]
        self._pages = [(one, Route(one.path, _never, methods=["GET"])) for one in pages]

    def page_again(
        self, request: Request, address: Address, trouble: MendbayError, status: int, page: str, who: str
    ) -> HTMLResponse | None:
        """The page of a form as it stands now, with the form filled again and the trouble told.

        Args:
            page: path and query of the page that the form was sent from, as the browser says.

        Returns:
            None where the form is still before the person, or its page cannot be had.
        """
        sent = sent_of(request)
        changed = isinstance(trouble, ChangedMeanwhile)
        if request.method != "POST" or not sent or (is_by_script(request) and not changed):
            return None
        page = next((one for name, one in sent if name == FROM_PAGE and is_local(str(one))), page)
        drawn = self._drawn(page, who)
        if drawn is None:
            return None
        visit, html = drawn
        again = typed_again(html, request.url.path, sent, page, compared=changed, anew=_anew(address))
        if again is None:
            return None
        told = self._told(visit, address, trouble, sent, again)
        answer = HTMLResponse(again.html(told), status)
        if is_by_script(request):
            answer.headers.update(INTO_MAIN)
        answer.headers["HX-Push-Url"] = "false"
        return answer

    def _told(
        self,
        visit: Visit,
        address: Address,
        trouble: MendbayError,
        sent: Sequence[tuple[str, Any]],
        again: TypedAgain,
    ) -> str:
        anew = _anew(address) if again.compared else frozenset[str]()
        left = [(name, one) for name, one in sent if name in again.left and name not in anew]
        given = [(name, one) for name, one in sent if name in again.left and name in anew]
        facts = {
            "what": trouble.what,
            "next_step": trouble.next_step,
            "changed": isinstance(trouble, ChangedMeanwhile),
            "compared": again.compared,
            "page": visit.here,
            "left": [*labelled(address, left), *again.rows],
            "given": labelled(address, given),
            "files": again.files,
            "secrets": again.secrets,
        }
        return self._drawing.page(visit, Page("trouble_again.html", facts))

    def _drawn(self, page: str, who: str) -> tuple[Visit, str] | None:
        path, _, query = page.partition("?")
        if len(path) > PATH_LIMIT:
            return None
        scope = {"type": "http", "method": "GET", "path": unquote(path), "root_path": ""}
        for address, route in self._pages:
            match, found = route.matches(scope)
            if match is Match.FULL:
                return self._drawn_of(address, found["path_params"], page, query, who)
        return None

    def _drawn_of(
        self, address: Address, parts: dict[str, Any], page: str, query: str, who: str
    ) -> tuple[Visit, str] | None:
        mark = self._desk.pulse.mark
        try:
            said = read_fields(address.fields, parse_qsl(query, keep_blank_values=True))
            values = address.values(parts)
            visit = Visit(self._desk, self._book, address, values, said, who, page, "", mark)
            answer = address.handler(visit)
            return (visit, self._drawing.page(visit, answer)) if isinstance(answer, Page) else None
        except Exception:  # whatever the page has, the refusal is told; the page tells its own when asked for
            return None


def _anew(address: Address) -> frozenset[str]:
    """Names of what a person gave their word on, or a reason against what spoke against it: where something
    else stands now it is given anew."""
    fields = (one for one in address.fields if one.kind is FieldKind.FLAG or one.name.startswith(GIVEN))
    return frozenset(one.name for one in fields)


def sent_of(request: Request) -> Sequence[tuple[str, Any]]:
    """What a form said, once it arrived."""
    found: Sequence[tuple[str, Any]] = getattr(request.state, "sent", ())
    return found


def is_by_script(request: Request) -> bool:
    """Whether a page's script sent the form, by what htmx says of its requests: the page then stays, and the
    form with all that was typed."""
    return "hx-boosted" in request.headers


def labelled(address: Address, sent: Sequence[tuple[str, Any]]) -> list[tuple[str, str]]:
    """What was typed, each with its label; no secret, and nothing that says nothing."""
    words = {
        one.name: one.words for one in address.fields if not one.secret and one.kind is not FieldKind.FILES
    }
    return [(words[name], _lines(one)) for name, one in sent if name in words and str(one).strip()]


def _lines(said: Any) -> str:
    """As forms have it: browsers send the end of a line as two signs."""
    return str(said).replace("\r\n", "\n")


def kept_words(request: Request, address: Address, trouble: MendbayError | None) -> dict[str, Any]:
    """What a page of a trouble shows of what was typed.

    Returns:
        `typed`, each with its label; `send_again`, name and value of all that was sent, where that can help.
    """
    sent = sent_of(request)
    if request.method != "POST" or is_by_script(request) or not sent:
        return {"typed": [], "send_again": []}
    secret = {one.name for one in address.fields if one.secret or one.kind is FieldKind.FILES}
    whole = not any(name in secret for name, _ in sent) and not address.takes_files
    helps = trouble is not None and not isinstance(trouble, UsageError | ChangedMeanwhile)
    return {
        "typed": labelled(address, sent),
        "send_again": [(name, _lines(one)) for name, one in sent] if whole and helps else [],
    }


async def _never(request: Request) -> Any:
    raise AssertionError(request)
