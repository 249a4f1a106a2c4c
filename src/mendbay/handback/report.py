"""The wording of a hand-back report, from its facts: what came back, what did not, why, and how it is
proven, for a customer who is no technician.

Pure. The web page and the printed sheet both show these records, so they cannot say different things.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from mendbay.core.clock import iso_from_epoch
from mendbay.core.coverage import Condition
from mendbay.core.quantity import THIN_SPACE, grouped_bytes
from mendbay.core.source import DOUBTS, Gap, Lack, Mark
from mendbay.core.span import SpanSet
from mendbay.handback.bag import PAYLOAD, merged_gaps
from mendbay.handback.facts import VERDICTS, BayFacts, FileFacts, HandBack, RunFacts, Tally, TraceFacts
from mendbay.handback.names import shown
from mendbay.handback.words import THIN, counted, day, exact_size, grouped, moment, share, size

LONGEST_LIST = 12
"""Gaps or trace ranges of one file worded in a report; all of them are in report.json."""

MEANINGS = {
    "whole": "every byte is there and proven",
    "unproven": "every byte is there, but not all of it could be proven",
    "holed": "part of the file is missing; the copy has zeros in its place",
    "lost": "nothing of it could be read; there is no copy",
}

JOINED_MEANINGS = {
    "whole": "every byte is there and the description of the file is proven",
    "unproven": MEANINGS["unproven"],
}
"""What the best two mean where files hold bytes of both drives and not all of them were compared."""

NOT_READ_YET = {
    "holed": "nothing of it was read yet; there is no copy, and reading on may bring it",
    "unproven": "not even its description was read yet; there is no copy, and reading on may bring it",
}
"""The same for files of which nothing is there and not all of that was asked for."""

WHY_MISSING = {
    Lack.REFUSED: "asked for, and refused",
    Lack.UNREAD: "not read",
    Lack.WAIVED: "left unread on purpose",
    Lack.ABSENT: "their place on the drives is not known or not there",
}

DOUBT_WORDS = {
    Mark.TWO_ANSWERS: "cannot be proven: read again, the drive gave other bytes there. The copy has its "
    "first answer; nothing says which is right.",
    Mark.HALVES_DIFFER: "cannot be proven: the two drives should hold the same there, and do not. The copy "
    "has those of the one that was preferred; nothing says which are right.",
    Mark.ONE_HALF_ALONE: "cannot be proven: only one of the two drives gave them, and the drives differ "
    "elsewhere although they should be the same; nothing says which is right.",
    Mark.NOT_AS_READ: "cannot be proven: our image of the drive has changed there since it was read.",
}
"""What speaks against bytes, as the end of a sentence that begins with which."""

CONDITIONS = (
    (Condition.READ, "read", "the drive gave it"),
    (Condition.REFUSED, "refused", "asked for, and not given"),
    (Condition.WAIVED, "waived", "left on purpose"),
    (Condition.UNREAD, "unread", "never asked for, or only as part of a larger read that failed"),
)


PLAIN_WORDS = (
    ("inode bitmap", "list of the descriptions in use"),
    ("inode table", "list of descriptions"),
    ("inodes", "descriptions"),
    ("inode", "description"),
)
"""What stands for a technician's words in what a customer reads."""


NOT_STATED = "not stated"
"""What stands for the adapter of a run where nobody named one (`imaging.adapters`)."""
OTHER_HALF = ("for the other half", "part of “read”: taken in place of what the other drive lacked")
LEFT = ("left to the other half", "not read here, because the other drive holds the same and gave it")
OLDER = ("possibly older", "part of “read”: nothing proves that it is the last state")


@dataclass(frozen=True, slots=True)
class VerdictRow:
    """One line of the summary."""

    verdict: str
    meaning: str
    files: str
    size: str
    missing: str


