"""Triage in the browser: what is asked, what is likely broken, what to do next."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from mendbay.core.cautions import Caution
from mendbay.core.errors import MendbayError, NoSuchItem, UsageError
from mendbay.core.quantity import chance_text
from mendbay.faces import triage_words as words
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Page
from mendbay.faces.web.card import card_of
from mendbay.faces.web.drawing import moment
from mendbay.faces.web.fields import choice, decimal, flag, line
from mendbay.faces.web.odds import odds_bar, odds_scale
from mendbay.faces.web.visit import Visit, seen
from mendbay.jobs.bench import Bench
from mendbay.jobs.case_steps import PAST
from mendbay.jobs.consents import to_ask
from mendbay.jobs.hand_repairs import DONE_LIMIT, CameOf
from mendbay.jobs.next_steps import LEAST, NotOffered, held, short_list, why_not_offered
from mendbay.jobs.quote_lines import prices_in_force
from mendbay.jobs.triage_case import (
    HOW_IT_WENT,
    MOST_BAYS,
    Believed,
    Triage,
    cautions_of,
    enter_answer,
    enter_tried,
    note_about,
    signs_of,
    tell_belief,
    tell_triage,
    tell_what_is_left,
    what_if,
    why,
    withdraw_answer,
    withdraw_tried,
)
from mendbay.jobs.triage_subject import said_of_subject
from mendbay.triage.belief import Asked, Moved, sign_of
from mendbay.triage.effects import steps_of
from mendbay.triage.next_step import Offer
from mendbay.triage.tables import Seat, Sign, StepKind
from mendbay.triage.worlds import Place

BOOK = Book()
FAULTS_SHOWN = 6
MOVED_SHOWN = 3
"""Faults of which the top of the page says how the last answer moved them."""
LIKELIEST = 3
"""Faults shown for each answer that is not given yet."""
ASKED = [line("sign", "Question", required=True, limit=60), line("bay", "Bay", limit=60)]
STEP = [line("step", "Step", required=True, limit=60), line("bay", "Bay", limit=60)]
REASON = line("reason", "Why it is taken back", required=True, limit=500)
CAME = {"box": "a box", "drive": "a drive alone"}
CAME_OF = {
    CameOf.READY.value: "it helped: the drive or box is ready",
    CameOf.STILL_NOT.value: "it did not help",
    CameOf.NOT_TRIED.value: "nobody tried it yet",
}
DONE_AT = {
    "look-at-board": ("pictures", "To the pictures"),
    "measure-supply": ("board", "To the electrical sheet"),
    "measure-driver": ("board", "To the electrical sheet"),
    "measure-motor": ("board", "To the electrical sheet"),
    "mend-supply": ("board", "To the electrical sheet"),
    "read-rom": ("board-rom", "To the ROM"),
    "move-rom": ("board-rom", "To the ROM"),
    "swap-board": ("board-donors", "To the donors"),
    "read-both": ("drives", "To the drives"),
    "read-gently": ("drives", "To the drives"),
    "read-first-minutes": ("drives", "To the drives"),
    "read-records": ("drives", "To the drives"),
    "identify": ("drives", "To the drives"),
}
"""Where in the browser steps of triage are done: the page, and what the link to it says."""
ALL_BAYS = "*"
"""Stands for every bay where bays are chosen; no bay's label can be that."""


# ---------------------------------------------------------------------- what pages show


@dataclass(frozen=True, slots=True)
class Question:
    """One sign of a place, its answers, and what is known."""

    asked: Asked
    sign: Sign
    words: str
    known: str
    known_words: str
    origin: str
    by_person: bool
    mark: str
    beside: str = ""

    @property
    def key(self) -> str:
        """For the ids of a page."""
        return f"{self.asked.sign}-{self.asked.bay or 'box'}"


@dataclass(frozen=True, slots=True)
class AtPlace:
    """The questions of the box, or of one bay."""

    bay: str
    words: str
    questions: tuple[Question, ...]

    @property
    def open(self) -> int:
        """How many are not answered."""
        return sum(not one.known for one in self.questions)


