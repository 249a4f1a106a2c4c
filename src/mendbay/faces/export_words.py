"""What came of exporting a case, in the words of the bench, for every face."""

from __future__ import annotations

from typing import TYPE_CHECKING

from mendbay.case.custody import Head
from mendbay.core.quantity import bytes_text
from mendbay.faces import wording
from mendbay.faces.printable import printable

if TYPE_CHECKING:
    from mendbay.jobs.export_case import Exported


def export_json(case: int, done: Exported) -> dict[str, object]:
    """All of it, for programs."""
    return {
        "case": case,
        "folder": str(done.folder),
        "files": done.files,
        "size_bytes": done.size_bytes,
        "left_out": [{"what": name_words(one.what), "why": one.why} for one in done.left_out],
        "missing": len(done.missing),
        "custody_head": Head(done.entries, done.head).text if done.entries else None,
    }


def export_size(done: Exported) -> str:
    """How much it is, and where that is explained."""
    files = wording.counted(done.files, "file")
    return f"{files}, {bytes_text(done.size_bytes)}; see data/README.txt in it"


def export_left_out(done: Exported) -> list[str]:
    """What is not in it, and what should be and could not be had."""
    return [
        f"{'MISSING' if one in done.missing else 'left out'}: {name_words(one.what)}: {one.why}"
        for one in done.left_out
    ]


def name_words(path: str) -> str:
    """A name of a file, so that none can act or hide."""
    return printable(path.encode("utf-8", "surrogateescape"))
