"""What was typed, put again into the form of a page as it stands now, and what stands there beside it.

Works on the page that its template made, so that every form is served alike, whatever draws it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field
from html import escape, unescape
from html.parser import HTMLParser
from typing import Any

from mendbay.faces.plain_text import without_controls
from mendbay.faces.web.fields import FROM_PAGE, OWN, SEEN

TOLD_LETTERS = 2_000
"""Of what stands in a field now; the page itself shows the whole."""
_BY_ITSELF = ("data-live", "hx-get", "hx-trigger")
"""What makes a part ask for itself again: it would take the typed words away."""
_ROWS = "data-names"
"""Of a hidden field whose lines name the rows of a form, the name of the field that each row has one of."""
_NOT_FILLED = ("file", "password", "hidden", "submit")
_WRITTEN = ("text", "number", "date", "search", "tel", "email", "url")


@dataclass(slots=True)
class Piece:
    """One tag of a page, or what stands between two, as it is written there."""

    raw: str
    tag: str = ""
    is_end: bool = False
    has: dict[str, str | None] = field(default_factory=dict)
    after: str = ""

    def write(self) -> None:
        """Its tag anew, of what it has now."""
        said = "".join(
            f' {name}="{_safe(one)}"' if one is not None else f" {name}" for name, one in self.has.items()
        )
        self.raw = f"<{self.tag}{said}>"

    def put(self, name: str, said: str | None) -> None:
        """Gives it an attribute."""
        self.has[name] = said
        self.write()

    def drop(self, name: str) -> None:
        """Takes one from it."""
        if name in self.has:
            del self.has[name]
            self.write()


@dataclass(frozen=True, slots=True)
class TypedAgain:
    """A page with a form that was filled again.

    Args:
        html: of the page; `told` of `fill` stands where troubles do.
        left: names of what was sent and has no place in the form any more.
        rows: what was sent of rows that the form has no more, each with the name of its row.
        compared: whether it tells what else stands there now.
        files: whether the form asks for files, which no page can fill.
        secrets: whether it asks for a secret, which is never filled.
    """

    pieces: list[Piece]
    left: tuple[str, ...]
    rows: tuple[tuple[str, str], ...]
    compared: bool
    files: bool
    secrets: bool

    def html(self, told: str) -> str:
        """The page, with a trouble told where troubles are.

        Args:
            told: HTML.
        """
        for one in self.pieces:
            if one.tag == "div" and not one.is_end and one.has.get("id") == "trouble":
                one.after = told
        return "".join(one.raw + one.after for one in self.pieces)


def typed_again(
    html: str,
    action: str,
    sent: Sequence[tuple[str, Any]],
    page: str,
    *,
    compared: bool,
    anew: Collection[str] = (),
) -> TypedAgain | None:
    """The page with its form filled again; None if it has no such form any more.

    Args:
        action: path that the form was sent to.
        sent: what it said, in its order.
        page: path and query of the page.
        compared: tells beside each field what stands there now, where that differs; that is also told where
            the mark of the form shows that its page was another then, as it is sent again with a new one.
        anew: names of what is then left as it stands, as it was said of what stood before.
    """
    pieces = _pieces(html)
    typed = [(name, _lines(one)) for name, one in sent if isinstance(one, str) and name not in OWN]
    fitting = [one for one in _forms(pieces) if _is_it(pieces, one, action, typed)]
    if not fitting:
        return None
    found = min(fitting, key=lambda one: _missing(pieces, one, typed))
    form = _Form(pieces, found, typed)
    compared = compared or form.was_shown_otherwise(sent)
    form.fill(anew if compared else ())
    if compared:
        form.compare()
    begin = pieces[found[0]]
    begin.has.setdefault("id", "typed")
    begin.put("data-again", begin.has["id"])
    begin.after = f'<input type="hidden" name="{FROM_PAGE}" value="{_safe(page)}">'
    _open(pieces, found[0])
    asks = form.has_type("file"), form.has_type("password")
    return TypedAgain(pieces, tuple(form.left), tuple(form.rows), compared, *asks)


def _lines(said: str) -> str:
    """As a page has it: browsers send the end of a line as two signs, of hidden fields too (HTML, 4.10)."""
    return said.replace("\r\n", "\n")


def _safe(said: str) -> str:
    return escape(without_controls(said), quote=True)


# ---------------------------------------------------------------------- the page


class _Reader(HTMLParser):
    """Notes where each tag begins."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=False)
        self.found: list[tuple[int, str, bool, dict[str, str | None]]] = []
        self._lines = [0]
        for line in html.split("\n"):
            self._lines.append(self._lines[-1] + len(line) + 1)
        self.feed(html)
        self.close()

    def _at(self) -> int:
        line, column = self.getpos()
        return self._lines[line - 1] + column

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((self._at(), tag, False, dict(attrs)))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)

    def handle_endtag(self, tag: str) -> None:
        self.found.append((self._at(), tag, True, {}))


