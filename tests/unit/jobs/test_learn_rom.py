"""Learned families as the shop keeps them: what they rest on, what was there before, what cannot be used."""

from __future__ import annotations

import json
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import pytest

from mendbay.board.rules.family import LONGEST_TEXT, Family, Revision
from mendbay.board.transfer_plan import Role
from mendbay.core.errors import BadFormFile, ChangedMeanwhile, DumpUnproven, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs import learn_rom
from mendbay.jobs.bench import Bench
from mendbay.jobs.learn_rom import GoodDump, families, family_named, learn_family, unlearn_dump
from mendbay.jobs.rom_reads import keep_files
from mendbay.outlets.shop_files import LIMIT_BYTES, ShopFolder
from support.flash_bench import checked_dump

WHY = "its drive never worked"


def test_a_family_file_from_elsewhere_says_what_it_was_learned_from(
    bench: Bench, shop: ShopFolder, tmp_path: Path
) -> None:
    path = tmp_path / "good.bin"
    path.write_bytes(checked_dump(1))
    _, place = learn_family(bench, shop, "TB", [path])
    digest = sha256(checked_dump(1)).hexdigest()
    place.rename(place.with_name("other.json"))
    (other,) = families(bench, shop)[0]
    assert other.dumps == (GoodDump(digest[:8], digest),), "its name is known of another family only"
    unlearn_dump(bench, shop, "other", digest[:8], WHY)
    with pytest.raises(UsageError, match=WHY):
        family_named(bench, shop, "other")


def test_a_file_that_does_not_say_what_it_rests_on_is_used_only_if_nothing_was_noted(
    bench: Bench, shop: ShopFolder, tmp_path: Path
) -> None:
    """As of the first version: a withdrawal that cannot be looked up must not be passed over."""
    path = tmp_path / "good.bin"
    path.write_bytes(checked_dump(1))
    learned, _ = learn_family(bench, shop, "TB", [path])
    old = replace(learned.family, learned_from=())
    shop.keep("families", "TB", old.to_json())
    with pytest.raises(BadFormFile, match="cannot be told"):
        family_named(bench, shop, "TB")
    with pytest.raises(BadFormFile, match="cannot be told"):
        unlearn_dump(bench, shop, "TB", "good.bin", WHY)
    assert [one.name for one in families(bench, shop)[1]] == ["TB"]
    shop.keep("families", "other", old.to_json())
    assert family_named(bench, shop, "other") == old
    with pytest.raises(UsageError, match="Neither its file nor the ledger says"):
        unlearn_dump(bench, shop, "other", "good.bin", WHY)
    text = old.to_json()
    body = {"file": sha256(text.encode()).hexdigest(), "dumps": [{"name": "good.bin", "sha256": "0" * 64}]}
    bench.notes.add(Note(0, "", NoteKind.LEARNED, "other", bench.now(), "", json.dumps(body)))
    (other,) = families(bench, shop)[0]
    assert other.dumps == (GoodDump("good.bin", "0" * 64),), "the ledger knows this very file"


def test_one_broken_file_stands_in_the_way_of_no_other_family(
    bench: Bench, shop: ShopFolder, tmp_path: Path
) -> None:
    path = tmp_path / "good.bin"
    path.write_bytes(checked_dump(1))
    learned, place = learn_family(bench, shop, "TB", [path])
    place.with_name("broken.json").write_bytes(b"{")
    place.with_name("ü.json").write_bytes(b"{}")
    assert family_named(bench, shop, "TB") == learned.family
    found, broken = families(bench, shop)
    assert found == (learned,)
    assert [one.name for one in broken] == ["broken", "ü"]
    with pytest.raises(BadFormFile, match="family broken cannot be used"):
        family_named(bench, shop, "broken")


@pytest.fixture
def two_good(tmp_path: Path) -> list[Path]:
    paths = [tmp_path / "first.bin", tmp_path / "second.bin"]
    for number, one in enumerate(paths, 1):
        one.write_bytes(checked_dump(number))
    return paths


