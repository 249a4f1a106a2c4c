"""The customer's word on risky steps: given, changed, taken back, and kept so that it can be shown."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from mendbay.case.consents import By, Consent, How, Risk, Word, packaged_risks
from mendbay.case.custody import CustodyEntry
from mendbay.core.errors import CustodyBroken, HeldBack, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.nameless import require_nameless
from mendbay.jobs.note_bodies import body_of, unreadable
from mendbay.jobs.withdraw import require_reason, standing_notes, subject_of, withdraw

PARTS = "parts"
"""The consent to using parts up (`consents.toml`)."""
GIVEN, TAKEN_OFF = "word given: ", "word taken off the record"
"""How entries of custody on the customer's word begin, and read."""
_BY = {By.CUSTOMER: "the customer", By.OTHER: "another person for the customer"}
HOW_GIVEN = {How.IN_PERSON: "in person", How.PHONE: "by telephone", How.WRITING: "in writing"}
"""How a word was given, in words."""


def consents_of(bench: Bench, case: int) -> Mapping[str, Consent]:
    """The last word on each risky step, by its id; a step nobody spoke of is left out.

    Raises:
        NoSuchCase: there is no such case.
        LedgerError: a note is not one that Mendbay wrote.
    """
    bench.ledger.case(case)
    return {note.subject: _consent(note) for note in standing_notes(bench, NoteKind.CONSENT, case)}


def give_word(
    bench: Bench, case: int, risk: str, word: Word, *, by: By = By.CUSTOMER, how: How = How.IN_PERSON
) -> Consent:
    """Puts the customer's word on a step down; it stands before any earlier one, and custody keeps both.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: there is no such step, or another person's word that is not in writing.
    """
    about = risk_called(risk)
    consent = Consent(about.id, word, by, how, bench.now(), bench.who)
    body = json.dumps({"word": str(word), "by": str(by), "how": str(how)})
    with bench.ledger.together():
        bench.notes.add(Note(case, "", NoteKind.CONSENT, about.id, consent.at, consent.who, body))
        bench.custody(case, f"{GIVEN}{word}", f"{about.title}; {given_by(consent)}")
        bench.note(case, "consent", f"To {about.title} the word is {word}; {given_by(consent)}.")
    return consent


def take_word_back(bench: Bench, case: int, risk: str, reason: str) -> None:
    """Takes back a word that was put down by mistake, with all earlier ones on it: it is to be asked anew.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: there is no such step, nothing was said of it, or no reason is given.
    """
    about = risk_called(risk)
    require_reason(reason)
    with bench.ledger.together():
        bench.ledger.case(case)
        said = standing_notes(bench, NoteKind.CONSENT, case, "", about.id)
        if not said:
            raise UsageError(
                f"No word on {about.title} is on record.", f"mendbay case consent {case} lists them."
            )
        withdraw(bench, map(subject_of, said), case, "", reason)
        bench.custody(case, TAKEN_OFF, about.title)
        bench.note(case, "consent", f"Taken off the record: the word on {about.title}. {reason}")


def risk_called(risk: str) -> Risk:
    """The step of that id.

    Raises:
        UsageError: there is none.
    """
    risks = packaged_risks()
    if risk not in risks:
        raise UsageError(f"There is no consent {risk[:40]!r}.", f"Use one of: {', '.join(risks)}.")
    return risks[risk]


def given_by(consent: Consent) -> str:
    """Whose word it is and how it was given, without a name."""
    return f"{_BY[consent.by]}, {HOW_GIVEN[consent.how]}"


def refused(consents: Mapping[str, Consent]) -> frozenset[str]:
    """The steps to which the customer said no."""
    return frozenset(one for one, consent in consents.items() if consent.word is Word.NO)


def refused_of(bench: Bench, case: int, needed: Iterable[str]) -> tuple[Risk, ...]:
    """What the customer refused of all that a step needs.

    Args:
        needed: ids of consents.

    Raises:
        NoSuchCase: there is no such case.
        LedgerError: a note is not one that Mendbay wrote.
    """
    words = refused(consents_of(bench, case))
    return tuple(risk_called(one) for one in needed if one in words)


def refused_although(
    bench: Bench, case: int, needed: Sequence[str], although: str = "", *, instead: str = ""
) -> str:
    """What the customer refused of all that a step needs, in words; empty if nothing.

    Args:
        needed: ids of consents.
        although: why it is done all the same; whoever does it puts it into custody.
        instead: what else can be done, for the refusal.

    Raises:
        NoSuchCase: there is no such case.
        HeldBack: something is refused, and no reason to do it all the same is given.
        UsageError: the reason names the customer or seems to hold a password.
        CustodyBroken: custody tells the customer's word otherwise than the case's notes.
    """
    require_nameless(bench.ledger.case(case), although)
    if not needed:
        return ""
    require_undisputed(bench, case)
    no = refused_of(bench, case, needed)
    titles = " and ".join(one.title for one in no)
    if no and not although.strip():
        raise HeldBack(
            f"The customer refused {titles} in case {case}.",
            f"{f'{instead}; ' if instead else ''}mendbay case consent {case} {no[0].id} yes, once they "
            "agree; or --although-refused REASON, which custody keeps",
        )
    return titles


def to_ask_each_time(consents: Mapping[str, Consent], needed: Sequence[str]) -> tuple[Risk, ...]:
    """Of the consents a step needs those before which the customer wants to be asked each time."""
    return tuple(risk_called(one) for one in needed if one in consents and consents[one].word is Word.ASK)


