from __future__ import annotations

import sqlite3
from pathlib import Path

from mendbay.jobs.remembered_port import case_of, key_of
from mendbay.outlets.remembered_file import LIMIT_BYTES, RememberedFile


def test_what_is_kept_comes_back_and_whatever_is_wrong_is_nothing(tmp_path: Path) -> None:
    file = RememberedFile(tmp_path / "worked-out.sqlite3")
    assert file.recall() == file.some(["a"]) == {}
    assert list(tmp_path.iterdir()) == [], "nothing is made by asking"
    file.keep({"a": {"b": 1.5}})
    assert RememberedFile(tmp_path / "worked-out.sqlite3").recall() == {"a": {"b": 1.5}}
    assert [one.name for one in tmp_path.iterdir()] == ["worked-out.sqlite3"]
    assert (tmp_path / "worked-out.sqlite3").stat().st_mode & 0o777 == 0o600
    for damage in (b"", b"[1]", b"\xff" * 5000, b"SQLite format 3\0" + b"\7" * 5000):
        (tmp_path / "worked-out.sqlite3").write_bytes(damage)
        assert file.recall() == file.some(["a"]) == {}
        file.add({"c": 1})
        assert file.recall() == {"c": 1}, "it is made anew"
    RememberedFile(tmp_path / "none" / "worked-out.sqlite3").keep({"a": 1})
    assert not (tmp_path / "none").exists()


def test_one_is_added_to_the_others_and_found_alone(tmp_path: Path) -> None:
    file = RememberedFile(tmp_path / "worked-out.sqlite3")
    file.keep({"a": 1, "b": [2], "c": "Töpferei"})
    file.add({"b": 3, "d": None})
    assert file.recall() == {"a": 1, "b": 3, "c": "Töpferei"}
    assert file.some(["b", "x", "c"]) == {"b": 3, "c": "Töpferei"}
    file.keep({"e": 5})
    assert file.recall() == {"e": 5}


def test_a_result_that_cannot_be_read_is_left_out(tmp_path: Path) -> None:
    file = RememberedFile(tmp_path / "worked-out.sqlite3")
    file.keep({"a": 1})
    plain = sqlite3.connect(tmp_path / "worked-out.sqlite3")
    for key, text in (("b", "{"), ("c", "[" * 100_000), ("d", " " * LIMIT_BYTES + "1")):
        plain.execute("INSERT INTO results VALUES (?, ?)", (key, text))
    plain.commit()
    plain.close()
    assert file.recall() == {"a": 1}


def test_the_file_of_an_earlier_form_goes_with_the_first_result(tmp_path: Path) -> None:
    earlier = tmp_path / "worked-out.json"
    earlier.write_text("{}")
    file = RememberedFile(tmp_path / "worked-out.sqlite3", earlier)
    file.recall()
    assert earlier.exists()
    file.add({"a": 1})
    assert not earlier.exists()


def test_while_another_writes_it_is_read_and_nothing_is_lost(tmp_path: Path) -> None:
    file = RememberedFile(tmp_path / "worked-out.sqlite3")
    file.keep({"a": 1})
    other = sqlite3.connect(tmp_path / "worked-out.sqlite3", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    other.execute("DELETE FROM results")
    assert file.recall() == {"a": 1}
    file.add({"b": 2})  # not remembered: the other one holds the file
    other.execute("ROLLBACK")
    other.close()
    assert file.recall() == {"a": 1}


def test_of_a_case_the_newest_is_remembered_and_once_it_is_forgotten_nothing(tmp_path: Path) -> None:
    place = tmp_path / "worked-out.sqlite3"
    file = RememberedFile(place)
    file.keep({"a" * 64: "Vanished before", "money": 1})
    file.add({key_of(7, "x"): "Fern's drive"}, 7)
    file.add({key_of(70, "x"): "Moss"}, 70)
    file.add({key_of(7, "y"): "Rowan's drive"}, 7)
    assert file.recall().keys() == {"a" * 64, "money", "7:y", "70:x"}
    assert b"Fern" not in place.read_bytes()
    file.forget(7)
    assert file.recall() == {"money": 1, "70:x": "Moss"}
    assert not [word for word in (b"Rowan", b"Fern", b"Vanished") if word in place.read_bytes()]
    assert [case_of(one) for one in ("70:x", "money", ":", "x:1")] == [70, 0, 0, 0]


class Ledger:
    """One that says it was as it is now, and as the marks it is told."""

    def __init__(self, *marks: str) -> None:
        self.marks = list(marks)

    def mark(self) -> str:
        return self.marks[-1]

    def went_through(self, mark: str) -> bool:
        return mark in self.marks


def test_what_was_made_of_another_ledger_is_nothing(tmp_path: Path) -> None:
    place = tmp_path / "worked-out.sqlite3"
    before = Ledger("1", "2")
    RememberedFile(place).keep({"unsaid": 1})
    assert RememberedFile(place, made_of=before).recall() == {}, "it does not say what it is made of"
    RememberedFile(place, made_of=before).add({"a": 1})
    assert RememberedFile(place, made_of=before).recall() == {"a": 1}
    before.marks.append("3")
    assert RememberedFile(place, made_of=before).some(["a"]) == {"a": 1}, (
        "what was done since changes nothing"
    )
    backup = Ledger("1")
    found = RememberedFile(place, made_of=backup)
    assert found.recall() == found.some(["a"]) == {}
    found.add({"b": 2})
    assert found.recall() == {"b": 2}
    assert RememberedFile(place, made_of=before).recall() == {"b": 2}, "it is as the backup was"


def test_what_was_worked_out_while_the_ledger_was_replaced_is_not_remembered(tmp_path: Path) -> None:
    ledger = Ledger("1", "2")
    file = RememberedFile(tmp_path / "worked-out.sqlite3", made_of=ledger)
    assert file.some(["a"]) == {}
    ledger.marks = ["1", "other"]
    file.add({"a": 1})
    assert RememberedFile(tmp_path / "worked-out.sqlite3", made_of=ledger).recall() == {}


def test_what_cannot_forget_goes_whole(tmp_path: Path) -> None:
    place = tmp_path / "worked-out.sqlite3"
    RememberedFile(place).forget(7)
    assert not place.exists()
    place.write_bytes(b"Fern" * 2000)
    RememberedFile(place).forget(7)
    assert not place.exists()
