"""Where a page may have files handed back to: never into the system, the shop's own folders, or what holds
something else."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from mendbay.core.errors import DestinationError, MendbayError, UsageError
from mendbay.jobs.bench import Bench
from mendbay.jobs.hand_back_place import (
    JOURNAL,
    OF_THE_SYSTEM,
    is_on_medium,
    require_place,
    require_proof_place,
)
from mendbay.jobs.keep_copies import HAND_BACK
from mendbay.outlets.destination import JOURNAL_NAME


@pytest.fixture
def home(tmp_path: Path) -> Path:
    (tmp_path / "home" / "cases").mkdir(parents=True)
    return tmp_path / "home"


def test_a_new_an_empty_and_a_begun_folder_are_taken(tmp_path: Path, home: Path) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "begun").mkdir()
    (tmp_path / "begun" / JOURNAL).write_text("x")
    for name in ("new", "empty", "begun"):
        assert require_place(str(tmp_path / name), home) == tmp_path / name
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    "named",
    ["", "new", "../../etc", "./x", "//etc/x", "/", "/etc", "/etc/x", "/usr/share/x", "/proc/1/x", "~/x"],
)
def test_what_is_none_or_of_the_system_is_refused(home: Path, named: str) -> None:
    with pytest.raises(UsageError):
        require_place(named, home)


def test_the_shops_own_folders_and_their_links_are_refused(tmp_path: Path, home: Path) -> None:
    (tmp_path / "link").symlink_to(home / "cases")
    (tmp_path / "to-etc").symlink_to("/etc")
    (tmp_path / "circle").symlink_to(tmp_path / "circle")
    for named in (home, home / "x", home / "cases" / "x", tmp_path, tmp_path / "link" / "x"):
        with pytest.raises(UsageError):
            require_place(str(named), home)
    with pytest.raises(UsageError):
        require_place(f"{tmp_path}/x/../home/x", home)
    with pytest.raises(UsageError):
        require_place(str(tmp_path / "to-etc" / "x"), home)
    with pytest.raises(MendbayError):
        require_place(str(tmp_path / "circle" / "x"), home)


def test_what_holds_something_else_or_hangs_in_the_air_is_refused(tmp_path: Path, home: Path) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "letter.txt").write_text("keep me")
    (tmp_path / "file").write_text("keep me")
    for named in ("full", "file", "file/x", "nowhere/x", "x" * 300):
        with pytest.raises(DestinationError):
            require_place(str(tmp_path / named), home)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=200)
@given(st.text(max_size=60), st.sampled_from(["", "/", "/etc/", "/tmp/../", "/var/lib/", "/dev/shm/../"]))
def test_no_text_leads_into_the_system(home: Path, text: str, begin: str) -> None:
    try:
        found = require_place(begin + text.replace("\0", ""), home)
    except MendbayError:
        return
    assert found.is_absolute()
    assert ".." not in found.parts
    assert not any(str(found.resolve()).startswith(f"{one}/") for one in OF_THE_SYSTEM)


def test_the_journal_has_the_name_that_is_written() -> None:
    assert JOURNAL == JOURNAL_NAME


def test_what_is_to_prove_a_hand_back_is_on_record_or_on_a_medium(tmp_path: Path, bench: Bench) -> None:
    stick, back = tmp_path / "stick", tmp_path / "back"
    mediums = [str(stick)]
    with pytest.raises(UsageError, match="it was not looked for"):
        require_proof_place(bench, 1, str(back), mediums)
    bench.note(1, HAND_BACK, "A hand-back of 1 file.", {"folder": str(back)})
    assert require_proof_place(bench, 1, str(back), mediums) == back
    assert require_proof_place(bench, 1, str(stick / "copy"), mediums) == stick / "copy"


def test_a_folder_is_on_a_medium_by_its_name_and_by_its_links(tmp_path: Path) -> None:
    stick = tmp_path / "stick"
    stick.mkdir()
    (stick / "away").symlink_to(tmp_path)
    (stick / "circle").symlink_to(stick / "circle")
    told = {
        name: is_on_medium(tmp_path / name, [str(stick)])
        for name in ("stick", "stick/back", "stick/away/x", "stick/circle/x", "stick/../stick/x", "sticky")
    }
    assert [name for name, is_on in told.items() if is_on] == ["stick", "stick/back"]
