"""A telephone sends pictures: opening and closing a key for it."""

from __future__ import annotations

from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer
from mendbay.faces.web.fields import line
from mendbay.faces.web.phone import phone_door
from mendbay.faces.web.visit import Visit

BOOK = Book()
BAY = line("bay", "Bay; empty for the case as a whole")


@BOOK.change(
    "/case/{case:int}/pictures/phone",
    "open-phone",
    "Opens a one-time key by which one telephone may send pictures for this case.",
    [BAY],
)
def open_phone(visit: Visit) -> Answer:
    case, bay = visit.path["case"], visit.said["bay"]
    with visit.bench() as bench:
        bench.ledger.case(case)
        if bay:
            bench.ledger.bay(case, bay)
    phone_door(visit.desk).open(case, bay, visit.who)
    return visit.go("pictures", "Scan the code with the phone.", {"bay": bay})


@BOOK.change(
    "/case/{case:int}/pictures/phone/done",
    "close-phone",
    "Closes the key for the telephone.",
    [BAY],
)
def close_phone(visit: Visit) -> Answer:
    case, bay = visit.path["case"], visit.said["bay"]
    door = phone_door(visit.desk)
    one = door.keys.of(case, bay)
    if one is not None:
        door.close(one.key)
    return visit.go("pictures", "The phone's key is closed.", {"bay": bay})
