"""The questions of take-in and the consents: unsound files are refused, answers are read."""

from __future__ import annotations

import pytest

from mendbay.case.authority import Authority, Whose, concern_about
from mendbay.case.consents import By, Consent, How, Word, packaged_risks, parse_risks
from mendbay.case.consents import packaged_text as consents_text
from mendbay.case.records import CaseKind
from mendbay.case.secret_text import holds_secret, looks_like_one
from mendbay.case.take_in_form import (
    KINDS,
    Type,
    packaged_form,
    packaged_text,
    parse_form,
    read_answer,
)
from mendbay.core.errors import BadFormFile, UsageError

NOW = "2026-11-28T08:00:00Z"


def test_the_packaged_form_asks_what_take_in_needs() -> None:
    form = packaged_form()
    assert next(iter(form)) == "customer"
    assert {one.column for one in form.values()} >= {"customer", "kind", "contact", "box", "wanted", "due_on"}
    consents = {one.id for one in form.values() if one.type is Type.CONSENT}
    assert consents == set(packaged_risks()), "every risky step is asked about"
    enquiry = {one.id for one in form.values() if CaseKind.ENQUIRY in one.kinds}
    assert enquiry == {"customer", "kind", "contact", "told-how", "enquiry", "due", "notes"}
    boards = [one for one in form.values() if CaseKind.BOARD_REPAIR in one.kinds]
    assert not {"lights", "fan-turns", "sound", "power-on"} & {one.id for one in boards}
    essentials = [one for one in form.values() if one.essential and CaseKind.BOX in one.kinds]
    assert len(essentials) <= 15, "five minutes"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('type = "line"', 'type = "sentence"', "has the type 'sentence'"),
        ('kinds = ["picture-enquiry"]', 'kinds = ["toaster"]', "is for the kind 'toaster'"),
        ('id = "told-how"', 'id = "contact"', "uses an id that is taken"),
        ('column = "contact"', 'column = "customer"', "which another sets"),
        ('column = "contact"', 'column = "state"', "sets 'state'"),
        ('column = "due_on"', 'column = "wanted"', "sets 'wanted' by a day"),
        ('id = "power-on"', 'id = "power-off"', "a consent that there is not"),
        ('words = "What came in?"', 'words = "What came in"', "asks nothing"),
        ('words = "What came in?"', 'wordz = "What came in?"', "has no text 'words'"),
        ('help = "When the customer', 'hilfe = "When the customer', "unknown key 'hilfe'"),
        ('{ id = "drive", words = "a drive that came alone" },', "", "does not offer every kind"),
        ('{ id = "letter", words = "by letter" },', '{ id = "phone", words = "x" },', "names of their own"),
        ('type = "days"', 'type = "choice"', "answers to pick"),
        (
            'id = "customer"\ntype = "line"',
            'id = "customer"\nkinds = ["drive"]\ntype = "line"',
            "nobody's name",
        ),
    ],
)
def test_a_form_that_does_not_hold_together_is_refused(old: str, new: str, said: str) -> None:
    text = packaged_text()
    assert old in text
    with pytest.raises(BadFormFile, match=said):
        parse_form(text.replace(old, new, 1))


def test_a_help_is_one_line_and_every_kind_has_essentials() -> None:
    with pytest.raises(BadFormFile, match="more than 100"):
        parse_form(
            packaged_text().replace('help = "What does not fit', 'help = "' + "a" * 90 + " does not fit")
        )
    only = '[[question]]\nid = "customer"\ntype = "line"\nwords = "Who?"\ncolumn = "customer"\n'
    only += "essential = true\n"
    with pytest.raises(BadFormFile, match="no essential question for a picture enquiry"):
        parse_form(only)


def test_consents_that_do_not_hold_together_are_refused() -> None:
    for old, new, said in (
        ('id = "parts"', 'id = "shipping"', "uses an id that is taken"),
        ('title = "using', 'titel = "using', "has no text 'title'"),
        ("by a carrier?", "by a carrier.", "asks nothing"),
    ):
        with pytest.raises(BadFormFile, match=said):
            parse_risks(consents_text().replace(old, new, 1))
    with pytest.raises(BadFormFile, match="no consent"):
        parse_risks("")


