"""The text form: comes back the same, and refuses what breaks its rules."""

from __future__ import annotations

import base64
import json
import re
import zlib
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from mendbay.board.rules.algorithm import Algorithm, Kind, Order
from mendbay.board.rules.family import Family, Revision
from mendbay.board.rules.mirrors import Copy
from mendbay.board.rules.rule import Hole, Length, Rule
from mendbay.core.errors import BadFormFile

CRC = Algorithm(Kind.CRC, 32, polynomial=0x04C11DB7, initial=0xFFFFFFFF, reflected=True)
CRC24 = Algorithm(Kind.CRC, 24, polynomial=0x864CFB)
ONES = Algorithm(Kind.ONES, 16, 2, final=0xFFFF)
FAMILY = Family(
    1024,
    (
        Revision(3, bytes(range(256)) * 4, ((16, 32), (40, 44)), (Copy(0, 256, 64),)),
        Revision(1, bytes(1024), (), ()),
    ),
    (
        Rule(CRC, 0, 100, 100, Order.LITTLE, evidence=31.5, dumps=3, distinct=2, revisions=(0, 1)),
        Rule(Algorithm(Kind.SUM, 16, 2), 128, 256, 130, Order.BIG, Hole.ZEROS),
        Rule(Algorithm(Kind.XOR, 8), 300, 400, 400, Order.LITTLE),
        Rule(CRC24, 400, 500, 500, Order.BIG, length=Length(510, 32, Order.SWAPPED_BIG, 12, 400)),
        Rule(ONES, 600, 700, 710, Order.LITTLE),
    ),
    tuple(f"{number:064x}" for number in range(4)),
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


def first(body: dict[str, Any]) -> dict[str, Any]:
    return body["revisions"][0]  # type: ignore[no-any-return]


def rule(body: dict[str, Any], number: int = 0) -> dict[str, Any]:
    return body["rules"][number]  # type: ignore[no-any-return]


def algorithm(body: dict[str, Any], number: int = 0) -> dict[str, Any]:
    return rule(body, number)["algorithm"]  # type: ignore[no-any-return]


WRONG: dict[str, tuple[Callable[[dict[str, Any]], object], str]] = {
    "other form": (lambda body: body.update(form="list"), "is not one of Mendbay's"),
    "newer version": (lambda body: body.update(version=3), "not of a version from 1 to 2"),
    "version true": (lambda body: body.update(version=True), "not of a version from 1 to 2"),
    "size as text": (lambda body: body.update(size="1024"), "size outside 64 to"),
    "size true": (lambda body: body.update(size=True), "size outside 64 to"),
    "huge size": (lambda body: body.update(size=1 << 40), "size outside 64 to"),
    "other size": (lambda body: body.update(size=2048), "shared bytes that are not 2048"),
    "no revision": (lambda body: body.update(revisions=[]), "has no revision"),
    "many large revisions": (
        lambda body: body.update(size=16 << 20, revisions=[first(body)] * 5),
        "revisions of more than 67108864 bytes together",
    ),
    "unknown key": (lambda body: body.update(more=1), "unknown key 'more'"),
    "missing key": (lambda body: body.pop("rules"), "has no 'rules'"),
    "no digests": (lambda body: body.pop("learned_from"), "has no 'learned_from'"),
    "too few digests": (lambda body: body["learned_from"].pop(), "as many dumps as its revisions say"),
    "a digest twice": (lambda body: body.update(learned_from=["0" * 64] * 4), "the same dump twice"),
    "a digest in capitals": (lambda body: body.update(learned_from=["A" * 64]), "is no SHA-256"),
    "a digest as number": (lambda body: body.update(learned_from=[1]), "is no SHA-256"),
    "no dumps": (lambda body: first(body).update(dumps=0), "dumps outside 1 to"),
    "crossed ranges": (lambda body: first(body).update(per_drive=[[32, 16]]), "per_drive that do not rise"),
    "falling ranges": (
        lambda body: first(body).update(per_drive=[[40, 44], [16, 32]]),
        "per_drive that do not rise",
    ),
    "range outside": (lambda body: first(body).update(per_drive=[[1000, 1025]]), "or leave the dump"),
    "range of text": (lambda body: first(body).update(per_drive=[["1", "2"]]), "rows of 2 whole numbers"),
    "erased ranges": (lambda body: first(body).update(erased=[]), "unknown key 'erased'"),
    "copy over itself": (lambda body: first(body).update(copies=[[0, 10, 64]]), "copies that overlap"),
    "too many copies": (
        lambda body: first(body).update(copies=[[0, 256, 64]] * 257),
        "copies that is no list of at most 256",
    ),
    "shared not packed": (lambda body: first(body).update(shared="AAAA"), "cannot be unpacked"),
    "shared not base64": (lambda body: first(body).update(shared="?"), "cannot be unpacked"),
    "shared too long": (
        lambda body: first(body).update(shared=packed(bytes(50_000_000))),
        "shared bytes that are not 1024",
    ),
    "shared too short": (lambda body: first(body).update(shared=packed(b"x")), "bytes that are not 1024"),
    "rule is text": (lambda body: body.update(rules=["x"]), "rule 0 is not an object"),
    "region outside": (lambda body: rule(body).update(end=1025), "end outside 1 to 1024"),
    "empty region": (lambda body: rule(body).update(end=0), "end outside 1 to 1024"),
    "regions too long together": (
        lambda body: body.update(rules=[{**rule(body), "start": 0, "end": 1020, "place": 1020}] * 65),
        "together longer than 64 dumps",
    ),
    "place outside": (lambda body: rule(body).update(place=1021), "place outside 0 to 1020"),
    "no place": (lambda body: rule(body).update(place=None), "place outside 0 to 1020"),
    "place inside without hole": (lambda body: rule(body).update(place=50), "neither outside nor in a hole"),
    "hole outside": (lambda body: rule(body, 1).update(place=300), "neither outside nor in a hole"),
    "unknown order": (lambda body: rule(body).update(order="middle"), "unknown order 'middle'"),
    "order of swapped pairs for 24 bits": (
        lambda body: rule(body, 3).update(order="little, byte pairs swapped"),
        "only values of 32 bits have, and is of 24",
    ),
    "order of swapped pairs for a length of 16 bits": (
        lambda body: rule(body, 3)["length"].update(width=16),
        "only values of 32 bits have, and is of 16",
    ),
    "no length": (lambda body: rule(body).pop("length"), "has no 'length'"),
    "length of a hole": (
        lambda body: rule(body, 1).update(length=rule(body, 3)["length"]),
        "does not lie apart from the region",
    ),
    "unknown kind": (lambda body: algorithm(body).update(kind="hash"), "unknown kind 'hash'"),
    "even polynomial": (lambda body: algorithm(body).update(polynomial=2), "a polynomial that its kind"),
    "polynomial too wide": (
        lambda body: algorithm(body).update(polynomial=1 << 32 | 1),
        "polynomial outside 0 to",
    ),
    "width of 24 for a sum": (lambda body: algorithm(body, 1).update(width=24), "a width that its kind"),
    "width of 12": (lambda body: algorithm(body, 1).update(width=12), "a width that its kind"),
    "ones' complement of 32": (lambda body: algorithm(body, 4).update(width=32), "a width that its kind"),
    "ones' complement of bytes": (lambda body: algorithm(body, 4).update(word=1), "a word that its kind"),
    "word of 3": (lambda body: algorithm(body, 1).update(word=3), "a word that its kind"),
    "sum with modulus": (lambda body: algorithm(body, 1).update(modulus=255), "a modulus that its kind"),
    "swap of 3": (lambda body: algorithm(body).update(swap=3), "a swap that its kind"),
    "revision that is not there": (lambda body: rule(body).update(revisions=[2]), "names revisions that"),
    "revision twice": (lambda body: rule(body).update(revisions=[0, 0]), "or one twice"),
    "evidence as text": (lambda body: rule(body).update(evidence="much"), "evidence that is no number"),
    "evidence without end": (lambda body: rule(body).update(evidence=float("inf")), "Infinity is no number"),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_files_are_refused(name: str) -> None:
    change, words = WRONG[name]
    with pytest.raises(BadFormFile, match=re.escape(words)):
        Family.from_json(changed(change))


def as_version_1(body: dict[str, Any]) -> None:
    body["version"] = 1
    del body["learned_from"]
    for one in body["revisions"]:
        one["erased"] = [[16, 32], [32, 4096]]  # as the first version wrote FF beside 00
    for one in body["rules"]:
        one["expected"] = 0
        if one["length"] is None:
            del one["length"]


def test_a_file_of_version_1_is_read_without_the_dumps_it_rests_on() -> None:
    assert Family.from_json(changed(as_version_1)) == replace(FAMILY, learned_from=())


@pytest.mark.parametrize("missing", ["erased", "shared"])
def test_a_file_of_version_1_is_read_strictly_too(missing: str) -> None:
    body = json.loads(changed(as_version_1))
    del body["revisions"][0][missing]
    with pytest.raises(BadFormFile, match=f"has no '{missing}'"):
        Family.from_json(json.dumps(body))


@pytest.mark.parametrize("text", ["", "[]", "null", "{", "[" * 100_000, "\x00", '{"form": NaN}'])
def test_what_is_no_family_file_at_all(text: str) -> None:
    with pytest.raises(BadFormFile):
        Family.from_json(text)