@dataclass(frozen=True, slots=True)
class Odd:
    """A fault with its chance now and before the last thing told; `before` is None if nothing was."""

    place: Place
    words: str
    chance: float
    before: float | None

    @property
    def moved(self) -> bool:
        """Whether it shows that the last answer moved it."""
        return self.before is not None and chance_text(self.before) != chance_text(self.chance)

    @property
    def key(self) -> str:
        """For the ids of a page."""
        return f"{self.place.fault}-{self.place.bay or 'box'}"


@dataclass(frozen=True, slots=True)
class ShownStep:
    """A step as the page lists it."""

    offer: Offer
    figures: str
    because: str
    first: str
    held: tuple[str, ...]
    ask: tuple[str, ...]
    is_repair: bool

    @property
    def minutes(self) -> str:
        """What it takes of a person's time."""
        return f"{self.offer.step.minutes.value:g}"


def _question(told: Triage, asked: Asked) -> Question:
    sign, known = sign_of(told.belief.worlds, asked), told.known.get(asked)
    said = known.answer if known else ""
    return Question(
        asked,
        sign,
        sign.question(told.subject.box),
        said,
        sign.answers[sign.place(said)].words if said else "",
        said_by(known.origin) if known else "",
        bool(known and known.by_person),
        seen(said, _repairs(told)),
        words.beside_sentence(told, asked),
    )


def said_by(origin: str) -> str:
    """Where an answer is from; a time in it to the minute, as people read it."""
    who, comma, at = origin.rpartition(", ")
    return f"{who}, {moment(at)}" if comma and at[:4].isdigit() and at.endswith("Z") else origin


def _places(told: Triage) -> Iterator[AtPlace]:
    every = [_question(told, one) for one in signs_of(told)]
    first = "The box" if told.subject.box else "What came in"
    for bay, said in (("", first), *((bay, f"Bay {bay}") for bay in told.subject.bays)):
        of = tuple(one for one in every if one.asked.bay == bay)
        if of:
            yield AtPlace(bay, said, of)


def _odds(told: Triage) -> tuple[Odd, ...]:
    """Every fault, the likeliest first."""
    tables = told.belief.worlds.tables
    earlier = dict(told.before.belief.ranked()) if told.before else {}
    return tuple(
        Odd(place, words.place_words(tables, place), chance, earlier.get(place))
        for place, chance in told.belief.ranked()
    )


def _last_words(told: Triage) -> str:
    """What was told last, as a sentence; empty if nothing."""
    if told.before is None:
        return ""
    return _told_words(told, told.before.asked, told.before.said)


def _currency(bench: Bench) -> str:
    """The shop's; empty while its prices cannot be read."""
    try:
        return prices_in_force(bench).currency
    except MendbayError:
        return ""


def _step(told: Triage, offer: Offer, currency: str) -> ShownStep:
    return ShownStep(
        offer,
        words.figures(offer, currency),
        words.because(told, offer),
        words.first_sentence(told.offers, offer, currency),
        tuple(words.held_sentences(told, offer)),
        tuple(one.title for one in to_ask(offer.step.consents, told.consents)),
        offer.step.kind is StepKind.REPAIR,
    )


def _step_words(offer: Offer) -> str:
    """A step within a sentence: what is done, not its id."""
    return f"“{offer.step.words.rstrip('.')}”{words.in_bay(offer.bay)}"


def _asked_words(told: Believed, asked: Asked) -> str:
    """A question by its own words, with the bay it is of."""
    where = f"bay {asked.bay}: " if asked.bay else ""
    return f"{where}{sign_of(told.belief.worlds, asked).question(told.subject.box)}"


def _moved_most(told: Triage) -> tuple[str, ...]:
    """What the last answer did to the likeliest fault that it moved, as a sentence; none if it moved none."""
    one = next((each for each in _odds(told) if each.moved), None)
    if one is None or one.before is None:
        return ("It moved nothing that shows.",)
    what = f"{one.words[:1].upper()}{one.words[1:]}"
    return (f"{what}: was {chance_text(one.before)}, now {chance_text(one.chance)}.",)


