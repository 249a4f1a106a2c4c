"""Hostile texts that are kept: put into every field that keeps one, then looked for on every page, paper,
list and screen, not on the page alone that answered."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from mendbay.faces.web import case_works
from mendbay.faces.web.app import book_of_all
from mendbay.faces.web.fields import SEEN, FieldKind
from mendbay.handback.bag import parse_bag_info
from mendbay.jobs.export_case import export_case
from mendbay.wiring import open_handback_folder
from support.commands import commands
from support.harmless import plain
from support.lively_home import READ, YOUNG, lively_home
from support.looked_everywhere import UNSEEN, look_everywhere, require_dead
from support.page_forms import offered_by
from support.web_client import ORIGIN, Web, web_on

pytestmark = pytest.mark.slow

BOOK = book_of_all()
HOSTILE = "=1+1|zq{}z</script><svg onload=alert(1)>\"'{{{{7*7}}}}%_../\u202egnp"
"""A formula, a script, a template, a pattern, a path and a turn of the direction of writing in one line,
with a number to find it by."""
PLAINER = {"keep-shop": ("\u202e", ""), "keep-wording": ("{{7*7}}", "{{ title }}")}
"""By the form that takes it no other way, what of it is said differently: a shop's name stands on paper as it
is, and a wording is a template."""
TERMINAL = "zq{}z\x1b[31m\x1b]8;;http://127.0.0.1:9\x07"
"""Moves a terminal's cursor and lays a link below what follows (ECMA-48)."""
NO_LINE = ("zq{}z\x00", "zq{}z\r\nBcc: all\r\n\r\n<b>", "zq{}z\u2028- forged")
"""What no line holds: the end of a text to programs in C, a head and a body of a mail, a line of a list. The
first is in no text of several lines either."""
PART = ("board_number", "revision", "controller", "motor_driver", "rom_chip", "family", "model", "firmware")
PART = (*PART, "site", "heads_map", "own_id", "location", "notes")


@dataclass(frozen=True)
class Form:
    """A form, the page that it stands on, those of its fields that keep a text, and what else it says."""

    name: str
    page: str
    fields: tuple[str, ...]
    more: Mapping[str, str]


def _form(name: str, page: str, *fields: str, **more: str) -> Form:
    return Form(name, page.format(read=READ, young=YOUNG), fields, more)


FORMS = (
    _form("keep-shop", "/settings/file/shop", "name", "lines"),
    _form("keep-wording", "/settings/paper/message-status", "text"),
    _form("open-case", "/cases", "customer", "contact", "box", "wanted", "notes"),
    _form("go-on", "/case/{young}", "remark"),
    _form("wait", "/case/{young}", "what"),
    _form("add-bay", "/case/{read}/take-in", "model", bay="3"),
    _form("amend-bay", "/case/{read}/take-in", "model", "serial"),
    _form("untell-answer", "/case/{read}/take-in", "reason"),
    _form("say-picture", "/case/{read}/pictures", "of"),
    _form("take-picture-back", "/case/{read}/pictures", "reason"),
    _form("add-thing", "/case/{read}/things", "words", "marks", "condition", "place", what="cable"),
    _form("change-thing", "/case/{young}/things", "words", "marks", "condition"),
    _form("move-thing", "/case/{read}/things", "place"),
    _form("withdraw-thing", "/case/{young}/things", "reason"),
    _form("receive-items", "/case/{read}/things", "place", "person", "words"),
    _form("release-items", "/case/{read}/things", "person", "words"),
    _form("take-signed-back", "/case/{young}/things", "reason"),
    _form("call-off", "/case/{read}/things", "reason"),
    _form("add-stock-item", "/stock/add", *PART),
    _form("change-stock-item", "/stock/item/2", *PART),
    _form("accept-stand-in", "/stock/stand-ins", "wanted", "donor", "board", "reason"),
    _form("unaccept-stand-in", "/stock/stand-ins", "reason"),
    _form("unlearn", "/lessons/reading", "reason"),
    _form("note-family", "/lessons/families", "family", "basis"),
    _form("keep-prices", "/settings/file/prices", "tax_name"),
    _form("unpay", "/case/{read}/money", "reason"),
    _form("reopen-case", "/case/2/closing", "reason"),
    _form("board-skip", "/case/{read}/board", "reason"),
    _form("board-swap", "/case/{read}/board/donor?bay=1&item=2", "remark"),
    _form("board-swap-back", "/case/{read}/board/donor?bay=1&item=3", "reason"),
    _form("board-withdraw-sitting", "/case/{read}/board/rom?bay=1", "reason"),
    _form("drives-wanted", "/case/{read}/drives", "patterns"),
    _form("files-wish", "/case/{read}/files", "pattern"),
)
"""Every form with a field that keeps what a person typed in their own words."""
NUMBERS = {
    (at, field): 100 * at + each for at, one in enumerate(FORMS, 1) for each, field in enumerate(one.fields)
}
SORTS = {".json": "application/json", ".csv": "text/csv", ".txt": "text/plain", ".html": "text/html"}
"""Of the files of an export."""
LABELS = [
    "External-Identifier",
    "Bagging-Date",
    "Payload-Oxum",
    "Source-Organization",
    "External-Description",
]
OF_ONE_KIND = 2
"""Pages of one address that are looked at of each case, more or less."""
CASES = (READ, YOUNG, YOUNG + 1)
SAID_BY_COMMANDS = (
    *(("case", "show", str(one)) for one in CASES),
    ("case", "items", str(READ)),
    ("case", "custody", str(YOUNG)),
    ("case", "list"),
    ("donor", "list"),
    ("bench", "papers"),
)


