"""Makes one identifier of all readings of the same number, and tells where they agree and differ.

Readings are sources of evidence: a barcode and a printed text are independent, the same text in several
pictures only in part, since the same reader makes the same mistakes. The probabilities they give to each
number are multiplied accordingly, and what is left is shared out anew.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import exp, log

from mendbay.board.claims import Candidate, Claim, changes_of
from mendbay.board.confusable import UNKNOWN, Confusions, compact
from mendbay.board.fit import shown
from mendbay.board.identifier import SETTLED_FROM, SUREST, UNCERTAIN, Alternative, Identifier, Part
from mendbay.board.number_form import Kind
from mendbay.board.sighting import How, Sighting

_REPEATED_TEXT = 0.5
"""What each further reading of the same writing counts for beside the one before it; the first of them for
half of that. Together they never count for more than half a reading (own choice, no source)."""
_FLOOR = 1e-4
"""No reading rules a number out altogether."""
_EXPLAINED, _UNEXPLAINED = 0.95, 0.6
"""What is left of the confidence when a reading differs in lookalikes, and when otherwise (own choice)."""
_SEVERAL = 0.8
"""What is left when the pictures show two numbers of a kind that a drive has one of (own choice)."""
_LEAST_ALTERNATIVE = 0.006
"""From which probability on something else is told (own choice by the measurement in
`docs/formats/number-forms.md`)."""
_MOST_WEAK = 0.6
"""Below this confidence a text may be a bad reading of a number one or two characters away (own choice)."""

_ONE_OF_EACH = (
    Kind.MODEL,
    Kind.SERIAL,
    Kind.FIRMWARE,
    Kind.BOARD,
    Kind.REVISION,
    Kind.CONTROLLER,
    Kind.ROM,
)


@dataclass(frozen=True, slots=True)
class Vote:
    """What one reading says about one kind: its numbers of that kind, the likeliest first."""

    kind: Kind
    claim: Claim
    candidates: tuple[Candidate, ...]

    @property
    def best(self) -> Candidate:
        """The likeliest number."""
        return self.candidates[0]


def votes_of(claim: Claim) -> list[Vote]:
    """The vote of a claim for its likeliest kind, and for every identifier that is a part of the number."""
    kind = claim.best.kind
    same = tuple(one for one in claim.candidates if one.kind is kind)
    votes = [Vote(kind, claim, same)]
    inner: dict[Kind, dict[str, Candidate]] = {}
    for one in same:
        for name, text in one.parts:
            part_kind = one.form.parts[name].kind if one.form else None
            if part_kind is not None:
                known = inner.setdefault(part_kind, {})
                before = known[text].probability if text in known else 0.0
                known[text] = Candidate(part_kind, text, None, (), None, before + one.probability)
    for part_kind, known in inner.items():
        ranked = sorted(known.values(), key=lambda one: (-one.probability, one.value))
        votes.append(Vote(part_kind, claim, tuple(ranked)))
    return votes


def merge(votes: Iterable[Vote], sightings: Sequence[Sighting], confusions: Confusions) -> list[Identifier]:
    """One identifier for each number that was read, by kind and falling confidence."""
    clusters: list[list[Vote]] = []
    for vote in sorted(votes, key=lambda one: (not one.claim.exact, -one.best.probability)):
        for cluster in clusters:
            if _same_number(cluster[0], vote, sightings):
                cluster.append(vote)
                break
        else:
            clusters.append([vote])
    found = [_identifier(cluster, sightings, confusions) for cluster in clusters]
    order = list(Kind)
    found.sort(key=lambda one: (order.index(one.kind), -one.confidence, one.value))
    return [_beside_others(one, found) for one in found]


def _same_number(one: Vote, two: Vote, sightings: Sequence[Sighting]) -> bool:
    """Whether two readings are of one number: they say the same, or one may be the other misread."""
    if one.kind is not two.kind:
        return False
    if compact(one.best.value) == compact(two.best.value):
        return True
    if one.claim.exact and two.claim.exact:
        return False
    if two.best.value in {each.value for each in one.candidates}:
        return True
    if one.best.value in {each.value for each in two.candidates}:
        return True
    weak = min(one.best.probability, two.best.probability) < _MOST_WEAK
    in_picture = {sightings[index].picture for index in one.claim.sightings}
    same_picture = any(sightings[index].picture in in_picture for index in two.claim.sightings)
    beside_code = same_picture and (one.claim.exact or two.claim.exact)
    return (weak or beside_code) and _distance_at_most_2(one.best.value, two.best.value)


def _distance_at_most_2(one: str, two: str) -> bool:
    """Whether at most two characters of two numbers of at least six differ, are missing or are added."""
    one, two = compact(one), compact(two)
    if min(len(one), len(two)) < 6 or abs(len(one) - len(two)) > 2:
        return False
    row = list(range(len(two) + 1))
    for index, sign in enumerate(one, 1):
        before, row[0] = row[0], index
        for column, other in enumerate(two, 1):
            before, row[column] = (
                row[column],
                min(row[column] + 1, row[column - 1] + 1, before + (sign != other)),
            )
    return row[-1] <= 2


def _identifier(cluster: list[Vote], sightings: Sequence[Sighting], confusions: Confusions) -> Identifier:
    shares = _shares(cluster, sightings)
    value = min(shares, key=lambda one: (-shares[one], one))
    candidate, vote = _carrier(cluster, value)
    agreements, said_otherwise, factor = _compared(cluster, value, sightings)
    alternatives = _alternatives(cluster, candidate, vote, shares)
    confidence = min(shares[value] * factor, SUREST)
    doubts = said_otherwise + _own_doubts(vote, value, alternatives)
    if confidence < SETTLED_FROM and not doubts:
        doubts.append(UNCERTAIN)
    seen = list(dict.fromkeys(index for one in cluster for index in one.claim.sightings))
    hows = [sightings[index].how for index in seen]
    how = next(one for one in (How.HAND, How.BARCODE, How.TEXT) if one in hows)
    return Identifier(
        kind=vote.kind,
        value=value,
        form=candidate.form.id if candidate.form else "",
        family=candidate.family,
        confidence=confidence,
        how=how,
        sightings=tuple(sightings[index] for index in seen),
        read_as=tuple(dict.fromkeys(one.claim.text for one in cluster)),
        parts=parts_of(candidate),
        repairs=_repairs(vote, candidate, confusions),
        agreements=tuple(agreements),
        doubts=tuple(dict.fromkeys(doubts)),
        alternatives=alternatives,
    )


def _shares(cluster: Sequence[Vote], sightings: Sequence[Sighting]) -> dict[str, float]:
    """The probability of each number any reading gives, all readings together."""
    values = dict.fromkeys(one.value for vote in cluster for one in vote.candidates)
    sources: dict[tuple[str, bool], Vote] = {}
    for vote in cluster:
        key = (sightings[vote.claim.sightings[0]].picture, vote.claim.exact)
        if key not in sources or vote.best.probability > sources[key].best.probability:
            sources[key] = vote
    scores = dict.fromkeys(values, 0.0)
    neither = 0.0
    texts = 0
    for (_, exact), vote in sources.items():
        weight = (
            1.0 if exact or not texts else _REPEATED_TEXT**texts / 2
        )  # never more than half a reading in all
        texts += not exact
        known = {one.value: one.probability for one in vote.candidates}
        neither += weight * log(max(1 - sum(known.values()), _FLOOR))
        for value in values:
            scores[value] += weight * log(max(known.get(value, 0.0), _FLOOR))
    top = max(neither, *scores.values())
    total = exp(neither - top) + sum(exp(score - top) for score in scores.values())
    return {value: exp(score - top) / total for value, score in scores.items()}


def _carrier(cluster: Sequence[Vote], value: str) -> tuple[Candidate, Vote]:
    """The reading that gives the number with the most probability, and the number as it gives it."""
    carriers = [(one, vote) for vote in cluster for one in vote.candidates if one.value == value]
    return max(carriers, key=lambda pair: (pair[0].form is not None, pair[0].probability))


def _compared(
    cluster: Sequence[Vote], value: str, sightings: Sequence[Sighting]
) -> tuple[list[str], list[str], float]:
    """Agreements and disagreements in words, and what is left of the confidence."""
    same = [vote for vote in cluster if compact(vote.best.value) == compact(value)]
    codes = {sightings[vote.claim.sightings[0]].code or "barcode" for vote in same if vote.claim.exact}
    texts = {sightings[vote.claim.sightings[0]].picture for vote in same if not vote.claim.exact}
    agreements = []
    if codes and texts:
        agreements.append(f"the {' and the '.join(sorted(codes))} repeats what is printed")
    elif sum(vote.claim.exact for vote in same) > 1:
        agreements.append("several codes say the same")
    if len(texts) > 1:
        agreements.append(f"read alike in {len(texts)} pictures")
    if any(vote.claim.captioned and vote.claim.best.kind is vote.kind for vote in same):
        agreements.append(f"a caption says {same[0].kind.value}")
    doubts, factor = [], 1.0
    for vote in cluster:
        if vote in same:
            continue
        where = sightings[vote.claim.sightings[0]]
        source = f"the {where.code or 'barcode'}" if vote.claim.exact else "the text"
        doubts.append(f"{source} in {where.picture} reads {vote.claim.text}")
        explained = value in {one.value for one in vote.candidates}
        factor = min(factor, _EXPLAINED if explained else _UNEXPLAINED)
    return agreements, doubts, factor


def _own_doubts(vote: Vote, value: str, others: Sequence[Alternative]) -> list[str]:
    """What is doubtful about a reading in itself."""
    doubts = []
    if UNKNOWN in value:
        doubts.append("a character is missing or cannot be read (`?`)")
    if vote.best.form is None and vote.claim.best.kind is vote.kind and not vote.best.remembered:
        doubts.append("it has a caption but fits no known form")
    for other in others:
        differ = [at for at, (one, two) in enumerate(zip(value, other.value, strict=False)) if one != two]
        if other.kind is not vote.kind:
            doubts.append(f"it may be the {other.kind.value} {other.value} instead")
        elif len(differ) == 1 and len(value) == len(other.value):
            at = differ[0]
            said = f"the {value[at]} at place {at + 1} may be {other.value[at]}: both are possible there"
            doubts.append(said)
        else:
            doubts.append(f"it may be {other.value} instead")
    return doubts


def _alternatives(
    cluster: Sequence[Vote], carrier: Candidate, vote: Vote, shares: dict[str, float]
) -> tuple[Alternative, ...]:
    """What else the number may be, unless it differs only where that does not matter."""
    others = {one.value: one for each in cluster for one in each.candidates}
    found = [
        Alternative(vote.kind, value, share)
        for value, share in shares.items()
        if share >= _LEAST_ALTERNATIVE and value != carrier.value and _matters(carrier, others[value])
    ]
    found += [
        Alternative(one.kind, one.value, one.probability)
        for one in vote.claim.candidates
        if one.kind is not vote.claim.best.kind and one.probability >= _LEAST_ALTERNATIVE
    ]
    return tuple(sorted(found, key=lambda one: (-one.probability, one.value)))


def _matters(one: Candidate, two: Candidate) -> bool:
    """Whether two numbers differ in a part that matters."""
    if one.form is None or one.form is not two.form:
        return True
    slight = {name for name, meaning in one.form.parts.items() if not meaning.matters}
    if not slight:
        return True
    return {part for part in one.parts if part[0] not in slight} != {
        part for part in two.parts if part[0] not in slight
    }


def _repairs(vote: Vote, candidate: Candidate, confusions: Confusions) -> tuple[str, ...]:
    if candidate.remembered:
        times = f"{candidate.remembered} earlier correction{'s' if candidate.remembered > 1 else ''}"
        return (f"read as {vote.claim.text}, as in {times}",)
    said = shown(changes_of(candidate), confusions)
    return (f"read as {vote.claim.text}: {', '.join(said)}",) if said else ()


def parts_of(candidate: Candidate) -> tuple[Part, ...]:
    """The parts of a number with what they mean."""
    if candidate.form is None:
        return ()
    found = []
    for name, text in candidate.parts:
        meaning = candidate.form.parts[name]
        amount = None if UNKNOWN in text else meaning.amount(text)
        found.append(Part(name, text, meaning.means, amount, meaning.unit, meaning.certain))
    return tuple(found)


def _beside_others(one: Identifier, found: Sequence[Identifier]) -> Identifier:
    """Tells if the pictures show another number of a kind that a drive has only one of."""
    if one.kind not in _ONE_OF_EACH:
        return one
    others = [other.value for other in found if other.kind is one.kind and other.value != one.value]
    if not others:
        return one
    said = f"the pictures show another {one.kind.value} as well: {', '.join(others[:3])}"
    return replace(one, confidence=one.confidence * _SEVERAL, doubts=(*one.doubts, said))
