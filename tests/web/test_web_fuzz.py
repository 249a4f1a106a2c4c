"""The whole interface asked by a fuzzer that knows only its description (schemathesis, a general-purpose
tool for interfaces described by OpenAPI), and an injection corpus through every field."""

from __future__ import annotations

import re
import shutil
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from hypothesis.errors import Unsatisfiable
from schemathesis.checks import not_a_server_error
from schemathesis.generation import GenerationMode
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    status_code_conformance,
)

from mendbay.faces.web import case_works, picture_reading
from mendbay.faces.web.addresses import Address
from mendbay.faces.web.description import description_of
from mendbay.faces.web.fields import Field, FieldKind
from support.harmless import plain, require_harmless_answer
from support.lively_offers import BOOK, NOT_HERE, REFUSALS, Lively, lively_offers, order_alone, parts_of
from support.page_forms import Offered
from support.web_client import HOST, ORIGIN, Web, web_on

EXAMPLES = 8
HERE = 0.8
"""How often a request is of what is there."""
ENOUGH = 200
"""Requests of which a share can be told."""
CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_headers_conformance]
"""What is asked of every address: an answer that its description foresees, and never a fault of the
server."""
HOSTILE = (
    "<script>alert(1)</script>",
    "\"'><img src=x onerror=alert(1)>",
    "{{7*7}}{% raw %}${7*7}#{7*7}",
    "'; DROP TABLE cases; --",
    "../../../../etc/passwd",
    "%2e%2e%2f%00",
    "$(touch owned)`touch owned`|touch owned",
    "\u202egnp.exe\u2066",
    "=cmd|' /C calc'!A0",
    "\r\nSet-Cookie: owned=1\r\n\r\n<b>",
    "javascript:alert(1)",
    "A" * 9_999,
    "𝕏\u0000\ufffe",
    "-1",
    "1e309",
    "NaN",
)
"""An injection corpus: scripts, templates, SQL, paths, shells, headers, formulas, directions of writing,
sizes (common practice, no source)."""


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Web]:
    """A home with a case and two bays in it, so that most addresses lead somewhere."""
    with web_on(tmp_path_factory.mktemp("fuzz") / "home") as web:
        web.post("/cases/open", {"customer": "Ada"})
        yield web


def _document() -> dict[str, object]:
    return description_of(BOOK)


def test_the_description_is_served_and_names_every_address(shop: Web) -> None:
    served = shop.client.get("/api.json").json()
    assert served == _document()
    asked = {(method.upper(), path) for path, ways in served["paths"].items() for method in ways}
    assert asked == {(one.method, re.sub(r":int\}", "}", one.path)) for one in BOOK.addresses.values()}


@pytest.fixture(scope="module")
def lively() -> Lively:
    return lively_offers()


@pytest.fixture(scope="module")
def busy_shop(lively: Lively, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Web]:
    """A shop in the middle of its work. Long jobs are ordered, and broken off before they begin."""
    home = tmp_path_factory.mktemp("busy") / "home"
    shutil.copytree(lively.home, home)
    with pytest.MonkeyPatch.context() as patch, web_on(home) as web:
        patch.setenv("MENDBAY_WHO", "Kim")
        for module in (case_works, picture_reading):
            patch.setattr(module, "start_work", order_alone)
        yield web


@pytest.fixture(scope="module")
def described(busy_shop: Web) -> schemathesis.BaseSchema:
    """The interface as the fuzzer sees it."""
    schema = schemathesis.openapi.from_dict(_document())
    schema.app = busy_shop.client.app
    return schema


@pytest.fixture(scope="module")
def asked_for() -> Counter[tuple[str, bool]]:
    """How often a method was asked for what fits the description, and whether that got beyond what is
    looked at before the work behind an address begins."""
    return Counter()


