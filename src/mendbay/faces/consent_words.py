"""The customer's word on risky steps and the right to the data, in words for every face."""

from __future__ import annotations

from mendbay.case.authority import WORDS, Authority, concern_about
from mendbay.case.consents import Consent, packaged_risks
from mendbay.jobs.consents import given_by


def authority_words(authority: Authority | None) -> str:
    """What is on record of whose data it is, with what is still to be cleared."""
    worry = concern_about(authority)
    if authority is None:
        return worry
    paper = f"; a copy of the paper: {authority.document}" if authority.document else ""
    seen = "; a paper was seen" if authority.seen and not paper else ""
    return f"{WORDS[authority.whose]}{paper}{seen}{f'. {worry}' if worry else ''}"


def consent_line(one: Consent) -> str:
    """A word on a risky step."""
    return f"{packaged_risks()[one.id].title}: {one.word} ({given_by(one)}, {one.at}, heard by {one.who})"
