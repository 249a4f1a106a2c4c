"""`mendbay case`: the case around the work on drives and boards. Each topic has a module of its own, imported
when one of its commands is used."""

from __future__ import annotations

import click

from mendbay.faces.cli.sections import LaterSections

SECTIONS = {
    "Take in": {
        "open": ("open", "Take in a case for CUSTOMER and give it its number"),
        "bay": ("open", "Add a drive to CASE, as its label says"),
        "take-in": ("take_in", "Ask what is open of CASE, question by question; without CASE open one"),
        "form": ("take_in", "Show the form of CASE: what was answered, what is missing"),
        "tell": ("take_in", "Answer one QUESTION of CASE's form"),
        "untell": ("take_in", "Take back what was answered to QUESTION by mistake"),
        "consent": ("consent", "List the customer's word on risky steps, or put it down"),
        "authority": ("consent", "Show whose data CASE is about, or put it down"),
        "picture": ("consent", "Keep pictures of what came in with CASE"),
    },
    "Things and hand-overs": {
        "items": ("items", "List the things of CASE: what each is, whose, and where"),
        "item-add": ("items", "Take a thing in and give it its code"),
        "item-change": ("items", "Put right what is noted of ITEM"),
        "item-move": ("items", "Note that ITEM is somewhere else now"),
        "item-withdraw": ("items", "Take back an item that was entered by mistake"),
        "find": ("items", "Tell which case and item a CODE belongs to"),
        "labels": ("items", "Write labels with QR codes for items of CASE to a PDF"),
        "receive": ("hand_over", "Take items in, with a paper to sign"),
        "release": ("hand_over", "Give items away, with a paper to sign"),
        "hand-over": ("hand_over", "Write the paper of a hand-over anew, to print and sign"),
        "signed": ("hand_over", "Keep the scan or photo of a signed paper"),
        "hand-overs": ("hand_over", "List the hand-overs of CASE, and papers not signed yet"),
        "call-off": ("hand_over", "Call off a hand-over that never took place"),
        "receipt": ("hand_over", "Write the customer's receipt of CASE to a PDF"),
    },
    "Prices": {
        "quote": ("money", "Say what CASE may cost, from the odds or by hand, with its paper"),
        "quotes": ("money", "List the quotes of CASE and what the customer said to them"),
        "accept": ("money", "Put down the customer's word on a QUOTE of CASE"),
        "bill": ("money", "Make the bill of what was done of the accepted quote"),
        "pay": ("money", "Put down money that came in, or went back"),
        "unpay": ("money", "Take back a payment that was put down by mistake"),
        "payments": ("money", "List what was paid for CASE, and what is still due"),
    },
    "The day's work": {
        "today": ("agenda", "Say what to do today across all cases, late ones first"),
        "waiting": ("agenda", "Say what waits for whom, late ones first"),
        "wait": ("agenda", "Say what CASE waits for: the customer, a part or a machine"),
        "go-on": ("agenda", "Say that CASE waits no longer"),
        "in-hand": ("agenda", "Say that you have CASE in hand, or that nobody has"),
        "due": ("agenda", "Set the day by which the customer needs CASE"),
        "list": ("agenda", "List the cases, all or some, with deadline and whose turn each is"),
        "fetch": ("fetch", "Say by when the customer is to fetch their things, and what keeping costs"),
        "letter": ("letters", "Tell the customer in plain words where the job stands"),
        "message": ("letters", "Print the text of one of the usual messages"),
    },
    "The record": {
        "show": ("show", "Tell the whole story of CASE"),
        "custody": ("custody", "Verify the custody log of CASE, entry by entry; export it"),
        "custody-check": ("custody", "Verify an exported custody log, without the ledger"),
    },
    "The end of a case": {
        "close": ("close", "Close CASE with what was found; without options, see what is known"),
        "reopen": ("close", "Open CASE again: how it ended counts no longer"),
        "keep": ("keeping", "Say until which day the copies of CASE are kept"),
        "keeping": ("keeping", "List what the shop still holds, until when, and what is due"),
        "erase-plan": ("keeping", "Plan the erasure of copies: what goes, stays, and is out of reach"),
        "erase": ("keeping", "Erase what a plan names, read it back, and certify it"),
        "erasure": ("keeping", "Print the certificate of an erasure"),
        "export": ("privacy", "Write everything of CASE into a folder, in open formats"),
        "forget": ("privacy", "List what forgetting CASE removes; with --yes, forget it"),
    },
}
"""Topic by topic in the order of the work: each command with the module it is in and what it does."""


@click.group(name="case", cls=LaterSections, sections=SECTIONS, prefix="case")
def command() -> None:
    """Take in, agree, quote, follow, hand over and close cases."""
