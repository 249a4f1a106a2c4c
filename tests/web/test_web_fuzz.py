"""The whole interface asked by a fuzzer that knows only its description (schemathesis, a general-purpose
tool for interfaces described by OpenAPI), and an injection corpus through every field."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis.checks import not_a_server_error
from schemathesis.generation import GenerationMode
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    status_code_conformance,
)

from mendbay.faces.web.addresses import Address
from mendbay.faces.web.app import book_of_all
from mendbay.faces.web.description import description_of
from mendbay.faces.web.fields import Field, FieldKind
from support.harmless import plain, require_harmless_answer
from support.web_client import HOST, ORIGIN, Web, web_on

BOOK = book_of_all()
EXAMPLES = 8
"""What is asked of every address: an answer that its description foresees, and never a fault of the
server."""
CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_headers_conformance]
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
def described(shop: Web) -> schemathesis.BaseSchema:
    """The interface as the fuzzer sees it."""
    schema = schemathesis.openapi.from_dict(_document())
    schema.app = shop.client.app
    return schema


@pytest.mark.slow
@pytest.mark.parametrize("name", list(BOOK.addresses))
@pytest.mark.parametrize("mode", list(GenerationMode), ids=lambda one: one.value)
def test_no_request_that_fits_the_description_or_breaks_it_is_a_fault(
    described: schemathesis.BaseSchema, shop: Web, name: str, mode: GenerationMode
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
    @given(operation.as_strategy(generation_mode=mode))
    def asked(case: schemathesis.Case) -> None:
        answer = case.call(headers={"origin": ORIGIN, "host": HOST}, base_url=ORIGIN)
        case.validate_response(answer, checks=CHECKS)

    try:
        asked()
    except Unsatisfiable:
        assert mode is GenerationMode.NEGATIVE  # an address that can be asked in one way alone


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