@dataclass(frozen=True, slots=True)
class AttentionEntry:
    """A file that is not whole: what is wrong with it, in sentences."""

    verdict: str
    path: str
    size: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FileRow:
    """One file in the full list. `was` is its name on the drive where the copy bears another."""

    name: str
    size: str
    changed: str
    verdict: str
    was: str
    origin: str


@dataclass(frozen=True, slots=True)
class FolderRows:
    """The files of one folder, with their total."""

    folder: str
    summary: str
    whole: int
    files: tuple[FileRow, ...]


@dataclass(frozen=True, slots=True)
class ConditionRow:
    """How much of a drive is in one condition."""

    key: str
    word: str
    meaning: str
    size: str
    exact: str
    share: str


@dataclass(frozen=True, slots=True)
class DriveCard:
    """One drive in words. `bay_index` finds its facts, for the picture."""

    bay_index: int
    title: str
    model: str
    serial: str
    size: str
    rows: tuple[ConditionRow, ...]
    runs: tuple[tuple[str, str, str], ...]
    digest: str
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Report:
    """The whole report, section by section, worded."""

    case_number: str
    customer: str
    shop: str
    made: str
    particulars: tuple[tuple[str, str], ...]
    headline: str
    lead: tuple[str, ...]
    verdicts: tuple[VerdictRow, ...]
    attention: tuple[AttentionEntry, ...]
    wanted: tuple[str, ...]
    left_out: tuple[tuple[str, str, str], ...]
    pair: tuple[str, ...]
    file_system: tuple[str, ...]
    drives: tuple[DriveCard, ...]
    proof: tuple[tuple[str, str], ...]
    advice: tuple[str, ...]
    check: tuple[str, ...]
    folders: tuple[FolderRows, ...]
    renamed: tuple[tuple[str, str], ...]


def word_report(facts: HandBack) -> Report:
    """The report of a hand-back, worded in full."""
    renamed = tuple(
        (one.path.removeprefix(PAYLOAD), shown(one.raw_path)) for one in facts.files if one.is_renamed
    )
    return Report(
        case_number=facts.case_number,
        customer=facts.customer,
        shop=facts.shop,
        made=moment(facts.made_at),
        particulars=_particulars(facts),
        headline=_headline(facts),
        lead=_lead(facts, len(renamed)),
        verdicts=tuple(_verdict_rows(facts)),
        attention=tuple(_attention(one) for one in _wanted_first(facts.files)),
        wanted=facts.wanted,
        left_out=_left_out(facts),
        pair=_pair(facts),
        file_system=_file_system(facts),
        drives=tuple(_drive(at, bay) for at, bay in enumerate(facts.bays)),
        proof=tuple((one.what, one.outcome) for one in facts.proof),
        advice=facts.advice,
        check=_check(facts),
        folders=_folders(facts.files),
        renamed=renamed,
    )


def _particulars(facts: HandBack) -> tuple[tuple[str, str], ...]:
    rows = (
        ("Customer", facts.customer),
        ("Box", facts.box),
        ("Drives", facts.drives),
        ("Taken in", moment(facts.taken_in_at)),
        ("Handed back", moment(facts.made_at)),
        ("By", facts.shop),
        ("Our images kept until", day(facts.keep_until)),
    )
    return tuple((label, value) for label, value in rows if value)


def _headline(facts: HandBack) -> str:
    total, whole = facts.total, facts.tallies["whole"]
    if total.files == 0:
        return "No files were handed back."
    kind = "chosen file" if facts.not_chosen else "file"  # no selection passes for everything
    if whole.files == total.files:
        every = f"The one {kind}" if total.files == 1 else f"All {grouped(total.files)} {kind}s"
        return f"{every} came back whole."
    return f"{grouped(whole.files)} of {counted(total.files, kind)} came back whole."