def _told_words(told: Believed, asked: Asked, said: str) -> str:
    """A question with its answer, or a repair that was made."""
    if said in HOW_IT_WENT:
        where = f"bay {asked.bay}: " if asked.bay else ""
        went = HOW_IT_WENT[said].capitalize()
        return f"{where}{told.belief.worlds.tables.steps[asked.sign].words} {went}."
    sign = sign_of(told.belief.worlds, asked)
    words = sign.answers[sign.place(said)].words
    return f"{_asked_words(told, asked)} {words[:1].upper()}{words[1:]}."


def _moved_words(told: Believed, one: Moved) -> str:
    """What moved a fault; an answer that no longer counts as it is now is told as of before."""
    words = _told_words(told, one.asked, one.answer)
    now = one.answer in HOW_IT_WENT or told.belief.answers.get(one.asked) == one.answer
    return words if now else f"before the repair: {words}"


def _shown(odds: tuple[Odd, ...], everything: bool) -> tuple[Odd, ...]:
    return odds if everything else tuple(one for one in odds if one.chance >= LEAST)[:FAULTS_SHOWN]


# ---------------------------------------------------------------------- pages


@BOOK.page(
    "/case/{case:int}/triage",
    "triage",
    "What is likely broken in a case, what can be asked of it, and what to do next.",
    [flag("all", "Every fault and every step")],
)
def triage(visit: Visit) -> Answer:
    case, everything = visit.path["case"], visit.said["all"]
    with visit.bench() as bench:
        if _unsaid(bench, case):
            return visit.go("triage-subject", "More than two bays are described: say which to judge.")
        told = tell_triage(bench, case) if everything else tell_what_is_left(bench, case)
        card = card_of(visit, bench, case, weighed=everything or not told.over)
        currency = _currency(bench)
    odds = _odds(told)
    offers = told.offers if everything else short_list(told)
    facts = {
        "card": card,
        "told": told,
        "over": words.OVER if told.over and not everything else "",
        "is_past": any(one.page == "triage" and one.state in PAST for one in card.steps),
        "stops": [(words.stop_sentences(one), "") for one in told.keep_off]
        + [(words.closed_sentences(one), one.bay) for one in told.closed_boards],
        "before_power": words.before_power_sentences(told),
        "subject": words.subject_sentence(told, currency),
        "rests": words.rests_sentence(told),
        "open_again": [_asked_words(told, one) for one in told.open_again],
        "places": tuple(_places(told)),
        "odds": _shown(odds, everything),
        "moved": [one for one in odds if one.moved][:MOVED_SHOWN],
        "more_faults": len(odds) - len(_shown(odds, everything)),
        "sound": told.belief.sound(),
        "sound_before": told.before.belief.sound() if told.before else None,
        "layouts": words.layout_words(told),
        "last": _last_words(told),
        "steps": [_step(told, one, currency) for one in offers],
        "more_steps": len(told.offers) - len(offers),
        "refused": () if everything else words.refused_sentences(told),
        "speak_again": words.speak_again_sentences(told, currency, _step_words),
        "everything": everything,
        "bar": odds_bar,
        "scale": odds_scale,
        "chance_words": words.chance_words,
        "by": said_by,
    }
    return Page("triage.html", facts)


def _unsaid(bench: Bench, case: int) -> bool:
    """Whether more bays are described than can be judged together, and nobody said which are."""
    bays = [one.bay for one in bench.ledger.bays(case)]
    chosen = said_of_subject(bench, case)[0].get("bays", ())
    return len(bays) > MOST_BAYS and not set(chosen) & set(bays)


@BOOK.page("/case/{case:int}/triage/subject", "triage-subject", "What triage is of: a form.")
def subject(visit: Visit) -> Answer:
    case = visit.path["case"]
    with visit.bench() as bench:
        card = card_of(visit, bench, case)
        bays = [one.bay for one in bench.ledger.bays(case)]
        said, origin = said_of_subject(bench, case)
        currency = _currency(bench)
    box = said.get("box")
    facts = {
        "card": card,
        "came": "" if box is None else "box" if box else "drive",
        "worth": said.get("worth"),
        "chosen": ",".join(said.get("bays", [])),
        "origin": said_by(origin),
        "currency": currency,
        "bays": choice("bays", "Bays to judge", _bay_choices(bays)),
        "form_mark": seen(said),
        "too_many": len(bays) > MOST_BAYS,
    }
    return Page("triage_subject.html", facts)


