"""The report for machines follows its published schema, and every total is the sum of what it sums."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from mendbay.core.coverage import Coverage
from mendbay.core.source import Gap, Lack
from mendbay.core.span import Span, SpanSet
from mendbay.handback.facts import BayFacts, FileFacts, HandBack, to_json
from support.handback_sample import a_file, sample

SCHEMA = Path(__file__).parents[3] / "docs" / "handback-report.schema.json"


@pytest.fixture(scope="module")
def validator() -> jsonschema.Draft202012Validator:
    schema = json.loads(SCHEMA.read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


@pytest.fixture
def report() -> dict[str, Any]:
    return to_json(sample())


def test_the_report_follows_its_schema(
    validator: jsonschema.Draft202012Validator, report: dict[str, Any]
) -> None:
    validator.validate(json.loads(json.dumps(report)))


def test_a_case_of_which_little_is_known_follows_it_too(validator: jsonschema.Draft202012Validator) -> None:
    validator.validate(to_json(HandBack("1", "", "", "", "", "", "", (), ())))


def test_the_schema_leaves_no_field_open(
    validator: jsonschema.Draft202012Validator, report: dict[str, Any]
) -> None:
    """Each field taken away, and each object given one more, is noticed: the schema describes all of it."""
    for where in _objects(report):
        for name in list(where):
            kept = where.pop(name)
            assert not validator.is_valid(report), f"{name} may be missing"
            where[name] = kept
        where["surplus"] = 1
        assert not validator.is_valid(report), f"a surplus field beside {sorted(where)} goes through"
        del where["surplus"]
    validator.validate(report)


def _objects(value: Any) -> list[dict[str, Any]]:
    """One of each shape of object in the report."""
    found: dict[tuple[str, ...], dict[str, Any]] = {}
    waiting = [value]
    while waiting:
        one = waiting.pop()
        if isinstance(one, dict):
            found.setdefault(tuple(sorted(one)), one)
            waiting.extend(one.values())
        elif isinstance(one, list):
            waiting.extend(one)
    return list(found.values())


def test_totals_are_the_sums_of_the_files(report: dict[str, Any]) -> None:
    for word in ("whole", "unproven", "holed", "lost"):
        mine = [one for one in report["files"] if one["verdict"] == word]
        assert report["totals"][word]["files"] == len(mine) > 0
        assert report["totals"][word]["size_bytes"] == sum(one["size_bytes"] for one in mine)
    assert report["totals"]["all"]["files"] == len(report["files"])
    assert report["totals"]["holed"]["missing_bytes"] == 4096 + 32768
    assert report["totals"]["copied"]["files"] == len(report["files"]) - 1


def test_the_conditions_of_a_drive_add_up_to_its_size(report: dict[str, Any]) -> None:
    for bay in report["bays"]:
        assert sum(bay["bytes_by_condition"].values()) == bay["size_bytes"]
        not_read = sum(one["stop"] - one["start"] for one in bay["not_read"])
        assert bay["bytes_by_condition"]["read"] + not_read == bay["size_bytes"]


def test_what_is_left_to_the_other_half_counts_as_nothing_else(
    validator: jsonschema.Draft202012Validator,
) -> None:
    size = 100 * 512
    read = SpanSet([Span(0, 40 * 512)])
    starts = np.array([50 * 512, 90 * 512], dtype=np.int64)
    coverage = Coverage(size, 512, read, starts, np.array([1, 2]))
    left = SpanSet([Span(45 * 512, 50 * 512), Span(60 * 512, 70 * 512)])
    bay = BayFacts("1", "", "", coverage, left=left)
    report = to_json(replace(sample(), bays=(bay,)))
    validator.validate(report)
    found = report["bays"][0]
    assert found["bytes_by_condition"] == {
        "read": 40 * 512,
        "refused": 2 * 512,
        "unread": 43 * 512,
        "waived": 0,
        "left_to_other_half": 15 * 512,
    }
    assert sum(found["bytes_by_condition"].values()) == size
    not_read = SpanSet(Span(one["start"], one["stop"]) for one in found["not_read"])
    assert not_read == SpanSet([Span(0, size)]) - read - left
    assert [(one["start"] // 512, one["condition"], one["tries"]) for one in found["not_read"]] == [
        (40, "unread", 0),
        (50, "refused", 1),
        (51, "unread", 0),
        (70, "unread", 0),
        (90, "refused", 2),
        (91, "unread", 0),
    ]


def test_a_renamed_file_carries_its_raw_name_and_others_do_not(report: dict[str, Any]) -> None:
    by_path = {one["path"]: one for one in report["files"]}
    renamed = by_path["data/Glaze photographs/T=E9st tile 14.jpg"]
    assert bytes.fromhex(renamed["raw_path_hex"]) == b"Glaze photographs/T\xe9st tile 14.jpg"
    assert by_path["data/Kiln log/kiln-log-2026.xlsx"]["raw_path_hex"] is None
    assert bytes.fromhex(by_path[None]["raw_path_hex"]) == b"Glaze photographs/tenmoku-vase.jpg"


def test_a_drive_not_read_to_the_end_has_no_digest(report: dict[str, Any]) -> None:
    assert report["bays"][0]["image_sha256"] is not None
    assert report["bays"][1]["image_sha256"] is None


def test_overlapping_gaps_are_counted_once() -> None:
    one = a_file("x", 100, "holed", gaps=(Gap(Span(0, 60), Lack.REFUSED), Gap(Span(40, 80), Lack.UNREAD)))
    assert one.missing_bytes == 80


def test_an_unknown_verdict_is_refused() -> None:
    with pytest.raises(ValueError, match="fine"):
        FileFacts("data/x", b"x", 1, "fine")