def _lead(facts: HandBack, renamed: int) -> tuple[str, ...]:
    said = list(_not_all(facts))
    if facts.copied.files:
        given = facts.copied.size_bytes - facts.copied.missing_bytes
        said.append(f"You receive {exact_size(given)} of your data in {counted(facts.copied.files, 'file')}.")
    holed = facts.tallies["holed"] - facts.awaited["holed"]
    if holed.files:
        said.append(
            f"{_has(holed.files)} holes: {exact_size(holed.missing_bytes)} of {size(holed.size_bytes)} "
            "is missing."
        )
    if unproven := (facts.tallies["unproven"] - facts.awaited["unproven"]).files:
        said.append(f"{counted(unproven, 'file')} {_is(unproven)} complete but could not be proven in full.")
    if lost := facts.tallies["lost"].files:
        said.append(f"{counted(lost, 'file')} could not be saved.")
    if waiting := facts.awaited_files:
        said.append(
            f"Of {counted(waiting, 'more file')} nothing was read yet, so there is no copy; reading on may "
            "bring more."
        )
    if facts.copied.files and facts.verified_files == facts.copied.files:
        said.append("Every copy was read back from the destination and compared; all were equal.")
    elif facts.copied.files:
        said.append(
            f"{grouped(facts.verified_files)} of {counted(facts.copied.files, 'copy', 'copies')} were read "
            "back from the destination and found equal; the others were not checked."
        )
    if renamed:
        said.append(
            f"{counted(renamed, 'file')} had to be given a name that every computer can "
            "show; the list of files gives both names."
        )
    return tuple(said)


def _not_all(facts: HandBack) -> Iterator[str]:
    """That this is not all there was: files that were not chosen, and drives of which nothing was taken."""
    if more := facts.not_chosen:
        was, is_ = ("was", "is") if more == 1 else ("were", "are")
        found = f"{counted(more, 'more file')} {was} found and {is_} not in this folder"
        yield f"Only a selection was copied: {found}."
    for one in facts.unused:
        why = "was left out of this hand-back" if one.was_read else "was not read"
        yield f"Nothing here comes from the drive of bay {one.bay}: it {why}."


def _has(count: int) -> str:
    return f"{counted(count, 'file')} {'has' if count == 1 else 'have'}"


def _is(count: int) -> str:
    return "is" if count == 1 else "are"


def _verdict_rows(facts: HandBack) -> Iterator[VerdictRow]:
    """The lines of the summary: one for each verdict, and one more where it stands for files not read yet."""
    for word in VERDICTS:
        waiting = facts.awaited[word]
        if others := facts.tallies[word] - waiting:
            yield _verdict_row(word, _meaning(facts, word), others)
        if waiting:
            yield _verdict_row(word, NOT_READ_YET[word], waiting)


def _meaning(facts: HandBack, word: str) -> str:
    """What a verdict means, and how far it rests on a comparison where it claims that all bytes are there."""
    joined = facts.joined_and(word)
    if word not in JOINED_MEANINGS or joined.is_compared:
        return MEANINGS[word]
    both = f"{size(joined.both_bytes)}, and these were compared" if joined.both_bytes else "none"
    return (
        f"{JOINED_MEANINGS[word]}; {_holds(joined.files)} bytes of both drives: of "
        f"{'its' if joined.files == 1 else 'their'} {size(joined.given_bytes)} both gave {both}; where one "
        "drive alone gave a byte, nothing could be compared with it"
    )


def _holds(count: int) -> str:
    return f"{counted(count, 'file')} {'holds' if count == 1 else 'hold'}"


def _verdict_row(word: str, meaning: str, tally: Tally) -> VerdictRow:
    missing = exact_size(tally.missing_bytes) if tally.missing_bytes else "none"
    return VerdictRow(
        word,
        meaning,
        grouped(tally.files),
        _with_unknown(size(tally.size_bytes), tally),
        _with_unknown(missing, tally),
    )