def _bay_choices(bays: Sequence[str]) -> dict[str, str]:
    """What may be judged together: all if they are few enough, each bay alone, any two."""
    pairs = [f"{one},{two}" for at, one in enumerate(bays) for two in bays[at + 1 :]]
    return {
        **({ALL_BAYS: "all bays"} if len(bays) <= MOST_BAYS else {}),
        **{one: f"bay {one} alone" for one in bays},
        **{one: f"bays {' and '.join(one.split(','))}" for one in pairs},
    }


@BOOK.page(
    "/case/{case:int}/triage/question",
    "triage-question",
    "One question: its answers, what each would mean, and what is known.",
    ASKED,
)
def question(visit: Visit) -> Answer:
    case, asked = visit.path["case"], Asked(visit.said["sign"], visit.said["bay"])
    with visit.bench() as bench:
        told = tell_triage(bench, case)
        card = card_of(visit, bench, case, weighed=True)
        one = _question(told, asked)
        found = () if one.known else what_if(bench, case, asked)[1]
    places, tables = told.belief.worlds.places, told.belief.worlds.tables
    now = told.belief.faults()
    then = []
    for each in found:
        order = sorted(range(len(places)), key=lambda at, each=each: -each.faults[at])[:LIKELIEST]  # type: ignore[misc]
        faults = [
            (words.place_words(tables, places[at]), float(each.faults[at]), float(now[at])) for at in order
        ]
        then.append((one.sign.answers[one.sign.place(each.answer)].words, each.chance, faults))
    return Page(
        "triage_question.html", {"card": card, "one": one, "then": then, "bar": odds_bar, "scale": odds_scale}
    )


@BOOK.page(
    "/case/{case:int}/triage/fault",
    "triage-fault",
    "What moved one fault, the strongest first.",
    [line("fault", "Fault", required=True, limit=60), line("bay", "Bay", limit=60)],
)
def fault(visit: Visit) -> Answer:
    case, place = visit.path["case"], Place(visit.said["fault"], visit.said["bay"])
    with visit.bench() as bench:
        told, moved = why(bench, case, place)
        card = card_of(visit, bench, case)
    worlds = told.belief.worlds
    facts = {
        "card": card,
        "words": words.place_words(worlds.tables, place),
        "chance": told.belief.fault(place.fault, place.bay),
        "before": float(worlds.prior @ worlds.faulty[:, worlds.place(place.fault, place.bay)]),
        "begins": words.begins_sentence(worlds.tables, place.fault),
        "moved": [(one.bits, words.moved_how(one), _moved_words(told, one)) for one in moved],
        "bar": odds_bar,
        "scale": odds_scale,
    }
    return Page("triage_fault.html", facts)


@BOOK.page(
    "/case/{case:int}/triage/step",
    "triage-step",
    "How a step is done: its cautions first, what it costs, what may be lost, and its answers.",
    STEP,
)
def step(visit: Visit) -> Answer:
    case, wanted, bay = visit.path["case"], visit.said["step"], visit.said["bay"]
    with visit.bench() as bench:
        told = tell_triage(bench, case)
        card = card_of(visit, bench, case, weighed=True)
        currency = _currency(bench)
    offer = next((one for one in told.offers if (one.step.id, one.bay) == (wanted, bay)), None)
    if offer is None:
        raise _no_step(told, wanted, bay)
    asked = Asked(offer.step.reveals, offer.bay) if offer.step.reveals else None
    if asked is not None and told.belief.worlds.tables.signs[asked.sign].seat is not Seat.BAY:
        asked = Asked(asked.sign)
    cautions: tuple[Caution, ...] = cautions_of(offer.step)
    facts = {
        "card": card,
        "one": _step(told, offer, currency),
        "cautions": cautions,
        "ask": to_ask(offer.step.consents, told.consents),
        "is_held": held(offer),
        "question": None if asked is None else _question(told, asked),
        "done_at": DONE_AT.get(offer.step.id),
        "done_of": {} if told.assumed or not offer.bay else {"bay": offer.bay},
        "tried_mark": _mark_of_repairs(told),
    }
    return Page("triage_step.html", facts)