def test_another_persons_word_counts_in_writing_only() -> None:
    with pytest.raises(UsageError, match="in writing only"):
        Consent("parts", Word.YES, By.OTHER, How.PHONE, NOW, "K")
    assert Consent("parts", Word.YES, By.OTHER, How.WRITING, NOW, "K").word is Word.YES


@pytest.mark.parametrize(
    ("whose", "seen", "concern"),
    [
        (Whose.OWN, False, ""),
        (Whose.EMPLOYER, False, "not seen"),
        (Whose.EMPLOYER, True, ""),
        (Whose.ESTATE, False, "not seen"),
        (Whose.OTHER, True, ""),
        (Whose.UNCLEAR, False, "not clear whose"),
    ],
)
def test_what_is_still_to_be_cleared_of_the_right_to_the_data(whose: Whose, seen: bool, concern: str) -> None:
    said = concern_about(Authority(whose, seen, "", "", NOW, "K"))
    assert (concern in said) if concern else not said
    assert "Nobody" in concern_about(None)


# ------------------------------------------------------------------------- answers


def test_answers_by_number_name_and_words() -> None:
    form = packaged_form()
    kind, condition = form["kind"], form["condition"]
    assert read_answer(kind, kind.options, "2") == ("drive",)
    assert read_answer(kind, kind.options, " DRIVE ") == ("drive",)
    assert read_answer(kind, kind.options, "a drive that came alone") == ("drive",)
    assert read_answer(condition, condition.options, "5, 4 dented") == ("dented", "rattles")
    assert read_answer(condition, condition.options, "something rattles") == ("rattles",)
    assert read_answer(form["locked"], form["locked"].options, "not known") == ()
    assert read_answer(form["wanted"], (), "*.xlsx, photos/*, *.xlsx") == ("*.xlsx", "photos/*")
    assert read_answer(form["worth"], (), "12 000") == ("12000",)
    assert read_answer(form["keep-days"], (), "0") == ("0",)
    assert read_answer(form["due"], (), "2026-12-24") == ("2026-12-24",)


@pytest.mark.parametrize(
    ("question", "text", "said"),
    [
        ("kind", "6", "cannot be '6'"),
        ("kind", "not known", "no case"),
        ("condition", "1 9", "cannot be '9'"),
        ("customer", " ", "no answer"),
        ("customer", "Quill\x1bmere", "cannot be kept"),
        ("due", "tomorrow", "not a day"),
        ("due", "2026-02-30", "not a day"),
        ("worth", "0", "whole number"),
        ("worth", "-5", "whole number"),
        ("worth", "٣", "whole number"),
        ("keep-days", "4000", "whole number"),
        ("wanted", " , ", "names no file"),
        ("story", "password: swordfish", "looks like a password"),
        ("locked-who", "swordfish7", "looks like a password"),
    ],
)
def test_what_cannot_be_an_answer_is_refused(question: str, text: str, said: str) -> None:
    one = packaged_form()[question]
    with pytest.raises(UsageError, match=said):
        read_answer(one, one.options, text)


@pytest.mark.parametrize(
    "text",
    [
        "password: swordfish",
        "the Password = x",
        "PIN: 4711",
        "her pin is 0815",
        "password Swordf1sh",
        "the password is swordfish",
        'password "open sesame"',
        "passphrase is hunter2",
        "recovery key 123456-234567-345678-456789",
    ],
)
def test_passwords_are_recognised(text: str) -> None:
    assert holds_secret(text)


@pytest.mark.parametrize(
    "text",
    [
        "the password is known to her husband",
        "the password is lost.",
        "asked for a password twice, then it stopped",
        "nobody knows the PIN any more",
        "her brother, tel. 555 0100, has the password",
        "two drives of 2000 GB, pin header bent",
        "opinion: it is the adapter",
    ],
)
def test_what_only_speaks_of_passwords_is_kept(text: str) -> None:
    assert not holds_secret(text)


def test_an_answer_that_looks_like_a_password() -> None:
    assert all(map(looks_like_one, ("Hunter2!", "swordfish7", "a_b-c_d9")))
    assert not any(
        map(looks_like_one, ("K. Quill", "k@quillmere.example", "5550100", "Anne-Marie", "the owner"))
    )


def test_kinds_are_named_as_cases_have_them() -> None:
    assert KINDS["two-bay-box"] is CaseKind.BOX
    assert len(KINDS) == len(CaseKind) - 1
