"""What files are called by whoever brings them: by that name a person finds them again.

Such a name may be anything, and may name the customer: lists have it all the same, the story of a case, which
travels, leaves it out then. A file is kept under a name of ours, or under this one made safe.
"""

from __future__ import annotations

from collections.abc import Sequence

from mendbay.case.records import Case
from mendbay.jobs.nameless import is_nameless

NAME_LIMIT = 80
"""Characters of a name that are kept."""
ENDING_LIMIT = 8
NAMES_TOLD = 6
"""Names that one sentence tells."""


def own_name(named: str) -> str:
    """A file's own name as it is kept and shown where it has another: its last part, without signs that are
    not seen, and short, its ending last; empty where nothing is left of it."""
    last = named.replace("\\", "/").rpartition("/")[2]
    plain = "".join(one if one.isprintable() else "_" for one in last).strip(". ")
    if len(plain) <= NAME_LIMIT:
        return plain
    _, dot, ending = plain.rpartition(".")
    end = f"…{dot}{ending}" if dot and len(ending) <= ENDING_LIMIT else "…"
    return plain[: NAME_LIMIT - len(end)] + end


def some_names(case: Case, names: Sequence[str]) -> str:
    """The first of some names in brackets, behind a sentence of the case's story, without those that name the
    customer; empty for none."""
    known = [one for one in names if one and is_nameless(case, one)]
    if not known:
        return ""
    more = f" and {len(known) - NAMES_TOLD} more" if len(known) > NAMES_TOLD else ""
    return f" ({', '.join(known[:NAMES_TOLD])}{more})"