def _with_unknown(known: str, tally: Tally) -> str:
    """What is known of a number of bytes, and of how many files it is not."""
    if not tally.unknown_sizes:
        return known
    if tally.unknown_sizes == tally.files:
        return "unknown"
    return f"{known}, {grouped(tally.unknown_sizes)}{THIN}unknown"


def _size(one: FileFacts) -> str:
    return size(one.size_bytes) if one.is_described else "size unknown"


def _wanted_first(files: Sequence[FileFacts]) -> list[FileFacts]:
    """The files that are not whole, those the customer wished for first, and then the worst first."""
    odd = [one for one in files if one.verdict != "whole"]
    return sorted(odd, key=lambda one: (not one.is_wanted, -VERDICTS.index(one.verdict), one.raw_path))


def _shown_path(one: FileFacts) -> str:
    return one.path.removeprefix(PAYLOAD) if one.path else shown(one.raw_path)


def _attention(one: FileFacts) -> AttentionEntry:
    lines: list[str] = []
    if one.verdict == "lost":
        reasons = " and ".join(sorted({WHY_MISSING[gap.why] for gap in one.gaps}))
        lines.append(
            f"None of its {counted(one.size_bytes, 'byte')} could be had{f': {reasons}' if reasons else ''}."
            if one.is_described
            else "Only its name is left: what says where its bytes are, and how many, could not be had."
        )
    elif one.is_awaited:
        lines.append(
            "No copy was made: nothing of it was read yet. Reading on may bring it."
            if one.is_described
            else "No copy was made: only its name is known yet, and what says where its bytes are, and how "
            "many, was not read yet. Reading on may bring them."
        )
        if any(gap.why is not Lack.UNREAD for gap in one.gaps):
            lines += _gap_lines(one.gaps)
    elif one.gaps:
        missing = one.missing_bytes
        lines.append(
            f"{grouped(missing)} of its {counted(one.size_bytes, 'byte')} ({share(missing, one.size_bytes)}) "
            "are missing; the copy has zeros there."
        )
        lines += _gap_lines(one.gaps)
    if one.older:
        lines.append(
            f"{_ranges(one.older)} may be older than your last change: only the half that fell behind gave "
            f"{'it' if one.older.total_bytes == 1 else 'them'}."
        )
    elif one.other_half and one.verdict != "whole":
        lines.append(f"{_ranges(one.other_half)} came from the other half of the mirror.")
    for mark in DOUBTS:
        spans = SpanSet(doubt.span for doubt in one.doubts if doubt.mark is mark)
        if spans:
            lines.append(f"{_ranges(spans)} {DOUBT_WORDS[mark]}")
    for reason in one.reasons:
        if not _is_said(reason, one):
            lines.append(sentence(reason))
    return AttentionEntry(one.verdict, _shown_path(one), _size(one), tuple(lines))


def _is_said(reason: str, one: FileFacts) -> bool:
    """Whether a reason only repeats what the ranges already say."""
    if one.doubts and re.match(r"\d+ bytes lie where ", reason):
        return True
    if one.is_awaited and "have not been asked for yet" in reason:
        return True
    return bool(one.older or one.other_half) and re.match(r"\d+ bytes come from the ", reason) is not None


def _gap_lines(gaps: Sequence[Gap]) -> list[str]:
    merged = merged_gaps(gaps)
    lines = [
        f"Bytes {grouped(gap.span.start)} to {grouped(gap.span.stop - 1)}: {WHY_MISSING[gap.why]}."
        for gap in merged[:LONGEST_LIST]
    ]
    if len(merged) > LONGEST_LIST:
        lines.append(f"And {counted(len(merged) - LONGEST_LIST, 'more range')}, all listed in report.json.")
    return lines


def _ranges(spans: SpanSet) -> str:
    where = ", ".join(
        f"{grouped(span.start)} to {grouped(span.stop - 1)}" for span, _ in zip(spans, range(3), strict=False)
    )
    more = f" and {counted(len(spans) - 3, 'more range')}" if len(spans) > 3 else ""
    return f"{counted(spans.total_bytes, 'byte')} (bytes {where}{more})"


