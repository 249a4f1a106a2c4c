"""How the whole shop is saved and put back, and what is told of its copies, for every face."""

from __future__ import annotations

from mendbay.core.quantity import bytes_text, counted
from mendbay.jobs.save_shop import OLD_DAYS, LastSave, Saved
from mendbay.jobs.saving_port import CopyCheck, CopyFacts, PutBack

SAVE = (
    "All of the shop is in one folder: the ledger, the images and papers of the cases, your own settings.",
    "mendbay bench save FOLDER copies it, soundly, while the bench and long jobs run; best onto another "
    "disk. Done again into the same folder, it copies what is new or changed. With --without-images it "
    "leaves out the images of drives.",
    "mendbay bench check-saved FOLDER reads a copy and names all that is lacking or differs; so does "
    "sha256sum -c manifest-sha256.txt in that folder.",
    "mendbay bench put-back FOLDER puts a copy where no shop is, or with --set-aside renames the one that is "
    "there; for that, end the server of the bench and let long jobs end.",
    "A copy names customers and holds their data: keep it as you keep the shop. What is erased or forgotten "
    "later stays in it until the shop is saved into the same folder again, and is then removed there, not "
    "overwritten.",
)
"""Sentences, in the order in which it is done."""


def last_words(last: LastSave | None, now: str) -> tuple[str, bool]:
    """When and where the shop was last saved, as a sentence, and whether that wants a new save."""
    if last is None:
        return "This shop was never saved: a disk that fails takes all of it.", True
    images = "" if last.with_images else ", without the images of drives"
    told = f"Last saved {moment(last.made_at)} into {last.folder}{images}."
    if last.is_old(now):
        return f"{told} That is more than {OLD_DAYS} days ago.", True
    return told, False


def moment(at: str) -> str:
    """A time as these sentences have it."""
    return f"{at[:10]} {at[11:16]} UTC"


def copies_words(last: LastSave | None) -> str:
    """That saved copies of the shop keep what is erased or forgotten now, as the end of a sentence; empty if
    it was never saved."""
    if last is None:
        return ""
    return (
        f"saved copies of the whole shop, the last of {moment(last.made_at)} in {last.folder}: saved into "
        "the same folder again, it is removed there, not overwritten"
    )


def saved_words(done: Saved) -> list[str]:
    """What came of a save, as sentences."""
    kept = done.kept
    told = [
        f"Saved into {done.folder}: {counted(kept.whole.files, 'file')}, "
        f"{bytes_text(kept.whole.size_bytes)}, as of {moment(done.facts.made_at)}.",
        f"Copied anew: {counted(kept.copied.files, 'file')}, {bytes_text(kept.copied.size_bytes)}; removed "
        f"from the copy: {counted(kept.removed, 'file')}.",
        *done.remarks,
    ]
    if done.lacking:
        told.append("NOT ALL IS WELL WITH THIS COPY:")
    return [*told, *done.lacking]


def checked_words(found: CopyCheck, folder: object) -> list[str]:
    """What a check of a copy found, as sentences."""
    told = []
    if found.faults:
        told.append(f"The copy in {folder} is not whole ({counted(len(found.faults), 'fault')}):")
        told += [str(one) for one in found.faults]
    else:
        as_made = " as it was made" if found.facts is not None and found.facts.remarks else ""
        told.append(
            f"The copy in {folder} is whole{as_made}: {counted(found.whole.files, 'file')}, "
            f"{bytes_text(found.whole.size_bytes)}; the ledger and every custody log hold."
        )
    if found.facts is not None:
        told.append(f"It is of {moment(found.facts.made_at)}, made by {found.facts.who}.")
        if not found.facts.with_images:
            told.append("The images of drives were left out.")
        told += _lacked(found.facts)
    if found.is_begun:
        told.append("A save into it was begun and did not end: the same command goes on.")
    return told


def put_back_words(done: PutBack) -> list[str]:
    """What came of putting a copy back, as sentences."""
    told = [
        f"Put back as {done.home}: the shop as of {moment(done.facts.made_at)}, "
        f"{counted(done.whole.files, 'file')}, {bytes_text(done.whole.size_bytes)}.",
    ]
    if done.aside is not None:
        told.append(f"The one that was there is now {done.aside}.")
    if not done.facts.with_images:
        told.append(
            "It came without the images of drives: put each back beside its log, not older than this copy."
        )
    return [*told, *_lacked(done.facts)]


def _lacked(facts: CopyFacts) -> list[str]:
    """What a copy said of itself when it was made, as sentences of their own."""
    if not facts.remarks:
        return []
    return ["NOT ALL WAS WELL WHEN IT WAS MADE:", *facts.remarks]
