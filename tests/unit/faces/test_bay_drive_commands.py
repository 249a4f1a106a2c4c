"""Wrong drives, unknown bays and images set aside on the command line."""

from __future__ import annotations

from pathlib import Path

from support.answers import Run, answer, fits, refused
from support.scripted_drive import numbered


def described(tmp_path: Path, serial: str) -> str:
    (tmp_path / f"{serial}.img").write_bytes(numbered(64))
    (tmp_path / f"{serial}.toml").write_text(f'image = "{serial}.img"\nserial = "{serial}"\n')
    return f"unsteady:{tmp_path / serial}.toml"


def test_a_wrong_drive_is_refused_read_with_a_reason_and_set_aside(run: Run, tmp_path: Path) -> None:
    bays = ("--bay", "1=AL20-HX4/S1AAA", "--bay", "2=AL20-HX4/S2BBB")
    number = answer(run, "case", "open", "Gamma", *bays)["case"]
    wrong, right = described(tmp_path, "S1AAA"), described(tmp_path, "S2BBB")
    assert "the case has S2BBB for bay 2" in " ".join(
        refused(run, 17, "drive", "read", number, 2, wrong).split()
    )
    refused(run, 17, "pair", "read", number, f"1={right}", f"2={wrong}")
    reason = ("--although-other-serial", "its board is a donor's")
    assert run("drive", "read", number, 2, wrong, *reason).returncode == 0
    assert run("drive", "compare", number, 2, wrong).returncode == 17
    assert run("drive", "compare", number, 2, wrong, *reason).returncode == 0
    shown = run("case", "show", number).stdout
    assert fits(shown)
    assert "Bay 2: AL20-HX4 S2BBB" in shown
    assert "the drive itself says serial number S1AAA" in shown
    done = answer(run, "drive", "set-aside", number, 2, "--reason", "it was bay 1's")
    assert (done["set_aside"], done["image_serial"]) == ("bay-2.aside-1.img", "S1AAA")
    shown = run("case", "show", number).stdout
    assert fits(shown)
    assert "set aside: bay-2.aside-1.img" in shown
    assert "the drive itself says" not in shown
    assert run("drive", "read", number, 2, right).returncode == 0
    story = answer(run, "case", "show", number)
    assert [one["set_aside"] for one in story["bays"]] == [[], ["bay-2.aside-1.img"]]
    told = run("drive", "set-aside", number, 2, "--reason", "once more").stdout
    assert fits(told)
    assert "2=AL20-HX4/SERIAL --amend" in told


def test_bays_that_are_not_there_or_named_twice(run: Run, tmp_path: Path) -> None:
    number = answer(run, "case", "open", "Gamma", "--bay", "1=", "--bay", "2=")["case"]
    drive = described(tmp_path, "S5")
    for words in (
        ("drive", "read", number, 5, drive),
        ("drive", "facts", drive, "--case", number, "--bay", 5),
    ):
        refused(run, 41, *words)
    assert "Bay 1 is named twice" in refused(run, 2, "case", "open", "Delta", "--bay", "1", "--bay", "1")


def test_where_the_label_has_a_serial_number_and_the_drive_says_none_that_is_said(
    run: Run, tmp_path: Path
) -> None:
    number = answer(run, "case", "open", "Gamma", "--bay", "1=AL20-HX4/S1AAA", "--bay", "2=")["case"]
    said = "says no serial number, so nobody can tell by it whether it is the bay's, S1AAA."
    for name in ("one", "two"):
        (tmp_path / f"{name}.img").write_bytes(numbered(64))
    first = run("drive", "read", number, 1, tmp_path / "one.img")
    assert first.returncode == 0
    assert f"The drive for bay 1 {said}" in " ".join(first.stderr.split())
    for bay, drive in ((2, tmp_path / "two.img"), (1, described(tmp_path, "S1AAA"))):
        done = run("drive", "read", number, bay, drive)
        assert done.returncode == 0, done.stderr
        assert "says no serial number" not in " ".join(done.stderr.split())