def test_a_dump_taken_back_while_a_family_is_learned_from_it_stays_taken_back(
    bench: Bench, shop: ShopFolder, two_good: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else what was learned later would count as the last word on it."""
    learn_family(bench, shop, "TB", two_good)
    real = learn_rom.learn

    def meanwhile(*of):  # type: ignore[no-untyped-def]
        unlearn_dump(bench, shop, "TB", "first.bin", WHY)
        return real(*of)

    monkeypatch.setattr(learn_rom, "learn", meanwhile)
    with pytest.raises(ChangedMeanwhile, match=WHY):
        learn_family(bench, shop, "TB", two_good)
    (known,) = families(bench, shop)[0]
    assert [one.name for one in known.withdrawn] == ["first.bin"]


def test_a_family_learned_meanwhile_under_the_same_name_is_not_replaced_unasked(
    bench: Bench, shop: ShopFolder, two_good: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    real = learn_rom.learn

    def meanwhile(*of):  # type: ignore[no-untyped-def]
        monkeypatch.setattr(learn_rom, "learn", real)
        learn_family(bench, shop, "TB", two_good[:1])
        return real(*of)

    monkeypatch.setattr(learn_rom, "learn", meanwhile)
    with pytest.raises(UsageError, match="There is a family TB already"):
        learn_family(bench, shop, "TB", two_good)
    (known,) = families(bench, shop)[0]
    assert [one.name for one in known.dumps or ()] == ["first.bin"]


def test_the_earlier_version_of_a_family_is_kept(bench: Bench, shop: ShopFolder, tmp_path: Path) -> None:
    paths = [tmp_path / f"good-{number}.bin" for number in range(2)]
    for number, path in enumerate(paths):
        path.write_bytes(checked_dump(number))
    first, place = learn_family(bench, shop, "TB", paths[:1])
    again, _ = learn_family(bench, shop, "TB", paths[:1])
    assert (first.earlier, again.earlier) == (None, None), "it is the same file"
    with pytest.raises(UsageError, match=r"with [0-9]+ rules from 1 known-good dump \(good-0.bin\)") as asked:
        learn_family(bench, shop, "TB", paths[1:])
    assert "--in-its-place" in asked.value.next_step
    assert families(bench, shop)[0] == (replace(first, earlier=None),), "it is told before anything is done"
    second, _ = learn_family(bench, shop, "TB", paths[1:], in_its_place=True)
    assert second.earlier == place.with_name("TB.json.1")
    assert Family.from_json(second.earlier.read_text()) == first.family


def test_a_dump_that_is_not_known_to_be_good_is_asked_about(
    bench: Bench, shop: ShopFolder, tmp_path: Path
) -> None:
    path, other = tmp_path / "read.bin", tmp_path / "other.bin"
    path.write_bytes(checked_dump(1))
    other.write_bytes(checked_dump(2))
    keep_files(bench, 1, "1", Role.PATIENT, [path])
    with pytest.raises(UsageError, match=r"read\.bin is the read of the patient of case 1, bay 1, which is"):
        learn_family(bench, shop, "TB", [path, other])
    assert shop.names("families") == ()
    assert learn_family(bench, shop, "TB", [path, other], also_doubtful=True)[0].family.dumps == 2
    keep_files(bench, 1, "2", Role.DONOR, [other])
    assert learn_family(bench, shop, "donor", [other])[0].family.dumps == 1, "a donor's steady read is taken"
    keep_files(bench, 1, "2", Role.DONOR, [other, path])
    with pytest.raises(UsageError, match=r"other\.bin is one of 2 reads of the donor .* that differ"):
        learn_family(bench, shop, "unsteady", [other])


def test_dumps_that_do_not_go_together_are_named_before_anything_is_learned(
    bench: Bench, shop: ShopFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sizes = {"a.bin": 8192, "odd.bin": 4096, "large.bin": (16 << 20) + 1}
    for name, size in sizes.items():
        (tmp_path / name).write_bytes(bytes(size))
    monkeypatch.setattr(learn_rom, "learn", lambda dumps, heed: pytest.fail("it was learned from"))
    with pytest.raises(DumpUnproven, match=r"odd\.bin has 4 KiB, and .*a\.bin has 8 KiB:"):
        learn_family(bench, shop, "TB", [tmp_path / "a.bin", tmp_path / "odd.bin", tmp_path / "gone.bin"])
    with pytest.raises(UsageError, match=r"large\.bin has"):
        learn_family(bench, shop, "TB", [tmp_path / "large.bin"])
    with pytest.raises(UsageError, match="name of a file"):
        learn_family(bench, shop, "../x", [tmp_path / "a.bin"])
    monkeypatch.setattr(learn_rom, "MOST_BYTES", 8192)
    (tmp_path / "b.bin").write_bytes(bytes(8191) + b"b")
    with pytest.raises(DumpUnproven, match=r"With .*b\.bin the dumps are more than 8 KiB together"):
        learn_family(bench, shop, "TB", [tmp_path / "a.bin", tmp_path / "a.bin", tmp_path / "b.bin"])


@pytest.mark.parametrize("family", [
    Family(64, (Revision(1, bytes(64), ((4, 2),), ()),), ()),
    Family(64, (Revision(1, bytes(64), (), ()),), (), ("0" * 64, "1" * 64)),
], ids=["ranges", "digests"])  # fmt: skip
def test_what_could_not_be_read_again_is_not_kept(
    bench: Bench, shop: ShopFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, family: Family
) -> None:
    (tmp_path / "a.bin").write_bytes(bytes(64))
    monkeypatch.setattr(learn_rom, "learn", lambda dumps, heed: family)
    with pytest.raises(DumpUnproven, match=r"makes no family file: .* Nothing was kept"):
        learn_family(bench, shop, "TB", [tmp_path / "a.bin"])
    assert shop.names("families") == ()
    assert bench.notes.of(NoteKind.LEARNED) == ()


def test_a_family_file_may_be_as_long_as_the_shop_keeps_it() -> None:
    assert LIMIT_BYTES["families"] == LONGEST_TEXT
