"""The board's commands, driven as a person would drive them on the practice material."""

from __future__ import annotations

import math
import os
import pty
import re
import signal
import subprocess
import sys
from pathlib import Path

import pypdf
import pytest

from mendbay.faces.cli import board, rom
from mendbay.faces.cli.screen import Screen
from mendbay.outlets.scenario.board_rom import CODE_PARTS, OWN_PARTS, SERIAL_PAGES
from mendbay.outlets.scenario.practice import Practice, make_practice
from support.answers import Run, answer, fits, refused, unbroken

ROOT = Path(__file__).parents[3]
YES = ("--yes", "--roles-checked")
CHECKED = ("--supply-checked", "1.8", "--supply-checked", "3.3", "--marked-3v")


@pytest.fixture(scope="module")
def practice(tmp_path_factory: pytest.TempPathFactory) -> Practice:
    return make_practice(tmp_path_factory.mktemp("material") / "board")


@pytest.mark.slow
def test_from_pictures_to_a_donor(run: Run, practice: Practice) -> None:
    found = answer(run, "board", "pictures", "1", "1", practice.pictures)
    values = {one["kind"]: one["value"] for one in found["identifiers"]}
    assert values["serial number"] == "AH4K-20719C"
    assert values["board number"] == "TB-4471-200"
    assert values["board revision"] == "R3"
    assert values["main controller"] == "KL5120B"
    assert values["motor driver"] == "MV3041CT"
    assert values["ROM chip marking"].startswith("W25Q20CL")
    unusable = [one for one in found["pictures"] if not one["usable"]]
    assert [one["picture"] for one in unusable] == ["4 label blurred.jpg"]
    assert unusable[0]["troubles"][0]["fault"] == "blurred"
    assert answer(run, "board", "show", "1", "1")["identifiers"] == found["identifiers"]
    told = run("case", "show", "1").stdout
    assert "Bay 1: AL20-HX4 AH4K-20719C, by its pictures" in told
    assert "Bay 2: drive not described" in told
    blurred = practice.pictures / unusable[0]["picture"]
    answer(run, "board", "pictures", "1", "2", blurred, codes=(3,))
    gone = answer(run, "board", "withdraw", "1", "2", unusable[0]["picture"], "it shows bay 1")
    assert (gone["pictures"], len(gone["withdrawn"])) == ([], 1)
    answer(run, "donor", "import", practice.stock)
    ranked = answer(run, "donor", "find", "1", "1")
    assert ranked["fitting"][0]["item"]["own_id"] == "D-014"
    assert {one["item"]["own_id"] for one in ranked["ruled_out"]} == {"D-003", "D-011", "D-030", "D-040"}
    assert ranked["rom"]["need"] == "must move"
    assert ranked["rom"]["seat"] == "separate chip"
    for words in (("board", "show", "1", "1"), ("donor", "find", "1", "1")):
        text = run(*words).stdout
        assert fits(text), text
    text = " ".join(run("board", "show", "1", "1").stdout.split())
    assert all(one["picture"] in text for one in found["pictures"]), "board withdraw needs their names"


@pytest.mark.slow
def test_pictures_that_cannot_be_read_are_listed_and_end_with_3(run: Run, tmp_path: Path) -> None:
    (tmp_path / "letter.jpg").write_bytes(b"a letter")
    (tmp_path / "notes.txt").write_bytes(b"no picture")
    (tmp_path / "odd \x1b[2J.jpg").write_bytes(b"a letter, too")
    found = answer(run, "board", "pictures", "1", "1", tmp_path, codes=(3,))
    assert [one["picture"] for one in found["pictures"]] == ["letter.jpg", "odd _[2J.jpg"]
    assert [one["why"] for one in found["left_out"] if one["name"] == "notes.txt"] == ["not a picture"]
    again = run("board", "pictures", "1", "1", tmp_path)
    assert again.returncode == 3
    assert "letter.jpg: unusable" in again.stdout
    assert "notes.txt" in again.stdout
    answer(run, "board", "show", "1", "1")


def test_a_bay_is_added_to_a_case(run: Run) -> None:
    answer(run, "case", "bay", "1", "3=AL20-HX4/AH4K-20719C")
    assert "AH4K-20719C" in run("case", "show", "1").stdout
    assert "already has a bay 3" in refused(run, 2, "case", "bay", "1", "3=")
    assert "no case 9" in refused(run, 41, "case", "bay", "9", "1=")