def _pieces(html: str) -> list[Piece]:
    """The page cut at its tags; joined again it is the same."""
    pieces: list[Piece] = []
    end = 0
    for at, tag, is_end, has in _Reader(html).found:
        if at > end:
            pieces.append(Piece(html[end:at]))
        end = _end_of_tag(html, at)
        pieces.append(Piece(html[at:end], tag, is_end, has))
    pieces.append(Piece(html[end:]))
    return pieces


def _end_of_tag(html: str, at: int) -> int:
    """Past its bracket; one within quotes is none."""
    quoted = ""
    for place in range(at, len(html)):
        sign = html[place]
        if quoted:
            quoted = "" if sign == quoted else quoted
        elif sign in "\"'":
            quoted = sign
        elif sign == ">":
            return place + 1
    return len(html)


def _forms(pieces: Sequence[Piece]) -> Iterator[tuple[int, int]]:
    begin = None
    for at, one in enumerate(pieces):
        if one.tag == "form":
            if one.is_end and begin is not None:
                yield begin, at
            begin = None if one.is_end else at


def _is_it(
    pieces: Sequence[Piece], form: tuple[int, int], action: str, typed: Sequence[tuple[str, str]]
) -> bool:
    """Whether a form is the one that was sent: it goes to the same address and is about the same thing."""
    within = pieces[form[0] : form[1]]
    if (within[0].has.get("method") or "").lower() != "post":
        return False
    ways = {one.has.get("action" if one.tag == "form" else "formaction") for one in within}
    hidden = [
        (one.has.get("name") or "", one.has.get("value") or "")
        for one in within
        if one.tag == "input" and one.has.get("type") == "hidden" and _ROWS not in one.has
    ]
    return action in {(one or "").partition("?")[0] for one in ways if one} and all(
        one in typed for one in hidden if one[0] not in OWN
    )


def _missing(pieces: Sequence[Piece], form: tuple[int, int], typed: Sequence[tuple[str, str]]) -> int:
    """How much of what was typed a form has no place for."""
    names = {one.has.get("name") for one in pieces[form[0] : form[1]]}
    return sum(name not in names for name, _ in typed)


def _open(pieces: Sequence[Piece], at: int) -> None:
    """Opens whatever the form is folded in, and lets no part around it be exchanged."""
    around: list[Piece] = []
    for one in pieces[:at]:
        if one.is_end:
            while around and around.pop().tag != one.tag:
                pass
        elif one.tag and one.tag not in _VOID and not one.raw.endswith("/>"):
            around.append(one)
    for one in around:
        if one.tag == "details":
            one.put("open", None)
        for name in _BY_ITSELF:
            one.drop(name)


_VOID = ("br", "col", "hr", "img", "input", "link", "meta")

# ---------------------------------------------------------------------- the form


@dataclass(slots=True)
class _Control:
    """An input of the form.

    Args:
        last: its last piece, behind which something can be told.
        stood: what it holds on the page; of a tick whether it is set.
        shown: the same in words.
    """

    at: int
    last: int
    kind: str
    name: str
    stood: str | bool
    shown: str = ""
    typed: str | bool | None = None


