"""Find what fits a patient: donors ranked with reasons, what to do about the ROM, what to ask for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

from mendbay.board.confusable import alike_to_the_eye
from mendbay.board.description import BoardDescription, comparison_key, revision_key
from mendbay.board.identifier import Identifier
from mendbay.board.match import Ranking, StopReason, Wanted, judge
from mendbay.board.number_form import Forms
from mendbay.board.sighting import How
from mendbay.board.stock import StockState
from mendbay.board.stock_alike import DESCRIBED
from mendbay.board.stock_csv import Field
from mendbay.board.stock_index import StockIndex, explained
from mendbay.board.supplier_text import SupplierText, supplier_text
from mendbay.board.swap_odds import Agreement, Level, Purpose, SwapOdds, packaged_priors
from mendbay.board.unique_data import Need, TransferOutcome, UniqueData, Work, unique_data
from mendbay.core.errors import UsageError
from mendbay.core.quantity import chance_text
from mendbay.jobs.alternatives import alternatives
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import ShopFiles
from mendbay.jobs.consents import consents_of, refused, risk_called
from mendbay.jobs.keep_stock import family_followed
from mendbay.jobs.know_family import family_notes
from mendbay.jobs.read_pictures import describe, described, shop_forms, tell_board, unsettled
from mendbay.jobs.record_swaps import NEEDED, last_swaps, outcomes
from mendbay.jobs.remembered import remembered


@dataclass(frozen=True, slots=True)
class DonorSearch:
    """What fits a patient.

    Args:
        patient: what donors were compared with.
        purpose: what the donor is for.
        ranking: donors in the order to try them.
        rom: whether the unique board data must move, and where it sits.
        supplier: what to ask for; None while nothing is known to ask by.
        stock: how many items were looked through; those that left the stock are not.
        unsettled: what pictures show without certainty, and was therefore not compared.
        contradictions: where a person's word is against what the pictures show, in sentences; the word was
            taken.
        model_from_take_in: whether the model is the one noted when the drive came in, as no picture shows it.
    """

    patient: BoardDescription
    purpose: Purpose
    ranking: Ranking
    rom: UniqueData
    supplier: SupplierText | None
    stock: int
    unsettled: tuple[Identifier, ...] = ()
    contradictions: tuple[str, ...] = ()
    model_from_take_in: bool = False


def find_donor(
    bench: Bench,
    shop: ShopFiles,
    case: int,
    bay: str,
    *,
    purpose: Purpose = Purpose.BOARD_SWAP,
    said: BoardDescription | None = None,
    limit: int = 5,
) -> DonorSearch:
    """Ranks the stock against the drive of a bay.

    Args:
        said: what a person knows of the patient; it stands in front of what pictures show.
        limit: how many of the fitting, and of those ruled out, to explain.

    Raises:
        NoSuchCase: there is no such case or bay.
        CaseForgotten: it was forgotten.
        UsageError: nothing is known of the patient.
    """
    remembered(bench, case)
    look = tell_board(bench, shop, case, bay)
    seen = describe(look.identifiers)
    labelled = _labelled(bench, shop_forms(shop), case, bay, seen)
    patient = _with(labelled, said)
    if patient == BoardDescription():
        raise UsageError(
            f"Nothing is known of the drive in bay {bay}.",
            f"mendbay board pictures {case} {bay} FOLDER reads its numbers; or give them here, or its "
            f"model with mendbay case bay {case} {bay}=MODEL/SERIAL --amend.",
        )
    work = Work.BOARD_SWAP if purpose is Purpose.BOARD_SWAP else Work.HEAD_TRANSPLANT
    rom = unique_data(
        patient,
        work,
        notes=family_notes(bench),
        outcomes=transfer_outcomes(bench),
    )
    accepted = alternatives(bench)
    wanted = Wanted(patient, purpose, rom.rom_level, accepted, case)
    odds = SwapOdds(purpose, packaged_priors(), outcomes(bench))
    there = (item for item in bench.shelf.items() if item.state is not StockState.REMOVED)
    items = {item.number: item for item in there}
    found = StockIndex.from_items(items.values()).search(wanted, odds, limit)
    ranking = explained(found, wanted, items, odds)
    supplier = None
    if _searchable(patient):
        supplier = supplier_text(patient, accepted, odds.priors, purpose)
    return DonorSearch(
        patient,
        purpose,
        ranking,
        rom,
        supplier,
        len(items),
        unsettled(look.identifiers),
        _contradictions(seen, said or BoardDescription(), look.identifiers),
        model_from_take_in=patient.model == labelled.model != seen.model,
    )


def agreement_with(
    bench: Bench,
    shop: ShopFiles,
    case: int,
    bay: str,
    number: int,
    purpose: Purpose,
    rom: Level,
    said: BoardDescription | None = None,
) -> Agreement:
    """How the patient of a bay and one item agree: what is recorded with the swap's outcome.

    Args:
        said: what a person knows of the patient, as for `find_donor`.

    Raises:
        NoSuchCase, NoSuchItem: one of them is not there.
    """
    patient = _with(known_patient(bench, shop_forms(shop), case, bay), said)
    wanted = Wanted(patient, purpose, rom, alternatives(bench), case)
    return judge(wanted, bench.shelf.item(number), SwapOdds(purpose, packaged_priors())).agreement


def cautions_before(
    bench: Bench,
    shop: ShopFiles,
    case: int,
    number: int,
    purpose: Purpose,
    *,
    bay: str | None = None,
    rom: Level | None = None,
    said: BoardDescription | None = None,
) -> tuple[str, ...]:
    """What the customer's word and the ranking hold against an item for a case, for a person who takes it all
    the same.

    Where nothing is known of the patient, only what speaks against the item by itself.

    Args:
        bay: whose drive; None for any of the case, and then an item that fits one of them is not ruled out.
        rom: what was done with the unique board data, if that is known already.
        said: what a person knows of the patient, as for `find_donor`.

    Returns:
        Sentences; empty for an item that fits.

    Raises:
        NoSuchCase, NoSuchItem: one of them is not there.
    """
    item = bench.shelf.item(number)
    bays = [bay] if bay is not None else [one.bay for one in bench.ledger.bays(case)]
    seen = {one: _with(known_patient(bench, shop_forms(shop), case, one), said) for one in bays}
    known = {one: patient for one, patient in seen.items() if patient != BoardDescription()}
    odds, accepted = SwapOdds(purpose, packaged_priors()), alternatives(bench)
    against: dict[str, list[str]] = {}
    for one, patient in known.items() or [("", item.description)]:
        match = judge(Wanted(patient, purpose, alternatives=accepted, case=case), item, odds)
        # Whether it is free is for those to refuse who reserve and use it.
        stops = [stop for stop in match.stops if stop.reason not in (StopReason.USED, StopReason.RESERVED)]
        if not stops:
            against = {}
            break
        for stop in stops:
            against.setdefault(stop.words, []).append(one)
    no = refused(consents_of(bench, case))
    cautions = [f"The customer refused {risk_called(one).title}." for one in NEEDED[purpose] if one in no]
    cautions += [
        words if len(whose) == max(1, len(known)) else f"Bay {', '.join(whose)}: {words}"
        for words, whose in against.items()
    ]
    if rom is Level.NOT_MOVED and purpose is Purpose.BOARD_SWAP and bay is not None:
        needed = unique_data(seen[bay], Work.BOARD_SWAP, notes=family_notes(bench))
        if needed.need is Need.MUST:
            cautions.append(f"The ROM was not moved, though it must be: {needed.need_reason}")
    return tuple(cautions)


def transfer_outcomes(bench: Bench) -> tuple[TransferOutcome, ...]:
    """Every swap of the shop in which the ROM was moved: it was read, and the drive worked or not."""
    found = []
    for body in last_swaps(bench):
        if body["agreement"].get("ROM") == Level.MOVED:
            found.append(TransferOutcome(True, bool(body["worked"])))
    return tuple(found)


def known_patient(bench: Bench, forms: Forms, case: int, bay: str) -> BoardDescription:
    """What is known of a bay's drive: what its pictures show, with the model that was noted of it where they
    show none.

    Raises:
        NoSuchCase: there is no such case or bay.
    """
    return _labelled(bench, forms, case, bay, described(bench, forms, case, bay))


def _labelled(bench: Bench, forms: Forms, case: int, bay: str, seen: BoardDescription) -> BoardDescription:
    model = "" if seen.model else bench.ledger.bay(case, bay).model
    return family_followed(forms, replace(seen, model=model)) if model else seen


def _contradictions(
    seen: BoardDescription, said: BoardDescription, identifiers: Sequence[Identifier]
) -> tuple[str, ...]:
    """What a person gives against what is known from the pictures, in sentences."""
    found = []
    for field, name in DESCRIBED.items():
        given, known = getattr(said, name), getattr(seen, name)
        same = revision_key if field is Field.REVISION else comparison_key
        if not given or not known or same(given) == same(known):
            continue
        source = next((one for one in identifiers if one.settled and one.value == known), None)
        if source is not None and source.how is How.HAND:
            shown = f"it was set by hand to {known}"
        else:
            sure = f" ({chance_text(source.confidence)})" if source is not None else ""
            shown = f"the pictures of this drive show {known}{sure}"
        words = f"The {field} {given} given here was taken, but {shown}"
        alike = alike_to_the_eye(known, given)
        if alike:
            pairs = " and ".join(f"{one} for {other}" for one, other in ((b, a) for a, b in alike))
            words += f". They only differ in signs that look alike ({pairs}): it may be mistyped"
        found.append(f"{words}.")
    return tuple(found)


def _with(seen: BoardDescription, said: BoardDescription | None) -> BoardDescription:
    if said is None:
        return seen
    given = {one.name: getattr(said, one.name) for one in fields(said) if getattr(said, one.name)}
    return replace(seen, **given)


def _searchable(patient: BoardDescription) -> bool:
    return any((patient.board_number, patient.model, patient.family, patient.controller))