def test_a_correction_is_kept(run: Run) -> None:
    answer(run, "board", "correct", "1", "1", "board-number", "TB-4471-200")
    found = answer(run, "board", "show", "1", "1")
    assert [one["value"] for one in found["identifiers"]] == ["TB-4471-200"]
    assert found["identifiers"][0]["how"] == "hand"
    known = answer(run, "board", "family", "Alder 20", "may", "both ways worked", "--seat", "chip")
    assert (known["need"], known["seat"]) == ("may move", "separate chip")
    assert answer(run, "board", "families") == [known]
    assert "both ways worked" in run("board", "families").stdout
    assert answer(run, "board", "forget", "ALDER 20", "it was another family") == known
    assert answer(run, "board", "families") == []
    assert "Nothing is noted" in refused(run, 2, "board", "forget", "Alder 20", "twice")
    assert answer(run, "board", "lessons") == [], "nothing was read there"
    assert "no lesson 1" in refused(run, 2, "board", "unlearn", "1", "it was smeared")
    assert "no picture" in refused(run, 2, "board", "withdraw", "1", "1", "label.jpg", "of bay 2")
    assert "has no serial number" in refused(run, 2, "board", "correct", "1", "1", "serial-number", "")


def test_the_sheet_shows_cautions_before_the_step_and_holds_power_back(run: Run) -> None:
    sheet = answer(run, "board", "sheet", "1", "1", "--size", "3.5")
    assert sheet["size"] == "3.5-inch"
    shown = run("board", "sheet", "1", "1").stdout
    assert "…" not in shown, "no question is cut"
    assert [line for line in shown.splitlines() if len(line) > 80] == []
    answer(run, "board", "measure", "1", "1", "leads", "0.3")
    measured = answer(run, "board", "measure", "1", "1", "suppressor-12v", "0.2")
    assert [one["gate"] for one in measured["gates"] if one["closed"]] == ["12 V"]
    (short,) = answer(run, "case", "show", "1")["sheets"]
    assert short["done"] == 2
    assert any("suppressor" in one for one in short["found"]), short
    assert [one[:4] for one in short["closed"]] == ["12 V"]
    text = run("board", "step", "1", "1", "rail-12v").stdout
    assert text.index("CAUTION") < text.index("rail-12v:")
    assert "Local rules and licensed practice come first" in text
    assert "not open" in refused(run, 2, "board", "measure", "1", "1", "volts-12v", "12.1")
    answer(run, "board", "skip", "1", "1", "wrist-strap", "no tester")
    opened = answer(run, "board", "override", "1", "1", "12v", "the suppressor was taken off")
    assert not [one for one in opened["gates"] if one["closed"]]
    shown = run("case", "show", "1").stdout
    assert "suppressor was taken off" in shown
    assert "power let through by a person's word: 12 V" in shown
    (short,) = answer(run, "case", "show", "1")["sheets"]
    assert (short["bay"], short["closed"]) == ("1", [])
    assert short["next"] in short["left"]
    assert "leads" not in short["left"]


STATIC = "CAUTION, Static charge destroys boards"


def test_cautions_stand_in_full_before_they_are_called_read(run: Run) -> None:
    sheet = run("board", "sheet", "1", "1", "--size", "3.5").stdout
    assert sheet.index(STATIC) < sheet.index("suppressor-12v"), "the sheet offers every step it lists"
    offered = run("board", "measure", "1", "1", "leads", "0.3").stdout
    assert offered.startswith("leads, 0.3"), "what was typed is answered first"
    assert "as before" not in offered
    unoffered = run("board", "measure", "1", "1", "suppressor-12v", "0.2").stdout
    assert unoffered.index(STATIC) < unoffered.index("CAUTION as before: Static charge")
    assert "CAUTION, Hot air" in unoffered
    after = run("board", "measure", "1", "1", "rail-12v", "20k").stdout
    assert STATIC not in after
    assert "CAUTION as before: Static charge" in after


