"""The text form: comes back the same, and refuses what breaks its rules."""

from __future__ import annotations

import base64
import json
import zlib
from collections.abc import Callable
from typing import Any

import pytest

from mendbay.board.rules.algorithm import Algorithm, Kind, Order
from mendbay.board.rules.family import Family, Revision
from mendbay.board.rules.mirrors import Copy
from mendbay.board.rules.rule import Hole, Rule
from mendbay.core.errors import BadFormFile

CRC = Algorithm(Kind.CRC, 32, polynomial=0x04C11DB7, initial=0xFFFFFFFF, reflected=True)
FAMILY = Family(
    1024,
    (
        Revision(3, bytes(range(256)) * 4, ((16, 32), (40, 44)), ((512, 640),), (Copy(0, 256, 64),)),
        Revision(1, bytes(1024), (), (), ()),
    ),
    (
        Rule(CRC, 0, 100, 100, Order.LITTLE, evidence=31.5, dumps=3, distinct=2, revisions=(0, 1)),
        Rule(Algorithm(Kind.SUM, 16, 2), 128, 256, 130, Order.BIG, Hole.ZEROS),
        Rule(Algorithm(Kind.XOR, 8), 300, 400, None, Order.LITTLE, expected=7),
    ),
)


def test_comes_back_the_same() -> None:
    text = FAMILY.to_json()
    assert text.endswith("\n")
    assert Family.from_json(text) == FAMILY
    assert Family.from_json(text).to_json() == text


def changed(change: Callable[[dict[str, Any]], object]) -> str:
    body = json.loads(FAMILY.to_json())
    change(body)
    return json.dumps(body)


def packed(data: bytes) -> str:
    return base64.b64encode(zlib.compress(data)).decode()


WRONG: dict[str, Callable[[dict[str, Any]], object]] = {
    "other form": lambda body: body.update(form="list"),
    "newer version": lambda body: body.update(version=2),
    "size as text": lambda body: body.update(size="1024"),
    "size true": lambda body: body.update(size=True),
    "huge size": lambda body: body.update(size=1 << 40),
    "other size": lambda body: body.update(size=2048),
    "no revision": lambda body: body.update(revisions=[]),
    "unknown key": lambda body: body.update(more=1),
    "missing key": lambda body: body.pop("rules"),
    "no dumps": lambda body: body["revisions"][0].update(dumps=0),
    "crossed ranges": lambda body: body["revisions"][0].update(per_drive=[[32, 16]]),
    "falling ranges": lambda body: body["revisions"][0].update(per_drive=[[40, 44], [16, 32]]),
    "range outside": lambda body: body["revisions"][0].update(erased=[[1000, 1025]]),
    "range of text": lambda body: body["revisions"][0].update(erased=[["1", "2"]]),
    "copy over itself": lambda body: body["revisions"][0].update(copies=[[0, 10, 64]]),
    "shared not packed": lambda body: body["revisions"][0].update(shared="AAAA"),
    "shared not base64": lambda body: body["revisions"][0].update(shared="?"),
    "shared too long": lambda body: body["revisions"][0].update(shared=packed(bytes(50_000_000))),
    "shared too short": lambda body: body["revisions"][0].update(shared=packed(b"x")),
    "rule is text": lambda body: body.update(rules=["x"]),
    "region outside": lambda body: body["rules"][0].update(end=1025),
    "empty region": lambda body: body["rules"][0].update(end=0),
    "place outside": lambda body: body["rules"][0].update(place=1021),
    "place inside without hole": lambda body: body["rules"][0].update(place=50),
    "hole outside": lambda body: body["rules"][1].update(place=300),
    "unknown order": lambda body: body["rules"][0].update(order="middle"),
    "unknown kind": lambda body: body["rules"][0]["algorithm"].update(kind="hash"),
    "even polynomial": lambda body: body["rules"][0]["algorithm"].update(polynomial=2),
    "polynomial too wide": lambda body: body["rules"][0]["algorithm"].update(polynomial=1 << 32 | 1),
    "width of 24": lambda body: body["rules"][0]["algorithm"].update(width=24),
    "word of 3": lambda body: body["rules"][1]["algorithm"].update(word=3),
    "sum with modulus": lambda body: body["rules"][1]["algorithm"].update(modulus=255),
    "swap of 3": lambda body: body["rules"][0]["algorithm"].update(swap=3),
    "revision that is not there": lambda body: body["rules"][0].update(revisions=[2]),
    "revision twice": lambda body: body["rules"][0].update(revisions=[0, 0]),
    "evidence as text": lambda body: body["rules"][0].update(evidence="much"),
    "evidence without end": lambda body: body["rules"][0].update(evidence=float("inf")),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_files_are_refused(name: str) -> None:
    with pytest.raises(BadFormFile):
        Family.from_json(changed(WRONG[name]))


@pytest.mark.parametrize("text", ["", "[]", "null", "{", "[" * 100_000, "\x00", '{"form": NaN}'])
def test_what_is_no_family_file_at_all(text: str) -> None:
    with pytest.raises(BadFormFile):
        Family.from_json(text)