@pytest.fixture(scope="module")
def web(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Web]:
    """A lively home in which every form was sent, hostile in every field that keeps a text."""
    with (
        pytest.MonkeyPatch.context() as patch,
        web_on(lively_home(tmp_path_factory.mktemp("stored") / "home")) as found,
    ):
        patch.setenv("MENDBAY_WHO", "Kim")
        patch.setattr(case_works, "start_work", lambda home, order: None)
        for at, form in enumerate(FORMS, 1):
            _send(found, at, form)
        yield found


def _send(web: Web, at: int, form: Form) -> None:
    said = _said(web, form)
    kinds = {one.name: one.kind for one in BOOK.addresses[form.name].fields}
    for field in form.fields:
        number = NUMBERS[at, field]
        answer = _sent(web, {**said, field: [TERMINAL.format(number)]})
        assert answer.status_code in (303, 409, 422), (form, field, answer.status_code)
        is_text = kinds[field] is FieldKind.TEXT
        answer = _sent(
            web, {**said, field: [NO_LINE[0 if is_text else number % len(NO_LINE)].format(number)]}
        )
        assert answer.status_code == 422, (form, field, answer.status_code)
    other = PLAINER.get(form.name, ("", ""))
    hostile = {field: [HOSTILE.format(NUMBERS[at, field]).replace(*other)] for field in form.fields}
    answer = _sent(web, {**_said(web, form), **hostile})
    assert answer.status_code == 303, (form, answer.status_code, answer.text[-600:])
    assert not UNSEEN.search("".join(f"{one}{value}" for one, value in answer.headers.items()))


def _sent(web: Web, said: Mapping[str, list[str]]) -> Any:
    (path,) = said["-"]
    data = {one: value for one, value in said.items() if one != "-"}
    return web.client.post(path, data=data, headers={"origin": ORIGIN}, follow_redirects=False)


def _said(web: Web, form: Form) -> dict[str, list[str]]:
    """What the form says by itself, and under `-` where it is sent to."""
    address = BOOK.addresses[form.name]
    wanted = re.compile(re.sub(r"\{\w+(?::int)?\}", "[^/]+", address.path))
    way = next(one for one in offered_by(web.get(form.page), form.page) if wanted.fullmatch(one.path))
    known = {one.name: one for one in address.fields}
    said: dict[str, list[str]] = {"-": [way.path]}
    for name, value in way.said:
        if name in known or name == SEEN:
            said.setdefault(name, []).append(value)
    for name, one in known.items():
        if one.required and one.kind is not FieldKind.FILES and not any(said.get(name, [])):
            said[name] = [plain(one)]
    return said | {name: [value] for name, value in form.more.items()}


def test_nothing_that_was_kept_is_alive_on_any_page_paper_or_list(web: Web) -> None:
    shown = set[int]()
    begin = ["/", "/cases", "/stock", "/lessons", "/settings", *(f"/case/{one}" for one in CASES)]
    for said in look_everywhere(web, begin, OF_ONE_KIND):
        shown |= {int(one) for one in re.findall(r"zq(\d+)z", said)}
    assert len(shown) > 0.9 * len(NUMBERS), sorted(set(NUMBERS.values()) - shown)


def test_nothing_that_was_kept_speaks_to_a_terminal(web: Web) -> None:
    found = ""
    with commands() as program:
        for words in SAID_BY_COMMANDS:
            for json in ([], ["--json"]):
                done = program.run(["--home", str(web.home), *json, *words])
                assert done.returncode == 0, (words, done.stderr)
                assert not UNSEEN.search(done.stdout + done.stderr), words
                found += done.stdout
    assert len(set(re.findall(r"zq\d+z", found))) > 20


def test_nothing_that_speaks_to_a_terminal_was_kept(web: Web) -> None:
    for one in web.home.rglob("*"):
        if one.is_file():
            assert not re.search(rb"zq\d+z(\\[rn]|[\x00\x1b\r\n]|\\u00(00|1b))", one.read_bytes()), one


@pytest.mark.parametrize("for_customer", [False, True], ids=["whole", "for the customer"])
def test_nothing_that_was_kept_is_alive_in_an_export(web: Web, tmp_path: Path, for_customer: bool) -> None:
    found = set[str]()
    for case in CASES:
        bag = tmp_path / str(case)
        with web.bench() as bench:
            export_case(bench, case, bag, open_handback_folder, for_customer=for_customer)
            entries = len(bench.ledger.custody(case))
        told = [one for one, _ in parse_bag_info((bag / "bag-info.txt").read_text())]
        assert told == LABELS
        for one in bag.rglob("*"):
            if one.suffix in SORTS and one.is_file():
                said = one.read_text()
                require_dead(said, SORTS[one.suffix], one, attached=True)
                found |= set(re.findall(r"zq\d+z", said))
        lines = (bag / "data/custody.jsonl").read_bytes().splitlines()
        assert [json.loads(line)["case"] for line in lines] == [case] * len(lines)
        assert entries - 1 <= len(lines) <= entries, "that it was exported is told after"
    assert len(found) > (15 if for_customer else 30)


def test_nothing_that_was_kept_leaves_the_folders_of_the_shop(web: Web) -> None:
    assert {one.name for one in web.home.parent.iterdir()} <= {"home", "drive.img", "drive.toml"}
    assert not [one for one in web.home.rglob("*") if "zq" in one.name or UNSEEN.search(one.name)]
    assert not list(Path.cwd().glob("*zq*"))
