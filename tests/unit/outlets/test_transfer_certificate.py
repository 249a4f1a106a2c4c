"""The printed certificate of a ROM transfer: all of it is there, and no text can break the page."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pypdf
import pytest

from mendbay.board.transfer import Certificate
from mendbay.board.transfer_plan import Purpose
from mendbay.case.custody import append
from mendbay.case.records import Bay, Case, CaseState
from mendbay.jobs.certify_rom import CertifiedTransfer, DumpBehind
from mendbay.jobs.ports import KeptFile
from mendbay.outlets.own_fonts import OwnFonts
from mendbay.outlets.transfer_certificate import CertificateJob, certificate_pdf, certificate_pictures
from mendbay.outlets.typesetting import Paper
from support.tiny_font import tiny_font

CONTENT, BACKUP = "c0" * 32, "b1" * 32
ORDINARY = Certificate(
    purpose="transfer",
    plan_sha256="a2" * 32,
    job="e3" * 32,
    patient_sha256=CONTENT,
    backup_sha256=BACKUP,
    image_sha256=CONTENT,
    read_back_sha256=(CONTENT, CONTENT),
    chip_id="ef4012",
    chip_name="EF 40 12 (a line)",
    sfdp_sha256="d4" * 32,
    size_bytes=262_144,
    volts=3.3,
    adapter="ftdi://ftdi:232h/1",
    role="donor",
    started_at="2026-11-25T07:10:00Z",
    finished_at="2026-11-25T07:12:30Z",
    blocks=64,
    pages=1024,
    earlier_blocks=0,
    interruptions=0,
    only_read=False,
    unsettled=(),
    failed_rules=(),
    override_reason="",
    family="TB-4471",
    patient_read_from="the chip, read by Mendbay (ftdi://ftdi:232h/1)",
    backup_read_from="the chip, read by Mendbay (ftdi://ftdi:232h/1)",
)
AT = "2026-11-25T07:12:31Z"
PATH = "roms/bay-1/certificate-e3e3e3e3e3e3.json"


def job(paper: Paper = Paper.A4, **changes: Any) -> CertificateJob:
    """What to print; `changes` are fields of the certificate, or of the facts around it."""
    around = {name: changes.pop(name) for name in tuple(changes) if name in CertifiedTransfer.__slots__}
    facts = CertifiedTransfer(
        certificate=replace(ORDINARY, **changes),
        case=Case(7, "kiln", "2026-11-20T07:10:00Z", "Kiln and Son", "", "", (), "", CaseState.OPEN),
        bay=Bay(7, "1", "AL20-HX4", "AH4K-20719C"),
        certified_at=AT,
        certified_by="Ada",
        original=KeptFile(PATH, "f5" * 32, 1800),
        entry=append(None, 7, AT, "Ada", "ROM written: read back and proven", PATH),
        patient=DumpBehind("roms/bay-1/patient-1-1.bin", 3),
        backup=DumpBehind("roms/bay-1/donor-1-1.bin", 3),
    )
    return CertificateJob(replace(facts, **around), paper, "Bench & Sons")


def pages(made: bytes) -> list[str]:
    """The text of each page without blanks, and without what breaking a long word adds."""
    found = pypdf.PdfReader(io.BytesIO(made)).pages
    return [re.sub(r"[\s\u200b\u202f\u2009]+", "", page.extract_text()) for page in found]


def text_of(**changes: Any) -> str:
    return "".join(pages(certificate_pdf(job(**changes))))


def says(text: str, *words: str) -> None:
    for one in words:
        assert re.sub(r"\s+", "", one) in text, one


@pytest.mark.parametrize(("paper", "points"), [(Paper.A4, (595, 842)), (Paper.LETTER, (612, 792))])
def test_an_ordinary_certificate_is_one_page_with_all_that_is_certified(
    paper: Paper, points: tuple[int, int]
) -> None:
    made = certificate_pdf(job(paper))
    assert certificate_pdf(job(paper)) == made, "the same facts, the same bytes"
    (page,) = pypdf.PdfReader(io.BytesIO(made)).pages
    assert tuple(round(float(one)) for one in page.mediabox[2:]) == points
    (text,) = pages(made)
    says(text, "The patient’s ROM was written to the donor’s chip and proven", "read 2 times", "case 0007")
    says(text, "Kiln and Son", "AL20-HX4", "AH4K-20719C", "25 November 2026, 07:10 to 07:12 UTC", "Ada")
    says(
        text,
        "EF 40 12 (a line)",
        "256 KiB (262 144 bytes)",
        "3.3 V",
        "Blocks changed 64",
        "Pages programmed 1 024",
    )
    assert text.count(CONTENT) == 4, "the content, both reads, the patient's dump"
    says(text, BACKUP, "a2" * 32, "roms/bay-1/patient-1-1.bin, 3 reads alike; the chip, read by Mendbay")
    says(
        text, "held against the rules of family TB-4471", "Nothing that is certified here", "Nothing is known"
    )
    says(text, "0007-kiln", f"sha256sum {PATH}", "f5" * 32, "mendbay case custody 7 --receipt")
    says(
        text,
        "1: " + job().facts.entry.hash,
        "Technician",
        "Customer or receiver",
        "Bench & Sons",
        "page 1 of 1",
    )
    assert "Interruptionsnone" in text
    assert "Unicode" not in text
    raw = page.extract_text()
    for exact in (CONTENT, f"sha256sum {PATH}", f"1: {job().facts.entry.hash[:8]} "):
        assert exact in raw, "it can be copied from the page as it stands"


def test_all_that_rests_on_a_word_or_speaks_against_it_is_told() -> None:
    text = text_of(
        put_away=True,
        same_chip=True,
        roles_on_word=True,
        remarks=("No serial number of the drive is known.",),
        interruptions=2,
        earlier_blocks=12,
        unsettled=((0x1000, 4096), (0x10000, 65536)),
        failed_rules=("The sum of 000000h is wrong.", "The serial is another drive's."),
        override_reason="It is the only dump.\nThe customer knows.",
        later=((Purpose.RESTORE, "2026-12-01T09:00:00Z"),),
        unfinished=True,
        patient=DumpBehind("roms/bay-1/patient-1-1.bin", 3, "read from another board"),
        family="",
    )
    says(text, "the patient’s chip was put away", "the same chip as the one whose writing was cut off")
    says(text, "each chip was read under its own name", "Not checked", "No serial number of the drive")
    says(text, "cut off 2 times before; blocks done in earlier runs: 12", "not held against any rules")
    says(text, "001000h (4 096 bytes)", "010000h (65 536 bytes)", "their cells may be weak")
    says(text, "Reason: It is the only dump. The customer knows.", "The sum of 000000h is wrong.")
    says(text, "The serial is another drive's.", "Reads of the patient’s dump withdrawn", "another board")
    says(text, "The backup put back: 1 December 2026, 09:00 UTC", "that is not finished")
    assert "U+000A" not in text


def test_a_restoring_and_a_chip_that_was_only_read_are_called_so() -> None:
    back = text_of(purpose="restore", image_sha256=BACKUP, read_back_sha256=(BACKUP, BACKUP))
    says(back, "The backup was put back on the donor’s chip and proven", "equal to the backup")
    assert "heldagainst" not in back, "what speaks against the patient's dump does not concern it"
    read = text_of(only_read=True, read_back_before=True, role="new", patient_sha256="99" * 32)
    says(read, "The new chip was read: it holds the patient’s ROM", "Nothing was written in this run")
    says(read, "read back right in an earlier run", "filled with FF behind its end")
    assert "donor’schip" not in read


def test_what_is_not_known_is_said() -> None:
    text = text_of(patient_read_from="", backup_read_from="", patient=None, backup=None, failed_rules=("x",))
    assert text.count("whereitwasreadisnotrecorded") == 2
    assert "id" not in text.partition("Itssizeandsupply")[0].partition("Chip")[2], "its name begins with it"
    says(text_of(chip_name="a name of its own"), "a name of its own, id EF 40 12")
    says(text, "Reason: none is recorded")


def ink_beyond_the_margins(job: CertificateJob) -> bool:
    """Whether something is drawn in a margin, beyond where the head and the foot of a page stand."""
    for png in certificate_pictures(job, 72):
        page = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_GRAYSCALE)
        assert page is not None
        if min(page[:, :54].min(), page[:, -54:].min(), page[:24].min(), page[-16:].min()) < 250:
            return True
    return False


HOSTILE = '#pagebreak() $x$ "]) \\ <a> @b *c* _d_ `e` //f /*g \x00\x1b[2J\u202e\u2028 青木 \ud800 שלום '


def test_hostile_text_is_only_text_and_stays_on_the_page() -> None:
    odd = job(
        override_reason=HOSTILE * 3,
        failed_rules=(HOSTILE, "W" * 3000, "‹" * 500, "/" * 500, "_-." * 200),
        adapter=HOSTILE + "W" * 300,
        chip_name=HOSTILE + "q" * 300,
        chip_id="zz" * 200,
        family=HOSTILE,
        patient_read_from=HOSTILE + "M" * 400,
        started_at="W" * 400,
        read_back_sha256=("0" * 900,),
        volts=float("nan"),
        case=Case(7, "kiln", "2026-11-20T07:10:00Z", "K\n\t" + "W" * 2000, "", "", (), "", CaseState.OPEN),
        bay=Bay(7, "b" * 32, "W" * 2000, "青" * 200),
        certified_by=HOSTILE,
    )
    made = certificate_pdf(replace(odd, shop=HOSTILE + "W" * 5000))
    text = "".join(pages(made))
    says(
        text, "#pagebreak() $x$", "‹U+202E›", "‹U+001B›[2J", "‹U+9752›‹U+6728›", "‹U+D800›", "Unicode number"
    )
    assert text.count("W") >= 3000 + 300 + 2000 + 2000 + 400, "nothing is cut off"
    assert text.count("0" * 900) == 1
    assert not ink_beyond_the_margins(replace(odd, shop="W" * 5000))


def test_a_very_long_reason_takes_more_pages_and_loses_nothing() -> None:
    reason = " ".join(f"word-{number}" for number in range(1000))
    rules = tuple(f"Rule {number} fails." for number in range(200))
    long = job(
        override_reason=reason, failed_rules=rules, unsettled=tuple((at << 12, 4096) for at in range(300))
    )
    made = certificate_pdf(long)
    found = pages(made)
    assert len(found) > 2
    body = "".join(re.sub(rf"Bench&Sonscase0007,page\d+of{len(found)}", "", one) for one in found)
    body = body.replace("CertificateofaROMtransfercase0007", "")
    assert all(f"word-{number}" in body for number in range(1000))
    assert all(f"Rule{number}fails." in body for number in range(200))
    assert "12B000h" in body
    assert "Technician" in found[-1]
    assert f"page{len(found)}of{len(found)}" in found[-1]
    assert not ink_beyond_the_margins(long)


def test_the_shops_fonts_are_taken_and_what_they_lack_is_told(tmp_path: Path) -> None:
    (tmp_path / "one.ttf").write_bytes(tiny_font("株"))
    told: set[str] = set()
    fonts = OwnFonts(tmp_path, told.update)
    made = replace(job(), shop="株 and 青")
    text = "".join(pages(certificate_pdf(made, fonts)))
    assert "株and‹U+9752›" in text
    assert told == {"青"}
    assert certificate_pictures(made, 72, fonts)
    assert "‹U+682A›and‹U+9752›" in "".join(pages(certificate_pdf(made)))


def test_a_chip_that_was_only_read_may_be_the_patients_own() -> None:
    says(text_of(only_read=True, read_back_before=True), "May be the patient’s own chip")
    assert "Maybethepatient" not in text_of(only_read=True, read_back_before=True, put_away=True)
    assert "Maybethepatient" not in text_of()


def test_the_drive_its_board_the_donor_and_every_word_given_are_named() -> None:
    text = text_of(
        bay=Bay(7, "1"),
        by_pictures="AL20-HX4 AH4K-20719C",
        board_number="TB-4471-200 R3",
        donors=("item 14 (TB-4471-200 R3), reserved",),
        chip_on_word=True,
        supply_on_word=True,
        marking_on_word=True,
    )
    says(text, "drive AL20-HX4 AH4K-20719C, by its pictures", "Patient’s board TB-4471-200 R3")
    says(text, "Donor for the case item 14 (TB-4471-200 R3), reserved", "donor’s chip was on the clip")
    says(text, "its supply was set to 3.3 V and checked", "it is a 3 V part by its marking")
    assert "Nothingthatiscertifiedhere" not in text


def test_a_backup_that_was_put_back_before_is_told() -> None:
    says(text_of(interruptions=1, restored_before=1), "before this run the backup had been put back 1 time")
