"""Which adapters are the same, and what counts for the present one.

Two adapters are told apart by what the technician calls them, whatever the case, spaces, hyphens and
underscores. A run of which nobody said the adapter may have gone through any.
"""

from __future__ import annotations

import re

import numpy as np

from mendbay.core.coverage import Coverage

NOT_STATED = "not stated"
"""What stands for the adapter of a run where nobody named one."""
_SAME = re.compile(r"[\s_-]+")


def adapter_key(adapter: str) -> str:
    """What makes two adapters the same; empty where none is stated."""
    key = _SAME.sub("", adapter).casefold()
    return "" if key == _SAME.sub("", NOT_STATED) else key


def counts_for(adapter: str, present: str) -> bool:
    """Whether what went through `adapter` counts as tried through the present one; both are keys. Where
    either is not stated they may be the same: a failing drive is not tried anew for a name left out."""
    return adapter == present or not adapter or not present


def asked_anew(everywhere: Coverage, here: Coverage, most_tries: int) -> int:
    """How many refused sectors had all their tries and are tried again only because the adapter is new.

    Args:
        everywhere: with the tries of all adapters.
        here: with those that count for the present one.
        most_tries: of a sector.
    """
    spent = everywhere.refused_starts[everywhere.refused_tries >= most_tries]
    spent_here = here.refused_starts[here.refused_tries >= most_tries]
    return int(np.setdiff1d(spent, spent_here).size)