def _no_step(told: Triage, wanted: str, bay: str) -> Exception:
    tables, why = told.belief.worlds.tables, why_not_offered(told, wanted, bay)
    again = f"mendbay triage show {told.case} lists what can be done."
    if why is NotOffered.NO_SUCH_STEP:
        return NoSuchItem(f"There is no step {wanted[:40]!r}.", again)
    known = tables.steps[wanted]
    name = f"“{known.words.rstrip('.')}”"
    if why in (NotOffered.OF_A_DRIVE, NotOffered.OF_NO_DRIVE):
        seat = "a drive" if why is NotOffered.OF_A_DRIVE else f"the {known.seat}"
        return UsageError(f"{name} is a step of {seat}.", again)
    if why is NotOffered.NOTHING_CAME_IN:
        return UsageError(f"{name} cannot be taken: {words.NOTHING_CAME_IN}.", again)
    if why is NotOffered.BOARD_ALONE:
        return UsageError(f"{name} cannot be taken: {words.BOARD_ALONE}.", again)
    if why is NotOffered.MADE:
        return UsageError(f"{name} cannot be taken now: {words.MADE}.", again)
    if why is NotOffered.KNOWN:
        return UsageError(f"{name} cannot be taken now: what it would tell is known.", again)
    asked = " ".join(tables.signs[sign].question(told.subject.box) for sign, _ in known.needs)
    return UsageError(f"{name} cannot be taken now. It rests on what is answered to: {asked}", again)


# ---------------------------------------------------------------------- changes


@contextmanager
def _weighed_before(bench: Bench, case: int) -> Iterator[Triage]:
    """A step of the ledger with what triage tells in it. It is weighed before the step, which then finds it
    ready: weighing takes seconds, and nobody else can write during the step."""
    tell_triage(bench, case)
    with bench.ledger.together():
        yield tell_triage(bench, case)


@BOOK.change(
    "/case/{case:int}/triage/answer",
    "triage-answer",
    "Answers a question; the answer takes the place of an earlier one.",
    [*ASKED, line("answer", "Answer", required=True, limit=60)],
)
def give_answer(visit: Visit) -> Answer:
    case, asked = visit.path["case"], Asked(visit.said["sign"], visit.said["bay"])
    with visit.bench() as bench:
        with _weighed_before(bench, case) as told:
            sign_of(told.belief.worlds, asked)
            before = told.known.get(asked)
            visit.require_unchanged("the answer", before.answer if before else "", _repairs(told))
            enter_answer(bench, case, asked, visit.said["answer"])
        told = tell_triage(bench, case)
    return visit.go("triage", " ".join(("Answered.", _last_words(told), *_moved_most(told))))


@BOOK.change(
    "/case/{case:int}/triage/take-back",
    "triage-take-back",
    "Takes an answer back: it is unknown again.",
    [*ASKED, REASON],
)
def take_answer_back(visit: Visit) -> Answer:
    case, asked = visit.path["case"], Asked(visit.said["sign"], visit.said["bay"])
    with visit.bench() as bench, _weighed_before(bench, case) as told:
        before = told.known.get(asked)
        visit.require_unchanged("the answer", before.answer if before else "", _repairs(told))
        withdraw_answer(bench, case, asked, visit.said["reason"])
    return visit.go("triage", f"Taken back: the answer to “{_asked_words(told, asked)}”.")


@BOOK.page(
    "/case/{case:int}/triage/made",
    "triage-made",
    "Puts down a repair that was made, by whatever hand, or what came of one.",
    [line("step", "Step", limit=60), line("bay", "Bay", limit=60)],
)
def repair_made(visit: Visit) -> Answer:
    case, made, bay = visit.path["case"], visit.said["step"], visit.said["bay"]
    with visit.bench() as bench:
        told = tell_belief(bench, case)
        card = card_of(visit, bench, case)
    one = next((each for each in told.untried if (each.step.id, each.bay) == (made, bay)), None)
    facts = {
        "card": card,
        "one": one,
        "kinds": list(_kinds_of_repair(told)),
        "chosen": f"{made}:{bay}",
        "cautions": () if one is None else cautions_of(one.step),
        "by": said_by,
        "tried_mark": _mark_of_repairs(told),
    }
    return Page("triage_made.html", facts)