def sentence(text: str) -> str:
    """The text with a capital, a full stop, its long numbers of bytes in groups of three, and words that a
    customer knows."""
    text = grouped_bytes(text.strip()).replace(THIN_SPACE, THIN)
    name, colon, said = text.partition(": ") if text.startswith(("Folder ", "Link ")) else ("", "", text)
    for technical, plain in PLAIN_WORDS:
        said = re.sub(rf"\b{technical}\b(?!-)", plain, said)
    text = capital(name + colon + said)
    return text if text.endswith((".", "!", "?", "”")) else f"{text}."


def capital(text: str) -> str:
    """The text with its first letter in upper case."""
    return text[:1].upper() + text[1:]


def bay_words(bay: str) -> str:
    """A bay's label as text names it: `bay 1` whether it is labelled `1` or `bay 1`."""
    return bay if bay.lower().startswith("bay") else f"bay {bay}"


def _left_out(facts: HandBack) -> tuple[tuple[str, str, str], ...]:
    rows = [(shown(one.raw_path), one.what, sentence(one.why)) for one in facts.left_out]
    rows += [
        (shown(one.raw_path), "link", f"It only points to “{shown(one.target)}”; links are listed, not made.")
        for one in facts.links
    ]
    return tuple(rows)


def _pair(facts: HandBack) -> tuple[str, ...]:
    if facts.pair is None:
        return ()
    said = [f"The drives belong together as a {facts.pair.level}."]
    if facts.pair.fresher:
        said.append(
            f"The drive in {bay_words(facts.pair.fresher)} holds the fresher state and was preferred."
        )
    said += [sentence(one) for one in facts.pair.why]
    if any(bay.left for bay in facts.bays):
        said.append(
            "The halves were in step and were read together: each place from one of them, a sample from "
            "both to see that they are alike."
        )
    if facts.other_half_bytes:
        said.append(f"{exact_size(facts.other_half_bytes)} of your files came from the other half.")
    if facts.older_bytes:
        said.append(f"Of these, {exact_size(facts.older_bytes)} may be older than your last changes.")
    return tuple(said)


def _file_system(facts: HandBack) -> tuple[str, ...]:
    found = facts.file_system
    if found is None:
        return ()
    label = f" named “{found.label}”" if found.label else ""
    sums = (
        "It keeps checksums of its own records, and they were used as proof."
        if found.has_checksums
        else "It keeps no checksums of its own records; they were proven by agreeing with each other."
    )
    first = f"The files lay in a file system of the kind {found.kind}{label}, {size(found.size_bytes)} large."
    return (first, sums, *(sentence(one) for one in found.remarks))


def _drive(at: int, bay: BayFacts) -> DriveCard:
    totals = {key: bay.total_bytes(key) for key in Condition}
    rows = [
        _condition_row(bay, key.value, word, meaning, totals[key])
        for key, word, meaning in CONDITIONS
        if totals[key] or key is Condition.READ
    ]
    if bay.left:
        rows.append(_condition_row(bay, "left", *LEFT, bay.left.total_bytes))
    rows += [
        _condition_row(bay, key, word, meaning, spans.total_bytes)
        for key, spans, (word, meaning) in (
            ("other", bay.other_half, OTHER_HALF),
            ("older", bay.older, OLDER),
        )
        if spans
    ]
    return DriveCard(
        bay_index=at,
        title=capital(bay_words(bay.bay)),
        model=bay.model,
        serial=bay.serial,
        size=exact_size(bay.size_bytes),
        rows=tuple(rows),
        runs=tuple(_run(one) for one in bay.runs),
        digest=bay.image_sha256,
        remarks=tuple(sentence(one) for one in bay.remarks),
    )