def test_the_stock_by_hand(run: Run, tmp_path: Path) -> None:
    added = answer(
        run, "donor", "add", "board", "--board-number", "TB-4471-200", "--revision", "R3", "--cost",
        "38.00 EUR", "--location", "B2", "--model", "AL20-HX4",
    )  # fmt: skip
    assert (added["item"], added["cost"], added["state"]) == (1, "38.00 EUR", "free")
    assert added["family"]
    changed = answer(
        run, "donor", "change", "1", "--location", "C1", "--cost", "40 EUR", "--own-id", "", "--kind",
        "board",
        "--photo", "top.jpg", "--condition", "repaired", "--revision", "R3",
    )  # fmt: skip
    assert (changed["location"], changed["cost"], changed["condition"]) == ("C1", "40.00 EUR", "repaired")
    assert (changed["photos"], changed["board_number"]) == (["top.jpg"], "TB-4471-200")
    assert answer(run, "donor", "change", "1", "--cost", "")["cost"] is None
    assert "Nothing is said" in refused(run, 2, "donor", "change", "1")
    assert "not a cost" in refused(run, 2, "donor", "change", "1", "--cost", "much")
    assert answer(run, "donor", "reserve", "1", "1")["state"] == "reserved"
    assert answer(run, "donor", "free", "mendbay:stock:000001")["state"] == "free"
    answer(run, "donor", "accept", "board-number", "TB-4471-210", "TB-4471-200")
    found = answer(run, "donor", "find", "1", "2", "--board-number", "TB-4471-210")
    assert [one["item"]["item"] for one in found["fitting"]] == [1]
    (row,) = answer(run, "donor", "accepted")
    assert (row["wanted"], row["donor"], row["reason"]) == ("TB-4471-210", "TB-4471-200", None)
    shown = run("donor", "accepted").stdout
    assert f"{row['number']}: board number TB-4471-200 for TB-4471-210" in shown
    assert answer(run, "donor", "unaccept", row["number"], "a slip of the pen") == row
    assert answer(run, "donor", "accepted") == []
    assert "donor accepted lists" in refused(run, 2, "donor", "unaccept", row["number"], "twice")
    answer(run, "donor", "find", "1", "2", "--board-number", "TB-4471-210", codes=(3,))
    nothing = answer(run, "donor", "find", "1", "2", "--board-number", "TB-9999-100", codes=(3,))
    assert "TB-9999-100" in nothing["supplier"]["searches"][0]
    answer(run, "donor", "labels", tmp_path / "labels.pdf", "1")
    assert (tmp_path / "labels.pdf").read_bytes().startswith(b"%PDF")
    assert "already exists" in refused(run, 20, "donor", "labels", tmp_path / "labels.pdf", "1")
    answer(run, "donor", "export", tmp_path / "stock.csv")
    assert answer(run, "donor", "import", tmp_path / "stock.csv")["unchanged"] == 1
    used = answer(run, "donor", "used", "1", "1", "2", "worked", "--remark", "first try")
    assert used["state"] == "used"
    assert answer(run, "donor", "list") == []
    assert len(answer(run, "donor", "list", "--all")) == 1
    assert answer(run, "donor", "show", "1")["case"] == 1
    assert "The reason '\\udcff' holds" in refused(run, 2, "donor", "withdraw", "1", "1", "2", "\udcff")
    back = answer(run, "donor", "withdraw", "1", "1", "2", "it was another one")
    assert (back["state"], answer(run, "donor", "list")[0]["item"]) == ("free", 1)
    assert "it was another one" in run("case", "custody", "1").stdout + run("case", "show", "1").stdout
    assert "no item 7" in refused(run, 43, "donor", "show", "7")
    assert "not a cost" in refused(run, 2, "donor", "add", "board", "--cost", "much")


