"""What is known of the drives of all cases, for what is told of the whole shop."""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from dataclasses import dataclass, field

from mendbay.board.description import BoardDescription
from mendbay.board.number_form import Forms
from mendbay.case.records import Bay
from mendbay.core.note import NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import ShopFiles
from mendbay.jobs.find_donor import known_patient
from mendbay.jobs.keep_stock import family_followed
from mendbay.jobs.read_pictures import shop_forms


@dataclass(slots=True)
class _Weighed:
    """What pictures of a book's drives show, as far as it was weighed in this process.

    Args:
        forms: that they were weighed by.
        marks: the last words of anybody that can change what pictures of other cases show.
        drives: by case and bay, the last note of the case it rests on, the model noted of the bay, and what
            is known.
    """

    forms: Forms
    marks: tuple[int, ...]
    drives: dict[tuple[int, str], tuple[int, str, BoardDescription]] = field(default_factory=dict)


_WEIGHED: dict[Hashable, _Weighed] = {}
MOST_BOOKS = 2
"""Of which what was weighed is held in memory (own choice: a shop has one)."""


class KnownDrives:
    """As `known_patient`, of the drives of many cases: what pictures show is weighed once for as long as
    nothing was said that it rests on.

    Args:
        cases: whose drives will be asked for.

    Raises:
        BadFormFile: a number form of the shop breaks a rule.
    """

    def __init__(self, bench: Bench, shop: ShopFiles, cases: Iterable[int]) -> None:
        notes = bench.notes
        self._bench, self._forms = bench, shop_forms(shop)
        pictured = notes.last_of_kind(NoteKind.PICTURE).keys() | notes.last_of_kind(NoteKind.CORRECTION)
        self._last = notes.last_numbers(pictured & set(cases))
        self._by_model: dict[str, BoardDescription] = {}
        kinds = (NoteKind.CORRECTION, NoteKind.WITHDRAWAL, NoteKind.FORGETTING)
        marks = tuple(notes.last_number(kind=one) for one in kinds)
        self._weighed = _weighed_before(notes.same_as(), self._forms, marks)

    def of(self, case: int, bay: Bay) -> BoardDescription:
        """What is known of a bay's drive.

        Raises:
            NoSuchCase: there is no such case or bay.
            LedgerError: a note is not one that Mendbay wrote.
        """
        last = self._last.get(case)
        if last is None:
            if bay.model not in self._by_model:
                bare = BoardDescription(model=bay.model)
                self._by_model[bay.model] = family_followed(self._forms, bare)
            return self._by_model[bay.model]
        known = self._weighed.drives.get((case, bay.bay))
        if known is None or known[:2] != (last, bay.model):
            known = last, bay.model, known_patient(self._bench, self._forms, case, bay.bay)
            self._weighed.drives[case, bay.bay] = known
        return known[2]


def _weighed_before(book: Hashable | None, forms: Forms, marks: tuple[int, ...]) -> _Weighed:
    """What was weighed of a book by these forms and marks; nothing, and not to be kept, of None."""
    found = _WEIGHED.get(book)
    if found is None or found.marks != marks or found.forms != forms:
        found = _Weighed(forms, marks)
        if book is not None:
            _WEIGHED.pop(book, None)
            while len(_WEIGHED) >= MOST_BOOKS:
                _WEIGHED.pop(next(iter(_WEIGHED)), None)
            _WEIGHED[book] = found
    return found
