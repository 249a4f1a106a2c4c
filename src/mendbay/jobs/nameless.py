"""Texts that may not name the customer."""

from __future__ import annotations

from mendbay.case.named_persons import names_person
from mendbay.case.records import Case
from mendbay.case.secret_text import holds_secret, require_no_secret
from mendbay.core.errors import UsageError


def require_nameless(case: Case, *texts: str) -> None:
    """Labels, custody and the story of a case are kept and travel: none may name the customer or
    hold a password.

    Raises:
        UsageError: a text holds part of the customer's name or contact, or seems to hold a password.
    """
    for text in texts:
        require_no_secret(text)
        if named := names_person(text, case.customer, case.contact):
            raise UsageError(
                f"{text[:60]!r} names the customer ({named[:40]}), and it would be kept and travel.",
                "Leave the name out; the case says whose it is.",
            )


def is_nameless(case: Case, text: str) -> bool:
    """Whether a text could stand there, for one that nobody typed, such as the name of a file."""
    apart = text.replace("_", " ")
    secret = any(map(holds_secret, (text, apart, apart.replace("-", " "))))
    return not (secret or names_person(apart, case.customer, case.contact))
