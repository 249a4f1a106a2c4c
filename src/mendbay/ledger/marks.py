"""Marks by which something made of a ledger tells whether a ledger is still the one it was made of.

Every ledger numbers its events and notes from 1, so numbers alone cannot tell one from a backup of it that
was put in its place and written on. What is noted is never changed, and removed only with its case: a ledger
that still has, byte for byte, the last there was when a mark was made has all that was before it.
"""

from __future__ import annotations

import json
from hashlib import sha256
from typing import Any

from mendbay.ledger import queries
from mendbay.ledger.forgetting import forgotten
from mendbay.ledger.store import Store

_LAST = {"events": queries.LAST_EVENT_OF_ALL, "notes": queries.LAST_NOTE_OF_ALL}
_ONE = {"events": queries.EVENT_NUMBERED, "notes": queries.NOTE_NUMBERED}


def mark_of(store: Store) -> str:
    """Stands for all that was noted up to now: the last event and note, and the last ones of another case, as
    a case may be forgotten."""
    found: list[tuple[str, int, int, str]] = []
    for kind, sql in _LAST.items():
        last = store.rows(sql, (-1,))
        rows = [*last, *(store.rows(sql, (last[0][1],)) if last else ())]
        found += [(kind, number, case, _digest(rest)) for number, case, *rest in rows]
    return json.dumps(found)


def went_through(store: Store, mark: str) -> bool:
    """Whether a ledger was once as a mark says, and only what was done since is new in it."""
    try:
        told = [(str(kind), int(number), int(case), str(said)) for kind, number, case, said in _read(mark)]
    except (ValueError, TypeError):
        return False
    return all(_is_there(store, *one) for one in told)


def _is_there(store: Store, kind: str, number: int, case: int, said: str) -> bool:
    if kind not in _ONE:
        return False
    rows = store.rows(_ONE[kind], (number,))
    if rows and _digest(rows[0][2:]) == said:
        return True
    return case > 0 and forgotten(store, case) is not None


def _read(mark: str) -> list[Any]:
    found = json.loads(mark)
    return found if isinstance(found, list) else [None]


def _digest(said: Any) -> str:
    return sha256(json.dumps(list(said), ensure_ascii=True).encode()).hexdigest()[:32]
