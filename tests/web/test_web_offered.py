"""What the pages of a shop in the middle of its work offer, asked as they offer it and with other things in
its fields, so that what stands behind every address is asked where it has something to be about. A fuzzer
that knows the description alone names cases and items that are not there, and is told just that."""

from __future__ import annotations

import json
import re
import shutil
from collections import Counter
from collections.abc import Iterator, Mapping
from itertools import product
from pathlib import Path

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from PIL import Image
from schemathesis.generation import GenerationMode
from starlette.testclient import TestClient

from mendbay.faces.web import case_works, picture_reading
from mendbay.faces.web.addresses import Address
from mendbay.faces.web.description import description_of
from mendbay.faces.web.fields import SEEN, Field, FieldKind
from mendbay.faces.web.serve import bench_key
from support.brought_into_reach import BROUGHT
from support.harmless import plain, require_harmless_answer
from support.lively_home import READ
from support.lively_offers import (
    BOOK,
    NOT_HERE,
    REFUSALS,
    Lively,
    lively_offers,
    order_alone,
    orders_that_live,
)
from support.open_picture import as_file
from support.page_forms import Offered, offered_on
from support.web_client import ORIGIN, Web, web_on

pytestmark = pytest.mark.slow

DOCUMENT = description_of(BOOK)
EXAMPLES = 8
HOSTILE = ("<svg onload=alert(1)>", "../../etc/passwd", "\u202egnp.exe", "{{7*7}}", "'; --", "$(owned)", "0")
OUT_OF_REACH = {
    "unlearn-dump": "a family that was learned: that takes several dumps of it, and a minute",
    "hand-back-again": "a folder with the beginnings of one: the sweep of killed works has them",
    "file-picture": "a picture on the drive: the tests of files have them",
}
"""Addresses that this home gives nothing to be about, each with what would; they are asked all the same."""
LIVES, BROKEN_OFF = True, False
AFTER = {
    "answers-entered": ("enter-answers", BROKEN_OFF),
    "list-read": ("look-at-list", BROKEN_OFF),
    "take-list": ("look-at-list", BROKEN_OFF),
    "stop-learning": ("learn-family", LIVES),
    "export-again": ("export-case", BROKEN_OFF),
    "stop-office": ("export-case", LIVES),
    "board-stop-clip": ("board-read-chip", LIVES),
    "drives-ask": ("drives-begin", LIVES),
    "files-stop": ("files-list", LIVES),
    "file-stop": ("file-read", LIVES),
    "hand-back-stop": ("hand-back-make", LIVES),
    "hand-back-check-stop": ("hand-back-check", LIVES),
    "tried-picture": ("try-shop", BROKEN_OFF),
}
"""Addresses that are offered only after another was asked, and whether the work that it orders lives."""
TYPED = {
    "add-bay": {"bay": "3"},
    "keep-relay": {"key": "{key}"},
    "make-bill": {"left_off": "yes"},
    "amount": {"amount": "38.00"},
    "typed": {"typed": "{case}"},
    "folder": {"folder": "/nowhere/out"},
    "triage-take-back": {"sign": "sound", "bay": "1"},
    "triage-tried": {"step": "move-rom", "bay": "1"},
    "drives-look": {"source_1": "{drive}"},
    "drives-begin": {
        "bay_1": "1",
        "source_1": "{drive}",
        "although_refused": "the customer wants it",
        "although_harmful": "the customer wants it",
        "customer_asked": "yes",
    },
    "drive-facts": {"source": "{drive}"},
    "drive-compare": {"source": "{drive}"},
    "drive-blend": {"images": "{image}"},
    "hand-back-make": {"folder": "{new}"},
}
"""By the name of an address or of a field that must say something, what a person would type that no page can
foresee."""
BESIDE = {"case": str(READ), "bay": "1"}
ANSWERS = {
    "format": "take-in answers",
    "version": 1,
    "case": None,
    "answers": [{"question": "story", "bay": None, "answer": "it fell <b>"}],
}
FILES = (
    ("front.png", as_file(Image.effect_noise((40, 40), 90), "PNG")),
    ("list.csv", b"part,board,price\nboard,TB-4471-200,38.00\n"),
    ("read.bin", b"ROM".ljust(64 << 10, b"\xff")),
    ("<b>\n.pdf", b"%PDF-1.4\n"),
    ("answers.json", json.dumps(ANSWERS).encode()),
)


