"""The certificate of a ROM transfer on paper: one page to sign, with what a third party needs to check it.

The file kept with the case stays the original; the paper says where it lies and what its SHA-256 is. What
comes from the ledger reaches the typesetter as data alone. Nothing is cut off: what does not fit on one
page goes on to the next.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources import files
from typing import Any, Literal

from mendbay.board.flash_id import size_text
from mendbay.board.transfer_plan import Purpose, Role
from mendbay.case.custody import Head
from mendbay.handback.words import counted, grouped, moment
from mendbay.jobs.certify_rom import CertifiedTransfer, DumpBehind
from mendbay.outlets.glyphs import printable_values
from mendbay.outlets.own_fonts import OwnFonts
from mendbay.outlets.typesetting import PAGES_MM, Paper, typeset

Value = str | dict[str, str]
"""Words as they are, or `{"mono": WORDS}`: an identifier, an address or a number."""

SHOP_LIMIT = 80
"""Characters of the shop's name: it stands on one line at the foot of each page."""

_CHIPS = {Role.PATIENT: "the patient’s chip", Role.DONOR: "the donor’s chip", Role.NEW: "the new chip"}


@dataclass(frozen=True, slots=True)
class CertificateJob:
    """What to print.

    Args:
        facts: the certificate, and what stands around it.
        paper: the size of the page.
        shop: the shop's name; empty to leave it out. Beyond `SHOP_LIMIT` it ends with an ellipsis.
    """

    facts: CertifiedTransfer
    paper: Paper = Paper.A4
    shop: str = ""


def certificate_pdf(job: CertificateJob, fonts: OwnFonts | None = None) -> bytes:
    """The certificate as PDF; its bytes depend on the job and the fonts alone. Signs that no font has are
    shown as Unicode numbers.

    Raises:
        BadFormFile: the shop's own fonts cannot be used.
        MendbayError: the typesetter refused, which is a defect here.
    """
    return _typeset(job, "pdf", 0, fonts or OwnFonts())[0]


def certificate_pictures(
    job: CertificateJob, pixels_per_inch: int = 150, fonts: OwnFonts | None = None
) -> list[bytes]:
    """The same pages as one PNG each, to look at before printing.

    Raises:
        BadFormFile: the shop's own fonts cannot be used.
        MendbayError: the typesetter refused, which is a defect here.
    """
    return _typeset(job, "png", pixels_per_inch, fonts or OwnFonts())


def _typeset(
    job: CertificateJob, form: Literal["pdf", "png"], pixels_per_inch: int, fonts: OwnFonts
) -> list[bytes]:
    template = files("mendbay.outlets") / "templates" / "transfer_certificate.typ"
    words = _on_one_line(_words(job))
    own, has_codes = fonts.beside_built_in(words)
    words["has_codes"] = has_codes
    sheet = {
        "main.typ": template.read_bytes(),
        "certificate.json": json.dumps(printable_values(words, own), ensure_ascii=False).encode(),
    }
    instead = "Use the certificate kept with the case, and report this with the message above."
    what, every = "The certificate", fonts.fonts
    return typeset(sheet, what, instead, form=form, pixels_per_inch=pixels_per_inch, fonts=every)


def _words(job: CertificateJob) -> dict[str, Any]:
    facts, one = job.facts, job.facts.certificate
    shop = " ".join(job.shop.split())
    return {
        "page_mm": PAGES_MM[job.paper],
        "shop": shop if len(shop) <= SHOP_LIMIT else f"{shop[: SHOP_LIMIT - 1]}…",
        "case_number": f"{facts.case.number:04}",
        "headline": _headline(facts),
        "lead": _lead(facts),
        "particulars": _particulars(facts),
        "hashes": list(_hashes(facts)),
        "rests_on": list(_rests_on(facts)),
        "done": [
            ["Blocks changed", [_mono(grouped(one.blocks))]],
            ["Pages programmed", [_mono(grouped(one.pages))]],
            ["Interruptions", _interruptions(facts)],
        ],
        "word": list(_on_a_persons_word(facts)),
        "cautions": [{"what": what, "lines": lines} for what, lines in _cautions(facts)],
        "check": list(_check(facts)),
    }


def _chip(facts: CertifiedTransfer) -> str:
    return _CHIPS[facts.role]


def _begun(text: str) -> str:
    return text[:1].upper() + text[1:]