class _Form:
    def __init__(self, pieces: list[Piece], form: tuple[int, int], typed: Sequence[tuple[str, str]]) -> None:
        self._pieces = pieces
        self._typed = typed
        self.controls = list(_controls(pieces, form))
        self.left: list[str] = []
        self.rows: list[tuple[str, str]] = []

    def has_type(self, kind: str) -> bool:
        return any(one.kind == kind for one in self.controls)

    def was_shown_otherwise(self, sent: Sequence[tuple[str, Any]]) -> bool:
        """Whether the page showed something else when the form was typed in."""
        then = [one for name, one in sent if name == SEEN and one]
        now = [one.stood for one in self.controls if one.name == SEEN]
        return bool(then and now) and then != now

    def fill(self, anew: Collection[str]) -> None:
        """Puts in what was typed, but for what is to be said anew."""
        said: dict[str, list[str]] = {}
        for name, one in self._typed:
            said.setdefault(name, []).append(one)
        by_name: dict[str, list[_Control]] = {}
        for control in self.controls:
            by_name.setdefault(control.name, []).append(control)
        for name, there in by_name.items():
            if name not in anew:
                self._fill_name(name, there, said.get(name, []))
            elif any(said.get(name, [])):
                self.left.append(name)
        self.left += [name for name in said if name not in by_name]

    def _fill_name(self, name: str, there: Sequence[_Control], said: Sequence[str]) -> None:
        pressed = {self._value(one) for one in there if one.kind == "submit"}
        there = [one for one in there if one.kind not in _NOT_FILLED]
        said = [one for one in said if one not in pressed]
        if not there:
            return
        if there[0].kind in ("checkbox", "radio"):
            for one in there:
                one.typed = self._value(one) in said
                _tick(self._pieces[one.at], one.typed)
            if not {self._value(one) for one in there}.issuperset(said):
                self.left.append(name)
            return
        then, now = self._rows_of(name)
        if then != now and (len(then), len(now)) == (len(said), len(there)):
            at = dict(zip(now, there, strict=True))
            self.rows += [(row, text) for row, text in zip(then, said, strict=True) if row not in at]
            said = [text for row, text in zip(then, said, strict=True) if row in at]
            there = [at[row] for row in then if row in at]
        if len(there) != len(said):  # it has more rows, or fewer, than it had
            if any(said):
                self.left.append(name)
            return
        for one, text in zip(there, said, strict=True):
            one.typed = text
            if not self._put(one, text):
                self.left.append(name)

    def _rows_of(self, name: str) -> tuple[list[str], list[str]]:
        """The names of the rows of a field, as its page had them and as it has them now; none where rows have
        no names."""
        for one in self.controls:
            if self._pieces[one.at].has.get(_ROWS) == name:
                then = next((said for sent, said in self._typed if sent == one.name), "")
                return then.split("\n"), str(one.stood).split("\n")
        return [], []

    def _value(self, one: _Control) -> str:
        """What is sent of a tick or a button."""
        said = self._pieces[one.at].has.get("value", "" if one.kind == "submit" else "on")
        return said or ""

    def _put(self, one: _Control, text: str) -> bool:
        if one.kind == "select":
            return self._choose(one, text)
        if one.kind == "textarea":
            for piece in self._pieces[one.at + 1 : one.last]:
                piece.raw = ""
            self._pieces[one.at].after = "\n" + escape(without_controls(text))
            return True
        self._pieces[one.at].put("value", text)
        return True

    def _choose(self, one: _Control, text: str) -> bool:
        places = [to for to in range(one.at, one.last) if _is_option(self._pieces[to])]
        options = [self._pieces[to] for to in places]
        sent = (_sent_of(self._pieces, to) for to in places)
        wanted = next((each for each, said in zip(options, sent, strict=True) if said == text), None)
        if wanted is None:
            return not text
        for each in options:
            each.drop("selected")
        wanted.put("selected", None)
        return True

    def compare(self) -> None:
        """Tells beside each input what stands there now, where something else was typed."""
        holds = any(one.stood for one in self.controls if one.typed is not None)
        for number, one in enumerate(self.controls):
            if one.typed is None or _same(one):
                continue
            words = _stands(one, holds)
            if words:
                mark = f"stands-{number}"
                described = self._pieces[one.at].has.get("aria-describedby") or ""
                self._pieces[one.at].put("aria-describedby", f"{described} {mark}".strip())
                self._pieces[one.last].after += f'<span class="stands" id="{mark}">{words}</span>'


