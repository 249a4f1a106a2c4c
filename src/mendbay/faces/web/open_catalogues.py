"""The catalogues that pages of this server have open, and the pictures made of files lately."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from mendbay.core.errors import ChangedMeanwhile, NoSuchItem
from mendbay.faces.web.lately import Lately
from mendbay.jobs.catalogue_files import open_catalogue
from mendbay.wiring import catalogues

if TYPE_CHECKING:
    from mendbay.faces.web.visit import Visit
    from mendbay.jobs.bench import Bench
    from mendbay.jobs.catalogue_port import KeptCatalogue
    from mendbay.jobs.preview_port import MadePicture, NoPreview

MOST_OPEN = 4
"""Cases whose catalogue is kept open: as many as two people look at."""
MOST_PICTURES = 48


class OpenCatalogues:
    """Keeps a few catalogues open, each until there is a newer one.

    Args:
        home: the shop's.
    """

    def __init__(self, home: Path | None) -> None:
        self.shelf = catalogues(home)
        self._open: OrderedDict[int, KeptCatalogue] = OrderedDict()
        self._lock = threading.Lock()

    def of(self, bench: Bench, number: int) -> KeptCatalogue | None:
        """The newest catalogue of a case; None if there is none that can be used.

        Raises:
            NoSuchCase: there is no such case.
            CaseForgotten: it was forgotten.
        """
        newest = self.shelf.generation(bench.ledger.case(number))
        with self._lock:
            found = self._open.get(number)
            if found is not None and found.generation == newest:
                self._open.move_to_end(number)
                return found
            self._open.pop(number, None)
        if not newest:
            return None
        found = open_catalogue(bench, self.shelf, number)
        if found is not None:
            with self._lock:
                self._open[number] = found
                while len(self._open) > MOST_OPEN:
                    self._open.popitem(last=False)
        return found

    def close(self) -> None:
        """Lets go of all of them; their arrays are unmapped with the last page that uses them."""
        with self._lock:
            self._open.clear()


class Pictures(Lately[object, "MadePicture | NoPreview"]):
    """The last pictures that were made of files, so that looking twice does not make them twice."""

    def __init__(self) -> None:
        super().__init__(MOST_PICTURES)

    def of(self, key: object, make: Callable[[], MadePicture | NoPreview]) -> MadePicture | NoPreview:
        """The picture of that key, made where it is not there."""
        found = self.get(key)
        if found is None:
            found = make()
            if not getattr(found, "again", False):
                self.put(key, found)
        return found


def catalogue_for(visit: Visit, bench: Bench) -> KeptCatalogue | None:
    """The newest catalogue of the visit's case; None if there is none that can be used."""
    kept: OpenCatalogues = visit.desk.keep(
        "catalogues", lambda: OpenCatalogues(visit.desk.home), of_cases=True
    )
    return kept.of(bench, visit.path["case"])


def require_catalogue(visit: Visit, bench: Bench, generation: str) -> KeptCatalogue:
    """The catalogue that a page was made of.

    Raises:
        ChangedMeanwhile: the files were listed anew since, so that its numbers mean others.
        NoSuchItem: there is none.
    """
    found = catalogue_for(visit, bench)
    number = visit.path["case"]
    if found is None:
        raise NoSuchItem(
            f"The files of case {number} are not listed.", f"List them first: mendbay files list {number}."
        )
    if found.generation != generation:
        raise ChangedMeanwhile(
            "The files were listed anew after this page was shown.", "Load the page of the files again."
        )
    return found