def _headline(facts: CertifiedTransfer) -> str:
    chip, back = _chip(facts), facts.purpose is Purpose.RESTORE
    if facts.certificate.only_read:
        return f"{_begun(chip)} was read: it holds {'its backup' if back else 'the patient’s ROM'}"
    done = "The backup was put back on" if back else "The patient’s ROM was written to"
    return f"{done} {chip} and proven"


def _lead(facts: CertifiedTransfer) -> str:
    one = facts.certificate
    reads = counted(len(one.read_back_sha256), "time")
    wanted = "the backup" if facts.purpose is Purpose.RESTORE else "what was to be written"
    equal = f"read {reads}, and every byte of every read was equal to {wanted}."
    if not one.only_read:
        return f"Afterwards the whole chip was {equal}"
    before = " It had been written and read back right in an earlier run." if one.read_back_before else ""
    return f"Nothing was written in this run. The whole chip was {equal}{before}"


def _particulars(facts: CertifiedTransfer) -> list[list[Any]]:
    one, bay = facts.certificate, facts.bay
    drive: list[Value] = [_mono(bay.bay)]
    for word, said in (("drive", bay.model), ("serial number", bay.serial)):
        drive += [f", {word} ", _mono(said)] if said else []
    drive += [", drive ", _mono(facts.by_pictures), ", by its pictures"] if facts.by_pictures else []
    number = " ".join(re.findall("..?", one.chip_id.upper()))
    chip: list[Value] = [f"{_begun(_chip(facts))}, ", _mono(one.chip_name)]
    chip += [", id ", _mono(number)] if number not in one.chip_name else []
    size = f"{size_text(one.size_bytes)} ({grouped(one.size_bytes)} bytes)"
    return [
        ["Customer", [facts.case.customer]],
        ["Bay", drive],
        *([["Patient’s board", [_mono(facts.board_number)]]] if facts.board_number else []),
        *([["Donor for the case", [_mono("; ".join(facts.donors))]]] if facts.donors else []),
        ["When", [_from_to(moment(one.started_at), moment(one.finished_at))]],
        # the name last: letters written from right to left would draw the figures of the date to their side
        ["Certified", [f"{moment(facts.certified_at)}, by {facts.certified_by}"]],
        ["Chip", chip],
        ["Its size and supply", [f"{size}, {one.volts:g}\u202fV"]],
        ["Adapter", [_mono(one.adapter)]],
    ]


def _from_to(began: str, ended: str) -> str:
    """Two moments as `handback.words.moment` says them, the day once if it is the same."""
    day, _, time = ended.rpartition(", ")
    same_day = began.rpartition(", ")[0] == day
    if began == ended:
        return began
    return f"{began.removesuffix(' UTC')} to {time}" if same_day else f"{began}, to {ended}"


def _hashes(facts: CertifiedTransfer) -> Iterator[list[Any]]:
    one = facts.certificate
    reads = one.read_back_sha256
    yield ["Content", [_mono(one.image_sha256)]]
    for number, read in enumerate(reads, 1):
        yield [f"Read back, {grouped(number)} of {grouped(len(reads))}", [_mono(read)]]
    yield ["Patient’s dump", [_mono(one.patient_sha256)]]
    yield ["Backup of the chip", [_mono(one.backup_sha256)]]
    yield ["Plan", [_mono(one.plan_sha256)]]


def _rests_on(facts: CertifiedTransfer) -> Iterator[list[Any]]:
    one = facts.certificate
    yield ["Patient’s dump", _source(one.patient_read_from, facts.patient)]
    yield ["Backup of the chip", _source(one.backup_read_from, facts.backup)]
    if facts.purpose is Purpose.TRANSFER:
        rules = (
            f"held against the rules of family {one.family}" if one.family else "not held against any rules"
        )
        filled = "; filled with FF behind its end" if one.image_sha256 != one.patient_sha256 else ""
        yield ["The dump was", [f"{rules}{filled}"]]


def _source(said: str, dump: DumpBehind | None) -> list[Value]:
    source = said or "where it was read is not recorded"
    if dump is None:
        return [source]
    return [_mono(dump.path), f", {counted(dump.reads, 'read')} alike; {source}"]