def _condition_row(bay: BayFacts, key: str, word: str, meaning: str, total: int) -> ConditionRow:
    exact = counted(total, "byte") if total >= 1000 else ""
    return ConditionRow(key, word, meaning, size(total), exact, share(total, bay.size_bytes))


def _run(run: RunFacts) -> tuple[str, str, str]:
    when = moment(run.started_at)
    if run.ended_at:
        same = run.ended_at[:10] == run.started_at[:10]
        when += f" to {moment(run.ended_at).partition(', ')[2] if same else moment(run.ended_at)}"
        when = when.replace(" UTC to ", " to ")
    else:
        when += ", cut off"
    refused = f", {counted(run.refused_reads, 'read')} refused" if run.refused_reads else ""
    outcome = f"{exact_size(run.given_bytes)} given{refused}"
    if run.remark:
        outcome += f"; {run.remark}"
    through = "adapter not stated" if run.adapter == NOT_STATED else run.adapter
    return f"Run {run.number}, {through}", when, sentence(outcome)


def _check(facts: HandBack) -> tuple[str, ...]:
    """How the customer can check the folder without us, and what lies in it beside the files."""
    said = [
        "Your files are in the folder “data”. Everything beside it belongs to this report.",
        "The folder is a bag after RFC 8493: any program for such bags can check it. manifest-sha256.txt and "
        "manifest-sha512.txt hold the checksum of each file; “sha256sum --check manifest-sha256.txt”, run in "
        "this folder, compares them all.",
    ]
    if any(one.gaps and one.path for one in facts.files):
        said.append("gaps.json lists, byte by byte, where copies have zeros in place of missing content.")
    if any(one.is_renamed for one in facts.files):
        said.append("names.json lists each renamed file with its name exactly as it was stored.")
    if facts.links:
        said.append("links.json lists the links that lay among your files.")
    said.append(
        "report.json holds these same facts for machines: among them, for each file, which bytes came from "
        "which place on which drive."
    )
    return tuple(said)


def _folders(files: Sequence[FileFacts]) -> tuple[FolderRows, ...]:
    ordered = sorted(files, key=lambda one: (_folder(one), _shown_path(one)))
    return tuple(_folder_rows(name, list(each)) for name, each in groupby(ordered, key=_folder))


def _folder(one: FileFacts) -> str:
    return _shown_path(one).rpartition("/")[0]


def _folder_rows(folder: str, files: Sequence[FileFacts]) -> FolderRows:
    whole = sum(one.verdict == "whole" for one in files)
    summary = f"{counted(len(files), 'file')}, {size(sum(one.size_bytes for one in files))}"
    if unknown := sum(not one.is_described for one in files):
        summary += f" and {grouped(unknown)} of unknown size"
    summary += ", all whole" if whole == len(files) else f", {grouped(whole)} whole"
    return FolderRows(folder or "(top folder)", summary, whole, tuple(_file_row(one) for one in files))


def _file_row(one: FileFacts) -> FileRow:
    return FileRow(
        name=_shown_path(one).rpartition("/")[2],
        size=size(one.size_bytes) if one.is_described else "unknown",
        changed=iso_from_epoch(one.modified_at)[:10],
        verdict=one.verdict,
        was=shown(one.raw_path).rpartition("/")[2] if one.is_renamed else "",
        origin=_origin(one.trace) or ("no stored bytes" if one.path else "nowhere"),
    )


def _origin(trace: Sequence[TraceFacts]) -> str:
    """The bays the bytes came from, those that gave most first, with the runs."""
    given: dict[tuple[str, int], int] = {}
    for part in trace:
        given[part.bay, part.run] = given.get((part.bay, part.run), 0) + part.file_span.length
    ranked = sorted(given.items(), key=lambda one: (-one[1], one[0]))
    return "; ".join(
        f"{bay_words(bay)}, run {run}" if run else bay_words(bay) for (bay, run), _ in ranked[:LONGEST_LIST]
    )