@pytest.fixture(scope="module")
def lively() -> Lively:
    return lively_offers()


@pytest.fixture(scope="module")
def looked_at(lively: Lively) -> Iterator[Web]:
    """The home itself, for pages alone: they change nothing."""
    with web_on(lively.home) as web:
        yield web


@pytest.fixture
def web(
    request: pytest.FixtureRequest, lively: Lively, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Web]:
    """A home for one address. Long jobs are ordered, and broken off before they begin."""
    monkeypatch.setenv("MENDBAY_WHO", "Kim")
    name = request.getfixturevalue("name")
    with orders_that_live() as order_living:
        for module in (case_works, picture_reading):
            lives = AFTER.get(name, ("", BROKEN_OFF))[1]
            monkeypatch.setattr(module, "start_work", order_living if lives else order_alone)
        if BOOK.addresses[name].method == "GET" and not {name} & {*AFTER, *BROUGHT}:
            yield request.getfixturevalue("looked_at")
            return
        shutil.copytree(lively.home, tmp_path / "home")
        with web_on(tmp_path / "home") as found:
            yield found


@pytest.mark.parametrize("name", list(BOOK.addresses))
def test_what_pages_offer_does_its_work_whatever_stands_in_the_fields(
    web: Web, lively: Lively, name: str
) -> None:
    address = BOOK.addresses[name]
    client = TestClient(web.client.app, base_url=ORIGIN, raise_server_exceptions=False)
    ways = lively.offered[name]
    if name in AFTER and not ways:
        ways = _after(client, lively, name)
    elif name in BROUGHT:
        ways = BROUGHT[name](web, name)
    assert ways or not {name} & {*AFTER, *BROUGHT}, "no page offers it"
    ways = ways or [_put_together(lively, address)]
    answers: Counter[int] = Counter()
    if name == "check-custody-log":
        kept = client.get(f"/case/{READ}/record/custody").content
        answers[_asked(client, address, ways[0].path, {}, ("custody.jsonl", kept))] += 1
    sent = FILES if any(one.kind is FieldKind.FILES for one in address.fields) else FILES[:1]
    for one, file in product(ways[:4], sent):
        answers[_asked(client, address, one.path, _filled(lively, address, one), file)] += 1
    free = [
        one.name for one in address.fields if one.kind is not FieldKind.FILES and one.name not in NOT_HERE
    ]
    schema = schemathesis.openapi.from_dict(DOCUMENT)
    operation = schema[_described(address)][address.method.lower()]

    @settings(
        max_examples=EXAMPLES,
        deadline=None,
        derandomize=True,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(
        st.sampled_from(ways),
        operation.as_strategy(generation_mode=GenerationMode.POSITIVE),
        st.dictionaries(st.sampled_from(free or ["-"]), st.none() | st.sampled_from(HOSTILE), max_size=3),
        st.sampled_from(FILES),
    )
    def ask(
        way: Offered, made: schemathesis.Case, other: dict[str, str | None], sent: tuple[str, bytes]
    ) -> None:
        said = _filled(lively, address, way)
        drawn = made.query if address.method == "GET" else made.body
        for each, hostile in other.items():
            if each not in free:
                continue
            if hostile is not None:
                said[each] = [hostile]
            elif isinstance(drawn, dict) and each in drawn:
                value = drawn[each]
                said[each] = [str(one) for one in value] if isinstance(value, list) else [str(value)]
        answers[_asked(client, address, way.path, said, sent)] += 1

    ask()
    if name in OUT_OF_REACH:
        return  # nothing to be about: no fault is all that can be asked for
    assert any(one not in REFUSALS for one in answers), answers


def _after(client: TestClient, lively: Lively, name: str) -> list[Offered]:
    """What is offered once the other address was asked that `AFTER` names."""
    first = BOOK.addresses[AFTER[name][0]]
    ways = lively.offered[first.name] or [_put_together(lively, first)]
    takes = any(one.kind is FieldKind.FILES for one in first.fields)
    for way, file in product(ways, FILES if takes else FILES[:1]):
        files = [(one.name, file) for one in first.fields if one.kind is FieldKind.FILES]
        answer = client.post(
            way.path,
            data=_filled(lively, first, way),
            files=files or None,
            headers={"origin": ORIGIN},
            follow_redirects=False,
        )
        where = answer.headers.get("location", way.on)
        page = client.get(where) if answer.status_code == 303 else answer
        if ways := offered_on(page.text, where, BOOK, name):
            return ways
    return []


def _asked(
    client: TestClient, address: Address, path: str, said: Mapping[str, list[str]], sent: tuple[str, bytes]
) -> int:
    """The status of the answer, which its description foresees and in which nothing hostile is alive."""
    pairs = [(one, value) for one, values in said.items() for value in values]
    if address.method == "GET":
        answer = client.get(path, params=pairs, follow_redirects=False)
    else:
        files = [(one.name, (sent[0], sent[1])) for one in address.fields if one.kind is FieldKind.FILES]
        answer = client.post(
            path, data=dict(said), files=files or None, headers={"origin": ORIGIN}, follow_redirects=False
        )
    foreseen = DOCUMENT["paths"][_described(address)][address.method.lower()]["responses"]
    status = answer.status_code
    assert str(status) in foreseen, (status, path, pairs, answer.text[:500])
    require_harmless_answer(answer)
    if status == 303:
        there = client.get(answer.headers["location"], follow_redirects=False)
        assert there.status_code < 400 or there.status_code in (404, 410), (answer.headers["location"], pairs)
        require_harmless_answer(there)
    return status


def _described(address: Address) -> str:
    return re.sub(r":int\}", "}", address.path)


def _typed(lively: Lively, path: str, name: str) -> dict[str, str]:
    case = re.match(r"/case/([0-9]+)", path)
    drive = lively.home.parent / "drive.toml"
    facts = {
        "case": case[1] if case else "",
        "drive": f"unsteady:{drive}",
        "image": drive.with_suffix(".img"),
        "new": lively.home.parent / "given-back",
        "key": bench_key(lively.home),
    }
    return {each: value.format(**facts) for each, value in TYPED.get(name, {}).items()}


def _put_together(lively: Lively, address: Address) -> Offered:
    """A request of an address that no page offers as things are, of what others say."""
    parts = {
        name: BESIDE.get(name) or next(iter(lively.parts.get(name, [])), "1" if whole else "word")
        for name, whole in address.parts()
    }
    return Offered(address.url(parts, {}))


def _filled(lively: Lively, address: Address, way: Offered) -> dict[str, list[str]]:
    """What a form says by itself, and in fields that must say something and do not, what other forms say
    there, or a plain word."""
    said: dict[str, list[str]] = {}
    for name, value in way.said:
        said.setdefault(name, []).append(value)
    known = {one.name: one for one in address.fields}
    said = {name: values for name, values in said.items() if name in known or name == SEEN}
    for name, one in known.items():
        if name in NOT_HERE:
            said[name] = [""]
        elif one.required and one.kind is not FieldKind.FILES and not any(said.get(name, [])):
            said[name] = [_typed(lively, way.path, name).get(name) or _word(lively, one)]
    own = _typed(lively, way.path, address.name)
    return said | {one: [value] for one, value in own.items()}


def _word(lively: Lively, one: Field) -> str:
    return plain(one) if one.choices or one.name not in lively.words else lively.words[one.name][0]


def test_what_is_out_of_reach_is_named_rightly() -> None:
    assert BOOK.addresses.keys() >= OUT_OF_REACH.keys()
    assert len(OUT_OF_REACH) < len(BOOK.addresses) / 50