@pytest.mark.slow
@pytest.mark.parametrize("name", list(BOOK.addresses))
@pytest.mark.parametrize("mode", list(GenerationMode), ids=lambda one: one.value)
def test_no_request_that_fits_the_description_or_breaks_it_is_a_fault(
    described: schemathesis.BaseSchema,
    lively: Lively,
    asked_for: Counter[tuple[str, bool]],
    name: str,
    mode: GenerationMode,
) -> None:
    address = BOOK.addresses[name]
    path = re.sub(r":int\}", "}", address.path)
    operation = described[path][address.method.lower()]

    @settings(
        max_examples=EXAMPLES,
        deadline=None,
        derandomize=True,
        database=None,
        phases=[Phase.explicit, Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(operation.as_strategy(generation_mode=mode), st.randoms(use_true_random=False))
    def asked(case: schemathesis.Case, chance: Random) -> None:
        _fit_in(case, address, lively, chance, words=mode is GenerationMode.POSITIVE)
        answer = case.call(headers={"origin": ORIGIN, "host": HOST}, base_url=ORIGIN)
        case.validate_response(answer, checks=CHECKS)
        if mode is GenerationMode.POSITIVE:
            asked_for[address.method, answer.status_code not in REFUSALS] += 1

    try:
        asked()
    except Unsatisfiable:
        assert mode is GenerationMode.NEGATIVE  # an address that can be asked in one way alone


def _fit_in(
    case: schemathesis.Case, address: Address, lively: Lively, chance: Random, *, words: bool
) -> None:
    """Most of the time a request is of a thing that is there: parts of its path are those of an address that
    pages offer, and so are, where words may be, the fields that name things."""
    ways = lively.offered[address.name] or [Offered("")]
    way = chance.choice(ways)
    parts = parts_of(address, way.path) or {
        name: lively.parts.get(name, ["1"])[0] for name in case.path_parameters
    }
    if parts and chance.random() < HERE:
        case.path_parameters = dict(parts)
    told = case.query if address.method == "GET" else case.body
    if not words or not isinstance(told, dict):
        return
    said = {one: [value for name, value in way.said if name == one and value] for one, _ in way.said}
    for field in address.fields:
        several = field.kind is FieldKind.SEVERAL
        there = said.get(field.name) or (lively.words.get(field.name, [])[:1] if field.required else [])
        if field.name in NOT_HERE or (not there and not field.required and chance.random() < HERE):
            told.pop(field.name, None)
        elif there and field.kind is not FieldKind.FILES and chance.random() < HERE:
            told[field.name] = there if several else there[0]


@pytest.mark.slow
@pytest.mark.parametrize(("method", "least"), [("GET", 0.6), ("POST", 0.25)])
def test_what_fits_the_description_gets_beyond_the_door_often_enough(
    asked_for: Counter[tuple[str, bool]], method: str, least: float
) -> None:
    beyond, before = asked_for[method, True], asked_for[method, False]
    if beyond + before < ENOUGH:
        pytest.skip(f"{beyond + before} requests of {method} were made in this process: too few to tell")
    assert beyond / (beyond + before) >= least


def _forms() -> list[tuple[Address, Field]]:
    return [(one, each) for one in BOOK.addresses.values() if one.method == "POST" for each in one.fields]


@pytest.mark.parametrize(("address", "field"), _forms(), ids=lambda one: one.name)
def test_nothing_hostile_gets_through_a_field(
    shop: Web, address: Address, field: Field, tmp_path: Path
) -> None:
    path = address.url({name: 1 if whole else "1" for name, whole in address.parts()}, {})
    for hostile in HOSTILE:
        said = {one.name: plain(one) for one in address.fields if one.kind is not FieldKind.FILES}
        files = [
            (one.name, (hostile.replace("\x00", "")[:80], hostile.encode("utf-8", "replace"), "image/png"))
            for one in address.fields
            if one.kind is FieldKind.FILES
        ]
        if field.kind is not FieldKind.FILES:
            said[field.name] = hostile
        answer = shop.client.post(
            path, data=said, files=files or None, headers={"origin": ORIGIN}, follow_redirects=False
        )
        assert answer.status_code < 500 or answer.status_code == 503, (path, field.name, hostile[:40])
        assert set(answer.cookies) <= {"mendbay_notice"}
        require_harmless_answer(answer)
        if answer.status_code == 303:
            location = answer.headers["location"]
            assert location.startswith("/")
            assert not location.startswith("//")
            assert "\n" not in location
            require_harmless_answer(shop.client.get(location))
    assert not list(Path.cwd().glob("owned"))
