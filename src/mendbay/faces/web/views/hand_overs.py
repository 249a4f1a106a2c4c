"""Hand-overs: things come in or leave with a paper to sign; what was signed is kept."""

from __future__ import annotations

from pathlib import PurePosixPath

from mendbay.case.hand_over import HandOver, Role
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Blob
from mendbay.faces.web.asked_field import CUSTOMER_ASKED
from mendbay.faces.web.fields import choice, files, line, number, several, text
from mendbay.faces.web.uploads import uploaded
from mendbay.faces.web.views.things import ROLES, released_against, things_page
from mendbay.faces.web.visit import Visit
from mendbay.jobs.hand_over_items import (
    SIGNED_LIMIT_BYTES,
    hand_over_called,
    hand_over_paper,
    keep_signed,
    receive,
    release,
    release_due,
    take_signed_back,
)
from mendbay.jobs.picture_files import is_scan
from mendbay.jobs.put_down_wrongly import call_off

BOOK = Book()
ITEMS = several("item", "Items", required=True)
PERSON = line("person", "Who brought or took them; for the paper alone")
WORDS = text("words", "What was agreed; for the paper alone")
NUMBER = number("number", "Hand-over", required=True, least=1, most=10**6)


def _done(over: HandOver) -> str:
    codes = ", ".join(one.code for one in over.items)
    return f"Hand-over {over.number}, {over.between}: {codes}. Print the paper and have it signed."


@BOOK.change(
    "/case/{case:int}/things/receive",
    "receive-items",
    "Takes things in, with a paper to sign: what came back, or what came at take-in.",
    [
        ITEMS,
        choice("role", "From", ROLES, default=str(Role.CUSTOMER)),
        line("place", "Where they are put, such as a shelf"),
        PERSON,
        WORDS,
    ],
)
def receive_items(visit: Visit) -> Answer:
    said = visit.said
    with visit.bench() as bench:
        over = receive(
            bench,
            visit.path["case"],
            said["item"],
            Role(said["role"]),
            place=said["place"],
            person=said["person"],
            words=said["words"],
        )
    return visit.go("things", _done(over.done))


@BOOK.page("/case/{case:int}/things/release", "releasing", "Leads back to the things of the case.")
def releasing(visit: Visit) -> Answer:
    return visit.go("things")


@BOOK.change(
    "/case/{case:int}/things/release",
    "release-items",
    "Hands things out, with a paper to sign.",
    [
        ITEMS,
        choice("role", "To", ROLES, required=True),
        PERSON,
        WORDS,
        line("although", "If the customer refused it: why all the same; custody keeps it"),
        CUSTOMER_ASKED,
    ],
)
def release_items(visit: Visit) -> Answer:
    case, said = visit.path["case"], visit.said
    with visit.bench() as bench:
        visit.require_unchanged("the customer's word", *released_against(bench, case))
        if visit.seen:  # of a page; what a program sends is refused where something is lacking
            due = release_due(bench, case, Role(said["role"]))
            if (due.refused and not said["although"]) or (due.asking and not said["customer_asked"]):
                return things_page(visit, said, due)
        over = release(
            bench,
            case,
            said["item"],
            Role(said["role"]),
            person=said["person"],
            words=said["words"],
            although=said["although"],
            asked=said["customer_asked"],
        )
    return visit.go("things", _done(over.done))


@BOOK.change(
    "/case/{case:int}/things/paper.pdf",
    "hand-over-paper",
    "The paper of a hand-over to print and sign, made anew and kept with the case.",
    [NUMBER],
)
def paper(visit: Visit) -> Answer:
    case, wanted = visit.path["case"], visit.said["number"]
    with visit.bench() as bench:
        over = hand_over_paper(bench, case, wanted)
    return Blob(over.pdf, "application/pdf", f"hand-over-{case}-{wanted}.pdf")


@BOOK.change(
    "/case/{case:int}/things/signed",
    "keep-signed",
    "Keeps a scan or photo of the signed paper of a hand-over.",
    [NUMBER, files("scan", "Scan or photo of the signed paper", limit=1)],
)
def signed(visit: Visit) -> Answer:
    case, wanted = visit.path["case"], visit.said["number"]
    with (
        uploaded(
            visit.desk.home,
            visit.said["scan"],
            SIGNED_LIMIT_BYTES,
            is_scan,
            "Scan the paper as PDF, JPEG or PNG.",
        ) as sent,
        visit.bench() as bench,
    ):
        over = keep_signed(bench, case, wanted, sent.paths[0])
    return visit.go("things", f"The signed paper of hand-over {wanted} is kept as {over.signed[-1].path}.")


@BOOK.change(
    "/case/{case:int}/things/signed/take-back",
    "take-signed-back",
    "Takes a signed paper back that was kept by mistake; its file is removed.",
    [
        NUMBER,
        line("paper", "Signed paper", required=True),
        line("reason", "Why, without the customer's name", required=True),
    ],
)
def unsigned(visit: Visit) -> Answer:
    case, wanted, named = visit.path["case"], visit.said["number"], visit.said["paper"]
    with visit.bench() as bench:
        take_signed_back(bench, case, wanted, named, visit.said["reason"])
    return visit.go(
        "things", f"Taken back: {PurePosixPath(named).name}. The file is gone; custody keeps its SHA-256."
    )


@BOOK.change(
    "/case/{case:int}/things/call-off",
    "call-off",
    "Calls off a hand-over that never took place, while it is not signed.",
    [NUMBER, line("reason", "Why, without the customer's name", required=True)],
)
def called_off(visit: Visit) -> Answer:
    case, wanted = visit.path["case"], visit.said["number"]
    with visit.bench() as bench, bench.ledger.together():
        before = hand_over_called(bench, case, wanted)
        visit.require_unchanged(f"hand-over {wanted}", before.signed, before.called_off)
        call_off(bench, case, wanted, visit.said["reason"])
    return visit.go("things", f"Hand-over {wanted} is called off; its things are where they were.")