def _same(one: _Control) -> bool:
    if isinstance(one.stood, str) and isinstance(one.typed, str):
        return one.stood.strip() == one.typed.strip()
    return one.stood == one.typed


def _stands(one: _Control, holds: bool) -> str:
    """What stands there now, in HTML; "" where that goes without saying."""
    if one.kind == "checkbox":
        return "Ticked now." if one.stood else "Not ticked now."
    if one.kind == "radio":
        return "This is chosen now." if one.stood else ""
    if not one.shown.strip():
        return "Nothing stands here now." if holds else ""
    text = one.shown.strip("\n")
    cut = text[:TOLD_LETTERS] + (" …" if len(text) > TOLD_LETTERS else "")
    return f"Now on record: <q>{escape(without_controls(cut))}</q>"


def _tick(piece: Piece, is_set: bool) -> None:
    if is_set:
        piece.put("checked", None)
    else:
        piece.drop("checked")


def _controls(pieces: Sequence[Piece], form: tuple[int, int]) -> Iterator[_Control]:
    for at in range(*form):
        one = pieces[at]
        name = one.has.get("name") or ""
        if one.is_end or not name:
            continue
        if one.tag == "input":
            yield _input(at, _end_of_label(pieces, at, form[1]), one, name)
        elif one.tag == "button":
            yield _Control(at, at, "submit", name, "")
        elif one.tag in ("textarea", "select"):
            last = next(to for to in range(at, form[1]) if pieces[to].is_end and pieces[to].tag == one.tag)
            yield (_area if one.tag == "textarea" else _select)(pieces, at, last, name)


def _end_of_label(pieces: Sequence[Piece], at: int, end: int) -> int:
    """The last piece of the words of a tick that stand behind it in its label."""
    for to in range(at + 1, end):
        if pieces[to].tag in ("input", "label", "form"):
            return to - 1 if pieces[to].tag == "label" and pieces[to].is_end else at
    return at


def _input(at: int, last: int, one: Piece, name: str) -> _Control:
    kind = (one.has.get("type") or "text").lower()
    if kind in ("checkbox", "radio"):
        return _Control(at, last, kind, name, "checked" in one.has)
    said = one.has.get("value") or ""
    return _Control(at, at, "text" if kind in _WRITTEN else kind, name, said, said)


def _area(pieces: Sequence[Piece], at: int, last: int, name: str) -> _Control:
    said = unescape("".join(one.raw for one in pieces[at + 1 : last])).removeprefix("\n")
    return _Control(at, last, "textarea", name, said, said)


def _select(pieces: Sequence[Piece], at: int, last: int, name: str) -> _Control:
    options = [to for to in range(at, last) if _is_option(pieces[to])]
    chosen = next((to for to in options if "selected" in pieces[to].has), options[0] if options else None)
    if chosen is None:
        return _Control(at, last, "select", name, "")
    said = _sent_of(pieces, chosen)
    return _Control(at, last, "select", name, said, unescape(pieces[chosen + 1].raw) if said else "")


def _is_option(one: Piece) -> bool:
    return one.tag == "option" and not one.is_end


def _sent_of(pieces: Sequence[Piece], option: int) -> str:
    """What is sent of an option: its words, where it has nothing else to say."""
    words = unescape(pieces[option + 1].raw).strip()
    return pieces[option].has.get("value", words) or ""