def test_a_list_read_again_undoes_nothing_and_tells_it(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_text("own id,board number,rev,shelf\nN-02,BX-2,R2,C2\n")
    answer(run, "donor", "import", path)
    answer(run, "donor", "change", "N-02", "--location", "B4", "--revision", "R3")
    assert answer(run, "donor", "change", "1", "--location", "B4")["changes"] == []
    said = run("donor", "change", "1", "--location", "B5").stdout
    assert said.startswith("location B4 -> B5\n")
    changes = answer(run, "donor", "change", "1", "--location", "B4")["changes"]
    assert changes == [{"field": "location", "old": "B5", "new": "B4"}]
    listed = answer(run, "donor", "show", "N-02")["changes"]
    assert [(one["field"], one["old"], one["new"]) for one in listed[:2]] == [
        ("revision", "R2", "R3"),
        ("location", "C2", "B4"),
    ]
    assert re.search(
        r"Put right by hand:\n  20\d\d-\S+Z .+: revision R2 -> R3\n", run("donor", "show", "1").stdout
    )
    rows = "".join(f"M-{one},BX-1,R1,A\n" for one in range(14))
    path.write_text(f"own id,board number,rev,shelf\nN-02,BX-3,R2,C2\n{rows}")
    tried = run("donor", "import", path, "--try").stdout
    assert "item 1: board number BX-2 -> BX-3\n" in tried
    assert "item 1: revision R3 was set by hand and stays; the list says R2\n" in tried
    done = answer(run, "donor", "import", path)
    assert done["changes"] == [{"item": 1, "field": "board number", "old": "BX-2", "new": "BX-3"}]
    assert done["kept"] == [
        {"item": 1, "field": "revision", "listed": "R2", "kept": "R3"},
        {"item": 1, "field": "location", "listed": "C2", "kept": "B4"},
    ]
    path.write_text(path.read_text().replace(",R1,", ",R2,"))
    assert "and 2 more (--json lists all)" in run("donor", "import", path, "--try").stdout


def test_a_number_given_against_what_is_known_is_told_first(run: Run) -> None:
    answer(run, "board", "correct", "1", "1", "board-number", "TB-4471-200")
    words = ("donor", "find", "1", "1", "--board-number", "TB-4471-2O0")
    done = run(*words).stdout
    assert done.startswith("CAUTION: The board number TB-4471-2O0 given here was taken, but")
    assert "Next: mendbay donor find 1 1 without what is in doubt" in done
    assert len(answer(run, *words, codes=(3,))["contradictions"]) == 1


def test_what_the_label_of_a_bay_says_is_put_right(run: Run) -> None:
    answer(run, "case", "bay", "1", "1=AL20-HX4/XY12")
    again = refused(run, 2, "case", "bay", "1", "1=AL20-HX4/XY123")
    assert "mendbay case bay 1 1=MODEL/SERIAL --amend" in again
    amended = answer(run, "case", "bay", "1", "1=AL20-HX4/XY123", "--amend")
    assert amended["changes"] == ["serial XY12 -> XY123"]
    assert "The model is the one noted at take-in" in run("donor", "find", "1", "1").stdout
    assert answer(run, "case", "bay", "1", "1=AL20-HX5", "--amend")["serial"] == "XY123"
    cleared = answer(run, "case", "bay", "1", "1=AL20-HX5/", "--amend")
    assert (cleared["model"], cleared["serial"]) == ("AL20-HX5", "")
    assert cleared["changes"] == ["serial XY123 -> (nothing)"]
    assert answer(run, "case", "bay", "1", "1=/XY124", "--amend")["model"] == ""
    assert "1=MODEL/ clears" in refused(run, 2, "case", "bay", "1", "1=", "--amend")


def test_the_reasons_add_up_to_a_figure_that_is_said(run: Run) -> None:
    for number in range(2):
        answer(run, "donor", "add", "board", "--board-number", "BX-1", "--location", number)
    found = answer(run, "donor", "find", "1", "1", "--board-number", "BX-1")["fitting"][0]
    odds = found["start_log_odds"] + sum(one["log_odds"] for one in found["parts"])
    assert found["sum_chance"] == pytest.approx(1 / (1 + math.exp(-odds)), abs=0.001)
    shown = run("donor", "find", "1", "1", "--board-number", "BX-1", "--reasons").stdout
    said = rf"Together {found['sum_chance']:.0%} if all that were certain; the {found['chance']:.0%} above is"
    assert said.replace("%", " %") in " ".join(shown.split())


def test_advice_on_a_list_names_the_options_that_help(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_text("Nr,board number,made,price\nX-1,BX-1,03/04/2019,38.00\n")
    tried = " ".join(run("donor", "import", path, "--try").stdout.split())
    assert "(--dates day-first, or month-first)" in tried
    assert "Or for the whole list: --currency EUR." in tried
    assert '--column "HEADER=FIELD"' in tried
    options = ("--dates", "day-first", "--currency", "EUR", "--column", "Nr=own-id")
    assert answer(run, "donor", "import", path, *options)["added"] == 1
    assert answer(run, "donor", "show", "X-1")["made_on"] == "2019-04-03"
    assert "own-id, kind, board-number" in refused(run, 2, "donor", "import", path, "--column", "Nr=colour")


def test_the_list_shows_costs_and_the_search_how_many_more_are_ruled_out(run: Run) -> None:
    for number in ("BX-1", "BX-2", "BX-3"):
        answer(run, "donor", "add", "board", "--board-number", number, "--cost", "38.00 EUR")
    head, *rows = run("donor", "list").stdout.splitlines()
    assert "cost" in head
    assert sum("38.00 EUR" in row for row in rows) == 3
    words = ("donor", "find", "1", "1", "--board-number", "TB-4471-200")
    assert "and 1 more (--limit shows more of them)" in run(*words, "--limit", "2").stdout
    assert "more of them" not in run(*words).stdout


def test_an_item_is_taken_off_the_stock(run: Run) -> None:
    assert "neither a board nor a drive" in refused(run, 2, "donor", "add", "board")
    answer(run, "donor", "add", "board", "--board-number", "TB-4471-200")
    assert answer(run, "donor", "remove", "1", "sold")["state"] == "removed"
    assert answer(run, "donor", "list") == []
    assert "state free -> removed: sold" in run("donor", "show", "1").stdout


def test_an_item_that_is_ruled_out_is_taken_with_a_caution(run: Run) -> None:
    answer(run, "donor", "add", "board", "--board-number", "TB-4471-200", "--condition", "damaged")
    done = run("donor", "reserve", "1", "1").stdout
    assert done.startswith("CAUTION: item 1: The donor is damaged.\n")
    assert answer(run, "donor", "reserve", "1", "1")["cautions"] == ["The donor is damaged."]
    used = answer(run, "donor", "used", "1", "1", "2", "failed", "--rom", "not-moved")
    assert used["cautions"][0] == "The donor is damaged."
    assert "though it must be" in used["cautions"][1]


def test_rows_that_are_not_taken_are_told(run: Run, tmp_path: Path) -> None:
    (tmp_path / "list.csv").write_text("Board number,Date,Colour\nTB-1,someday,red\nTB-2,2025-01-01,blue\n")
    done = answer(run, "donor", "import", tmp_path / "list.csv", codes=(3,))
    assert (done["added"], [one["line"] for one in done["not_taken"]]) == (1, [2])
    tried = run("donor", "import", tmp_path / "list.csv", "--try").stdout
    assert "line 2" in tried
    assert 'Next: put these rows right in the list; give --column "HEADER=FIELD"' in tried
    assert "--alike" not in tried.partition("Next:")[2]
    assert "no column" in refused(run, 2, "donor", "import", tmp_path / "list.csv", "--column", "Size=notes")


def test_columns_with_one_header_are_told_apart_by_their_place(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_text("Own id,Board,Board,Shelf\nA,TB-1,other,s\n")
    tried = answer(run, "donor", "import", path, "--try")
    assert tried["columns"] == [
        {"place": place, "header": header, "field": field}
        for place, header, field in (
            (1, "Own id", "own id"), (2, "Board", "board number"), (3, "Board", None),
            (4, "Shelf", "location"),
        )
    ]  # fmt: skip
    shown = run("donor", "import", path, "--try").stdout
    assert "Board (3)" in shown
    assert shown.rstrip().endswith("Next: the same command without --try takes it in")
    said = refused(run, 2, "donor", "import", path, "--column", "board=notes")
    assert "2 columns 'board'" in said
    assert "2=FIELD or 3=FIELD" in said
    assert "no column '5'" in refused(run, 2, "donor", "import", path, "--column", "5=notes")
    given = answer(run, "donor", "import", path, "--column", "3=board number", "--column", "2=notes")
    assert [one["field"] for one in given["columns"]] == ["own id", "notes", "board number", "location"]
    assert answer(run, "donor", "show", "1")["board_number"] == "other"


def test_a_row_that_may_be_another_one_is_told_until_somebody_decides(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_text("Board number,Shelf\nTB-1,A\nTB-2,A\n")
    assert answer(run, "donor", "import", path)["added"] == 2
    path.write_text("Board number,Shelf\nTB-2,B\nTB-1,A\n")
    asked = answer(run, "donor", "import", path, codes=(3,))
    assert (asked["added"], asked["unchanged"], asked["not_taken"][0]["line"]) == (0, 1, 2)
    shown = " ".join(run("donor", "import", path).stdout.split())
    assert "may be item 2" in shown
    assert "Next: say what the rows are that may be an item moved: --alike same, or --alike new" in shown
    assert "HEADER=FIELD" not in shown
    assert answer(run, "donor", "import", path, "--alike", "same")["changed"] == 1
    assert answer(run, "donor", "show", "2")["location"] == "B"
    assert len(answer(run, "donor", "list")) == 2


def test_a_rom_is_moved_and_proven(run: Run, practice: Practice, tmp_path: Path) -> None:
    chips = {}
    for name, path in (("patient", practice.patient_chip), ("donor", practice.donor_chip)):
        memory = tmp_path / f"{name}-chip.bin"
        memory.write_bytes(path.with_suffix(".bin").read_bytes())
        chips[name] = tmp_path / f"{name}-chip.toml"
        chips[name].write_text(path.read_text())
        clip = ("--programmer", f"simulated:{chips[name]}")
        read = answer(run, "rom", "read", "1", "1", name, *clip, *CHECKED)
        assert len({one["sha256"] for one in read["reads"]}) == 1
    plan = answer(run, "rom", "plan", "1", "1", "donor")
    assert plan["refused_for"] == []
    paper = tmp_path / "certificate.pdf"
    assert "certified yet" in refused(run, 61, "rom", "certificate", "1", "1", paper)
    patients = ("--programmer", f"simulated:{chips['patient']}")
    donors = ("--programmer", f"simulated:{chips['donor']}")
    said = answer(run, "rom", "write", "1", "1", *donors, *CHECKED, codes=(3,))
    assert said == {"written": False}, "nobody could be asked"
    assert "written" in refused(run, 61, "rom", "write", "1", "1", *patients, *CHECKED, *YES)
    text = " ".join(run("rom", "steps", "1", "1").stdout.split())
    assert "CAUTION: Whose chip is whose could not be checked: no serial number" in text
    assert "mendbay board pictures 1 1 FOLDER" in text
    unsaid = refused(run, 61, "rom", "write", "1", "1", *donors, *CHECKED, "--yes")
    assert "--roles-checked" in unsaid
    done = answer(run, "rom", "write", "1", "1", *donors, *CHECKED, *YES)
    assert done["certificate"]["roles_on_word"]
    memory = {name: path.with_suffix(".bin").read_bytes() for name, path in chips.items()}
    assert memory["donor"] == memory["patient"] == practice.patient_chip.with_suffix(".bin").read_bytes()
    assert done["certificate"]["blocks"] == plan["blocks"]
    answer(run, "rom", "steps", "1", "1")
    assert len(answer(run, "rom", "show", "1", "1")["reads"]) == 6
    assert "read back and proven" in run("case", "show", "1").stdout
    looked = run("rom", "write", "1", "1", *patients, *CHECKED, *YES)
    assert looked.returncode == 3
    assert "This may be the patient's own chip" in looked.stdout
    assert "fit the board" not in looked.stdout
    assert answer(run, "rom", "write", "1", "1", *donors, *CHECKED, *YES, codes=(3,))["may_be_patients"]
    put_away = (*YES, "--patient-put-away")
    pointed = run("rom", "write", "1", "1", *donors, *CHECKED, *put_away).stdout.splitlines()
    assert pointed[-3:-1] == ["To print it:", "  mendbay rom certificate 1 1 FILE"]
    said = answer(run, "rom", "certificate", "1", "1", paper, "--paper", "Letter", "--shop", "Bench & Sons")
    assert said == {"path": str(paper), "bytes": paper.stat().st_size}
    page = pypdf.PdfReader(paper).pages[0]  # what could not be checked may take it to a second
    assert round(float(page.mediabox[2])) == 612
    assert done["certificate"]["image_sha256"] in page.extract_text()
    assert "already exists" in refused(run, 20, "rom", "certificate", "1", "1", paper)
    assert "--of" in refused(run, 61, "rom", "certificate", "1", "1", tmp_path / "b.pdf", "--of", "restore")
    other = run("rom", "certificate", "1", "1", tmp_path / "a.pdf")
    assert "The certificate of the transfer" in other.stdout
    printed = "\n".join(one.extract_text() for one in pypdf.PdfReader(tmp_path / "a.pdf").pages)
    head = re.search(r"[0-9]+: [0-9a-f ]{71}", printed)
    assert head is not None
    assert answer(run, "case", "custody", "1", "--receipt", head[0])["anchored"]
    assert "The receipt's head stands in it" in run("case", "custody", "1", "--receipt", head[0]).stdout
    answer(run, "rom", "withdraw", "1", "1", "patient", "1", "of another board")
    for words in (("rom", "show", "1", "1"), ("case", "show", "1")):
        told = " ".join(run(*words).stdout.split())
        assert "DO NOT RELY ON IT: reads it rests on were withdrawn since: of another board." in told
    assert answer(run, "rom", "show", "1", "1")["certificates"][0]["withdrawn"] == "of another board"
    assert answer(run, "case", "show", "1")["rom_certificates"][0]["withdrawn"] == "of another board"


def test_a_family_is_learned_and_a_dump_held_against_it(run: Run, practice: Practice, tmp_path: Path) -> None:
    assert answer(run, "rom", "families") == []
    learned = answer(run, "rom", "learn", "TB-4471", *practice.family)
    starts = {one["start"] for one in learned["rules"]}
    hidden = {at for at, _ in (*CODE_PARTS, *OWN_PARTS)} | set(SERIAL_PAGES)
    assert hidden <= starts
    assert [one["name"] for one in answer(run, "rom", "families")] == ["TB-4471"]
    for name, path in (("patient", practice.patient_chip), ("donor", practice.donor_chip)):
        answer(run, "rom", "read", "1", "1", name, "--programmer", f"simulated:{path}", *CHECKED)
    checked = answer(run, "rom", "check", "1", "1", "patient", "TB-4471")
    assert (checked["failed"], checked["donor"]["same_code"]) == ([], True)
    assert checked["sound"] > 0.99
    assert answer(run, "rom", "judge", "1", "1", "patient", "--family", "TB-4471")["verdict"] == "agree"
    assert answer(run, "rom", "plan", "1", "1", "donor", "--family", "TB-4471")["family"] == "TB-4471"
    damaged = bytearray(practice.family[0].read_bytes())
    damaged[OWN_PARTS[0][0] + 40] ^= 16
    for number in (1, 2):
        (tmp_path / f"damaged-{number}.bin").write_bytes(damaged)
    answer(run, "rom", "keep", "1", "1", "patient", tmp_path / "damaged-1.bin", tmp_path / "damaged-2.bin")
    failing = answer(run, "rom", "check", "1", "1", "patient", "TB-4471", codes=(3,))
    assert failing["failed"]
    judged = answer(run, "rom", "judge", "1", "1", "patient", "--family", "TB-4471", codes=(3,))
    assert (judged["verdict"], judged["settled"]) == ("doubtful", False)
    assert any(failing["failed"][0] in one for one in judged["reasons"]), "the failed rule is named"
    unnamed = run("rom", "judge", "1", "1", "patient")
    assert unnamed.returncode == 3
    assert "Held against the learned family TB-4471, to which it belongs." in unnamed.stdout
    assert "Next: mendbay rom plan 1 1 donor" in run("rom", "show", "1", "1").stdout
    unasked = answer(run, "rom", "plan", "1", "1", "donor", codes=(3,))
    assert unasked["family"] == "TB-4471", "the family it belongs to is not left out by saying nothing"
    plan = answer(run, "rom", "plan", "1", "1", "donor", "--family", "TB-4471", codes=(3,))
    assert unasked["refused_for"] == plan["refused_for"]
    assert any("speaks against the transfer" in one for one in plan["refused_for"])
    spite = ("--in-spite", "it is the only one")
    assert answer(run, "rom", "plan", "1", "1", "donor", "--family", "TB-4471", *spite)["refused_for"] == []
    assert "it is the only one" in " ".join(run("case", "show", "1").stdout.split())
    gone = answer(run, "rom", "unlearn", "TB-4471", practice.family[0].name, "its drive never worked")
    assert gone["judges"] is False
    assert "never worked" in refused(run, 2, "rom", "check", "1", "1", "patient", "TB-4471")
    again = answer(run, "rom", "learn", "TB-4471", *practice.family)
    assert again["dumps"] == len(practice.family) - 1
    assert again["earlier"].endswith("families/TB-4471.json.1")
    (tmp_path / "home/families/AB-1.json").write_text("{")
    broken, whole = answer(run, "rom", "families")
    assert (broken["name"], broken["judges"], whole["name"], whole["judges"]) == (
        "AB-1",
        False,
        "TB-4471",
        True,
    )
    listed = run("rom", "families").stdout
    assert "no, its file is broken" in listed
    assert "AB-1 cannot be used" in listed
    assert fits(listed)
    assert "no family" in refused(run, 2, "rom", "check", "1", "1", "patient", "other")
    assert "name of a file" in refused(run, 2, "rom", "learn", "../x", *practice.family)


def test_dumps_of_a_poor_clip_are_voted_on_and_make_no_plan(
    run: Run, practice: Practice, tmp_path: Path
) -> None:
    answer(run, "rom", "keep", "1", "1", "patient", *practice.patient, "--chip-id", "ef 40 12")
    judged = answer(run, "rom", "judge", "1", "1", "patient")
    assert judged["verdict"] == "repaired"
    voted = tmp_path / "home/cases/0001-quillmere-pottery" / judged["voted"]
    assert voted.read_bytes() == practice.patient_chip.with_suffix(".bin").read_bytes()
    text = run("rom", "judge", "1", "1", "patient", "--map", "--picture", tmp_path / "map.svg").stdout
    assert (tmp_path / "map.svg").read_text().startswith("<svg")
    assert "erased (FF)" in text
    assert "whole reads that agree, never on a vote" in " ".join(text.split())
    assert "mendbay rom keep 1 1 patient FILES" in text
    assert fits(text), text
    assert "plain text" in refused(run, 2, "rom", "keep", "1", "2", "new", practice.stock)
    cut = tmp_path / "cut.bin"
    cut.write_bytes(practice.patient[0].read_bytes()[:5000])
    assert answer(run, "rom", "keep", "1", "2", "new", cut, codes=(3,))["doubts"]
    assert (
        answer(run, "rom", "withdraw", "1", "2", "new", "1", "cut off")["reads"][0]["withdrawn"] == "cut off"
    )
    assert "Withdrawn, new, sitting 1: cut off." in run("rom", "show", "1", "2").stdout
    answer(run, "rom", "keep", "1", "2", "patient", practice.patient[0])
    assert answer(run, "rom", "judge", "1", "2", "patient", codes=(3,))["verdict"] == "doubtful"
    clip = ("--programmer", f"simulated:{practice.donor_chip}")
    answer(run, "rom", "read", "1", "1", "donor", *clip, *CHECKED)
    plan = answer(run, "rom", "plan", "1", "1", "donor", codes=(3,))
    assert any("reads differ" in one for one in plan["refused_for"])
    text = " ".join(run("rom", "plan", "1", "1", "donor").stdout.split())
    assert "Next: put the clip right and read that chip at least 2 times in one sitting" in text
    assert "(mendbay rom read 1 1 patient), then mendbay rom plan 1 1 donor" in text
    answer(run, "rom", "read", "1", "2", "donor", *clip, *CHECKED)
    text = " ".join(run("rom", "plan", "1", "2", "donor").stdout.split())
    assert "1 whole read is there, 2 are the fewest" in text
    assert "Next: read that chip at least 2 times in one sitting (mendbay rom read 1 2 patient), then" in text


STOPPED_AT_A_BLOCK = """
import os, signal
signal.signal(signal.SIGHUP, signal.SIG_DFL)  # it may be ignored where the tests are begun
from mendbay.board.transfer import BlockWritten
from mendbay.faces.cli.main import main
from mendbay.jobs import transfer_rom

told = transfer_rom._tell

def tell(bench, done):
    told(bench, done)
    if isinstance(done, BlockWritten):
        os.kill(os.getpid(), SIGNAL)

transfer_rom._tell = tell
main()
"""
"""Runs mendbay, and ends it by a signal when a block is written."""


@pytest.mark.parametrize("end", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_write_that_is_stopped_says_where_the_chip_stands(
    run: Run, practice: Practice, tmp_path: Path, end: signal.Signals
) -> None:
    donor = tmp_path / practice.donor_chip.name
    for path in practice.donor_chip.parent.glob(f"{practice.donor_chip.stem}.*"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    for name, path in (("patient", practice.patient_chip), ("donor", donor)):
        answer(run, "rom", "read", "1", "1", name, "--programmer", f"simulated:{path}", *CHECKED)
    answer(run, "rom", "plan", "1", "1", "donor")
    code = STOPPED_AT_A_BLOCK.replace("SIGNAL", str(int(end)))
    words = ("rom", "write", "1", "1", *YES, "--programmer", f"simulated:{donor}", *CHECKED)
    done = subprocess.run(
        [sys.executable, "-c", code, "--home", str(tmp_path / "home"), *words],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 63, done.stdout + done.stderr
    said = unbroken(done.stderr)
    assert "the donor's chip is half written" in said
    assert "are safe" in said
    assert f"Next: mendbay rom write 1 1 --programmer simulated:{donor} goes on" in said
    assert "half written" in " ".join(run("case", "show", "1").stdout.split())
    assert "not half done" not in refused(run, 2, "rom", "abandon", "1", "1", " ")
    went_on = answer(run, *words)
    assert went_on["certificate"]["interruptions"] == 1
    assert went_on["certificate"]["patient_read_from"].startswith("the chip, read by Mendbay")
    assert (went_on["proven"], went_on["kept"].endswith(".json")) == (True, True)
    assert "is half done" in refused(run, 61, "rom", "abandon", "1", "1", "its chip is dead")


TERMINAL_CLOSED_AT_A_BLOCK = STOPPED_AT_A_BLOCK.replace(
    "        os.kill", "        os.read(GATE, 1)\n        os.kill"
)
"""The same, once the test has closed the terminal: what is then written to it fails."""


def test_a_terminal_that_is_closed_while_a_chip_is_written_leaves_a_word_in_custody(
    run: Run, practice: Practice, tmp_path: Path
) -> None:
    donor = tmp_path / practice.donor_chip.name
    for path in practice.donor_chip.parent.glob(f"{practice.donor_chip.stem}.*"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    for name, path in (("patient", practice.patient_chip), ("donor", donor)):
        answer(run, "rom", "read", "1", "1", name, "--programmer", f"simulated:{path}", *CHECKED)
    answer(run, "rom", "plan", "1", "1", "donor")
    words = ("rom", "write", "1", "1", *YES, "--programmer", f"simulated:{donor}", *CHECKED)
    keyboard, terminal = pty.openpty()
    gate, opener = os.pipe()
    code = TERMINAL_CLOSED_AT_A_BLOCK.replace("SIGNAL", str(int(signal.SIGHUP))).replace("GATE", str(gate))
    with subprocess.Popen(
        [sys.executable, "-c", code, "--home", str(tmp_path / "home"), *words],
        stdin=terminal, stdout=terminal, stderr=terminal, pass_fds=(gate,),
    ) as child:  # fmt: skip
        os.close(terminal)
        os.close(keyboard)
        os.write(opener, b"x" * 64)
        assert child.wait(timeout=120) == 63
    os.close(gate)
    os.close(opener)
    told = " ".join(run("case", "show", "1").stdout.split())
    assert "the donor's chip is half written" in told
    assert answer(run, *words)["certificate"]["interruptions"] == 1


def test_a_signal_that_was_ignored_before_stays_ignored(tmp_path: Path) -> None:
    """As for a job that shall outlive its terminal."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with Screen(None, as_json=False, quiet=True).told_to_end():
            os.kill(os.getpid(), signal.SIGHUP)
            assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
            assert signal.getsignal(signal.SIGTERM) is not signal.SIG_DFL
    finally:
        signal.signal(signal.SIGHUP, before)


def test_a_supply_that_was_not_checked_is_not_set(run: Run, practice: Practice) -> None:
    clip = ("--programmer", f"simulated:{practice.donor_chip}")
    refused(run, 62, "rom", "read", "1", "1", "donor", *clip)
    said = refused(run, 62, "rom", "read", "1", "1", "donor", *clip, *CHECKED[:-1])
    assert "Nothing was sent" not in said
    assert "--marked-3v" in said
    for nonsense in ("-1", "0", "12", "nan"):
        said = refused(run, 2, "rom", "read", "1", "1", "donor", *clip, f"--supply-checked={nonsense}")
        assert "supply-checked" in said
    assert answer(run, "rom", "show", "1", "1")["reads"] == []


def test_practice_material_is_written_once(run: Run, tmp_path: Path) -> None:
    text = run("board", "practise", tmp_path / "other").stdout
    assert f"board pictures CASE 1 {tmp_path / 'other' / 'pictures'}" in " ".join(text.split()), (
        "the next case is not case 1"
    )
    answer(run, "board", "practise", tmp_path / "material")
    assert "already exists" in refused(run, 20, "board", "practise", tmp_path / "material")


def test_help_of_the_groups_cuts_no_sentence() -> None:
    for group in (board.command, rom.command):
        room = 78 - max(map(len, group.commands)) - 4
        cut = [name for name, one in group.commands.items() if one.get_short_help_str(room).endswith("...")]
        assert cut == []


def test_a_wrong_word_points_to_the_help_of_its_command(run: Run) -> None:
    assert "Next: mendbay board sheet --help explains it." in refused(
        run, 2, "board", "sheet", "1", "1", "--x"
    )
    assert "mendbay --help lists the commands" in refused(run, 2, "nonsense")