def _kinds_of_repair(told: Believed) -> Iterator[tuple[str, str]]:
    """The repairs that can be put down, of each drive or of the box: what is sent, and its words."""
    for step, bay in steps_of(told.belief.worlds):
        if step.kind is StepKind.REPAIR and not (bay and told.assumed):
            yield f"{step.id}:{bay}", step.words_of(bay).rstrip(".")


def _repairs(told: Believed) -> int:
    return len(told.tried) + len(told.mended) + len(told.untried)


def _mark_of_repairs(told: Believed) -> str:
    return seen(len(told.tried), len(told.mended), _repairs(told), sorted(map(str, told.known.items())))


@BOOK.change(
    "/case/{case:int}/triage/tried",
    "triage-tried",
    "Puts down that a repair was made, what was done, and what came of it.",
    [
        line("step", "Step", limit=60),
        line("bay", "Bay", limit=60),
        line("of", "What kind of repair it was, and of which drive", limit=130),
        line("done", "What was done", limit=DONE_LIMIT),
        choice("came", "What came of it", CAME_OF, default=CameOf.STILL_NOT.value),
    ],
)
def tried(visit: Visit) -> Answer:
    case, made, bay = visit.path["case"], visit.said["step"], visit.said["bay"]
    if visit.said["of"]:
        made, _, bay = visit.said["of"].partition(":")
    came_of = CameOf(visit.said["came"])
    with visit.bench() as bench, _weighed_before(bench, case) as told:
        visit.require_unchanged(
            "what is known",
            len(told.tried),
            len(told.mended),
            _repairs(told),
            sorted(map(str, told.known.items())),
        )
        enter_tried(bench, case, made, bay, came_of, visit.said["done"])
    done = f"{told.belief.worlds.tables.steps[made].words}{words.in_bay(bay)}"
    return visit.go("triage", f"Put down as {came_of.words}: {done}")


@BOOK.page(
    "/case/{case:int}/triage/repair", "triage-repair", "A repair that was put down, to be taken back.", STEP
)
def repair(visit: Visit) -> Answer:
    case, made, bay = visit.path["case"], visit.said["step"], visit.said["bay"]
    with visit.bench() as bench:
        told = tell_belief(bench, case)
        card = card_of(visit, bench, case)
    by_hand = [one for one in (*told.tried, *told.mended, *told.untried) if not one.swap]
    one = next((each for each in by_hand if (each.step.id, each.bay) == (made, bay)), None)
    if one is None:
        raise NoSuchItem(f"Nobody told that {made[:40]!r} was tried.", "Begin at triage.")
    facts = {"card": card, "one": one, "by": said_by, "tried_mark": seen(_repairs(told))}
    return Page("triage_repair.html", facts)


@BOOK.change(
    "/case/{case:int}/triage/untried",
    "triage-untried",
    "Takes back what was last told of a repair.",
    [*STEP, REASON],
)
def untried(visit: Visit) -> Answer:
    case, made, bay = visit.path["case"], visit.said["step"], visit.said["bay"]
    with visit.bench() as bench, _weighed_before(bench, case) as told:
        visit.require_unchanged("what was tried", _repairs(told))
        withdraw_tried(bench, case, made, bay, visit.said["reason"])
    done = f"{told.belief.worlds.tables.steps[made].words}{words.in_bay(bay)}"
    return visit.go("triage", f"Taken back: {done}")


@BOOK.change(
    "/case/{case:int}/triage/subject",
    "triage-about",
    "Says what came in, which bays are judged, and what the data is worth.",
    [
        choice("came", "What came in", CAME),
        decimal("worth", "What losing the data would cost", most=1_000_000_000),
        line("bays", "Bays to judge", limit=130),
    ],
)
def about(visit: Visit) -> Answer:
    case, came, bays = visit.path["case"], visit.said["came"], visit.said["bays"]
    chosen = None if not bays else () if bays == ALL_BAYS else tuple(bays.split(","))
    with visit.bench() as bench, bench.ledger.together():
        visit.require_unchanged("what triage is of", said_of_subject(bench, case)[0])
        box = None if not came else came == "box"
        note_about(bench, case, box=box, worth=visit.said["worth"], bays=chosen)
    return visit.go("triage", "Put down what triage is of.")