def _interruptions(facts: CertifiedTransfer) -> list[Value]:
    one = facts.certificate
    said: list[Value] = [
        f"cut off {counted(one.interruptions, 'time')} before" if one.interruptions else "none"
    ]
    said += (
        ["; blocks done in earlier runs: ", _mono(grouped(one.earlier_blocks))] if one.earlier_blocks else []
    )
    if one.restored_before:
        times = counted(one.restored_before, "time")
        said.append(f"; before this run the backup had been put back {times}")
    return said


def _on_a_persons_word(facts: CertifiedTransfer) -> Iterator[str]:
    one = facts.certificate
    said = [f"{_chip(facts)} was on the clip"] if one.chip_on_word else []
    said += [f"its supply was set to {one.volts:g}\u202fV and checked"] if one.supply_on_word else []
    said += ["it is a 3\u202fV part by its marking"] if one.marking_on_word else []
    if said:
        yield f"That {'; that '.join(said)}."  # on one line: the sheet is to stay one page
    if facts.certificate.put_away:
        yield "That the patient’s chip was put away, and that this is another one which holds the same."
    if facts.certificate.roles_on_word:
        yield "That each chip was read under its own name: the patient’s as the patient’s."
    if facts.certificate.same_chip:
        yield "That it is the same chip as the one whose writing was cut off."


def _cautions(facts: CertifiedTransfer) -> Iterator[tuple[str, list[str]]]:
    """What speaks against relying on it: what it is about, and the lines below."""
    one = facts.certificate
    if facts.unfinished:
        yield (
            "Not finished since",
            ["After this certificate the chip was begun to be written again, and that is not finished."],
        )
    if facts.later:
        said = {Purpose.TRANSFER: "the patient’s ROM written", Purpose.RESTORE: "the backup put back"}
        yield (
            "Certified anew since",
            [f"{_begun(said[purpose])}: {moment(at)}." for purpose, at in facts.later],
        )
    if one.may_be_patients:
        yield (
            "May be the patient’s own chip",
            ["The chip that was read holds the same as the patient’s own, and nothing tells them apart."],
        )
    if one.remarks:
        yield "Not checked", list(one.remarks)
    if one.unsettled:
        places = ", ".join(f"{at:06X}h ({grouped(size)} bytes)" for at, size in one.unsettled)
        yield (
            "Unsettled blocks",
            ["They were cut off and could not be written anew; their cells may be weak:", places],
        )
    if one.override_reason or one.failed_rules:
        reason = one.override_reason or "none is recorded"
        yield (
            "Used in spite of what failed",
            [
                *re.split(r"\r?\n|\r", f"Reason: {reason}"),
                "What failed:",
                *(f"– {rule}" for rule in one.failed_rules),
            ],
        )
    for whose, dump in (("patient’s dump", facts.patient), ("backup", facts.backup)):
        if dump and dump.withdrawn:
            yield f"Reads of the {whose} withdrawn since", [dump.withdrawn]


def _check(facts: CertifiedTransfer) -> Iterator[dict[str, Any]]:
    """Ways to check, each a sentence, what to type, and what it must be held against."""
    entry, place = facts.entry, facts.original.path
    yield {
        "what": "The original is a file in the folder of the case, and its SHA-256 is this:",
        "rows": [
            ["Folder of the case", [_mono(facts.case.folder)]],
            ["Type there", [_mono(f"sha256sum {place}")]],
            ["It must give", [_mono(facts.original.sha256)]],
        ],
    }
    yield {
        "what": f"Entry {grouped(entry.sequence)} of the custody log tells of it. If the log verifies with "
        "this head, nothing up to that entry was changed since.",
        "rows": [
            ["Head", [_mono(Head(entry.sequence, entry.hash).text)]],
            ["Type", [_mono(f'mendbay case custody {facts.case.number} --receipt "HEAD"')]],
        ],
    }
    yield {
        "what": "The whole chip, read with any programmer, has the SHA-256 of the content, for as long as no "
        "drive has written to it.",
        "rows": [],
    }


def _mono(text: str) -> Value:
    return {"mono": text}


def _on_one_line(value: Any) -> Any:
    """Plain values with line breaks and tabs in every text as blanks."""
    if isinstance(value, str):
        return re.sub(r"[\t\n\r]+", " ", value)
    if isinstance(value, dict):
        return {key: _on_one_line(one) for key, one in value.items()}
    return [_on_one_line(one) for one in value] if isinstance(value, (list, tuple)) else value