@dataclass(frozen=True, slots=True)
class WordDue:
    """What has to be said before a step because of the customer's word, in a few words; empty if nothing.

    Args:
        refused: what they refused of it, against which it takes a reason.
        asking: before what they want to be asked each time.
    """

    refused: str
    asking: str


NOTHING_DUE = WordDue("", "")


def word_due(bench: Bench, case: int, needed: Sequence[str]) -> WordDue:
    """
    Args:
        needed: ids of consents that the step rests on.

    Raises:
        NoSuchCase: there is no such case.
        LedgerError: a note is not one that Mendbay wrote.
    """
    asking = to_ask_each_time(consents_of(bench, case), needed)
    return WordDue(
        " and ".join(one.title for one in refused_of(bench, case, needed)),
        " and ".join(one.title for one in asking),
    )


def nobody_asked(bench: Bench, case: int, needed: Sequence[str]) -> tuple[Risk, ...]:
    """Of the consents a step rests on those that nobody spoke of with the customer; it is not held back.

    Raises:
        NoSuchCase: there is no such case.
        LedgerError: a note is not one that Mendbay wrote.
    """
    known = consents_of(bench, case)
    return tuple(risk_called(one) for one in needed if one not in known)


def require_asked(bench: Bench, case: int, needed: Sequence[str], asked: bool) -> str:
    """What a step needs of that before which the customer wants to be asked each time, in words; empty if
    nothing.

    Args:
        needed: ids of consents.
        asked: they were asked this time, and said yes.

    Raises:
        NoSuchCase: there is no such case.
        HeldBack: they were not.
        LedgerError: a note is not one that Mendbay wrote.
    """
    titles = " and ".join(one.title for one in to_ask_each_time(consents_of(bench, case), needed))
    if titles and not asked:
        raise HeldBack(
            f"The customer of case {case} wants to be asked each time before {titles}.",
            "Ask, and once they say yes use --customer-asked, which custody keeps.",
        )
    return titles


def note_asked(bench: Bench, case: int, titles: str, things: Iterable[str], subject: str) -> None:
    """Puts into custody and the story that the customer was asked this time, and said yes.

    Args:
        titles: as `require_asked` tells them; empty: nothing is put down.
        things: what the step is done to, each an entry.
        subject: what the story files it under.
    """
    for thing in things if titles else ():
        bench.custody(case, "the customer was asked this time, and said yes", f"{thing}; {titles}")
        bench.note(
            case, subject, f"{thing[:1].upper()}{thing[1:]}: asked about {titles}, the customer said yes."
        )


def disputed(bench: Bench, case: int) -> tuple[tuple[int, str], ...]:
    """Where the word on a step is not the one that custody tells of last: the number of that entry, 1 if
    there is none, and a sentence. A note that was changed behind the ledger's back shows so.

    Raises:
        NoSuchCase: there is no such case.
        LedgerError: a note is not one that Mendbay wrote.
    """
    noted = consents_of(bench, case)
    told: dict[str, CustodyEntry] = {}
    for entry in bench.ledger.custody(case):
        if entry.what.startswith(GIVEN) or entry.what == TAKEN_OFF:
            told[entry.item.partition(";")[0]] = entry
    found: list[tuple[int, str]] = []
    for risk in packaged_risks().values():
        consent, last = noted.get(risk.id), told.get(risk.title)
        by_note = "" if consent is None else f"{consent.word}, {given_by(consent)}"
        by_custody = "" if last is None or last.what == TAKEN_OFF else _told_by(last)
        if by_note != by_custody:
            found.append(
                (
                    1 if last is None else last.sequence,
                    f"Of {risk.title} custody tells: {by_custody or 'no word'}"
                    f"{'' if last is None else f' (entry {last.sequence})'}; the case's notes say: "
                    f"{by_note or 'no word'}. One of them was changed outside Mendbay.",
                )
            )
    return tuple(found)


def _told_by(entry: CustodyEntry) -> str:
    """A word as custody tells it: `no, the customer, in person`."""
    return f"{entry.what.removeprefix(GIVEN)}, {entry.item.partition('; ')[2]}"


def require_undisputed(bench: Bench, case: int) -> None:
    """Refuses to rest on words that custody tells otherwise.

    Raises:
        CustodyBroken: it does of one.
        LedgerError: a note is not one that Mendbay wrote.
    """
    found = [sentence for _, sentence in disputed(bench, case)]
    if found:
        raise in_dispute(case, found)


def in_dispute(case: int, sentences: Sequence[str]) -> CustodyBroken:
    """What is told wherever a word is noted otherwise than custody tells. The word put down anew settles it;
    a backup would take away everything since.

    Args:
        sentences: as `disputed` has them.
    """
    return CustodyBroken(
        " ".join(sentences),
        f"Ask the customer, and put the word down anew: mendbay case consent {case} CONSENT yes, no or ask.",
    )


def to_ask(needed: Sequence[str], consents: Mapping[str, Consent]) -> tuple[Risk, ...]:
    """Of the consents a step needs those to be asked for before it: no word, or `ask first`."""
    risks = packaged_risks()
    silent = [one for one in needed if one not in consents or consents[one].word is Word.ASK]
    return tuple(risks[one] for one in silent if one in risks)


def _consent(note: Note) -> Consent:
    body = body_of(note, "a consent")
    try:
        return Consent(note.subject, Word(body["word"]), By(body["by"]), How(body["how"]), note.at, note.who)
    except (ValueError, KeyError, TypeError, UsageError) as trouble:
        raise unreadable(note, "a consent", trouble) from trouble
