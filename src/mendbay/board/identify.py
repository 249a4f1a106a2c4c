"""From what was seen in pictures to identifiers: what the numbers are and how sure that is.

Texts are taken apart into fields, each stretch is weighed against all number forms with a model of how
characters are misread, readings of one number are brought together, and what a person corrected overrides
all of it. Nothing is guessed in silence: whatever may be otherwise is listed beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from mendbay.board.agreement import merge, parts_of, votes_of
from mendbay.board.capacity_text import check_capacities
from mendbay.board.claims import Candidate, Claim, Learned, exact_form, segment_claims, weigh
from mendbay.board.confusable import Confusions, Correction, compact
from mendbay.board.fields import Captions, Places, Segment, look
from mendbay.board.fit import LONGEST_NUMBER, Channel, joined
from mendbay.board.identifier import Identifier
from mendbay.board.number_form import Forms, Kind
from mendbay.board.sighting import How, PictureReading, Sighting

MOST_SIGHTINGS, MOST_WORDS = 600, 3_000
"""Texts and words looked at, several times what a set of pictures of one drive holds; of more, the surest."""
_WORDS_IN_ONE = 100

_CAPTION_REACH = 8.0
"""How far to the right of a caption its value may begin, in heights of the caption (own choice)."""
_SPLIT_REACH = 2.0
"""How far apart the two halves of a number may be, in heights of the first (own choice)."""
_JOIN_GAIN = 1.0
"""By how much joining two texts must be the better explanation, in nats (own choice)."""


def identify(
    readings: Sequence[PictureReading], forms: Forms, confusions: Confusions | None = None
) -> tuple[Identifier, ...]:
    """The identifiers seen in pictures of one drive, its board or its box.

    Args:
        readings: what was seen, one for each picture; at most `MOST_SIGHTINGS` texts are looked at.
        forms: as `load_forms` gives them.
        confusions: what earlier corrections taught; None for the priors alone.

    Returns:
        The identifiers by kind in the order of `Kind`, then by falling confidence. A number that no form and
        no caption explains is not among them.
    """
    sightings = _most_certain([one for reading in readings for one in reading.sightings if one.text.strip()])
    channel = Channel(forms, confusions or Confusions())
    segments = _segments(sightings, Captions(forms.captions))
    learned: Learned = {}
    for segment in segments:
        if segment.kinds and not segment.glued:
            learned.setdefault(look(segment.read.symbols), segment.kinds)
            learned.setdefault(look(segment.read.symbols.split(" ", 1)[0]), segment.kinds)
    claims = [(segment, segment_claims(channel, segment, learned)) for segment in segments]
    kept = _without_worse_glued(claims)
    kept = _joined_lines(channel, kept, sightings)
    votes = [vote for _, found in kept for claim in found for vote in votes_of(claim)]
    return check_capacities(merge(votes, sightings, channel.confusions))


def _most_certain(sightings: list[Sighting]) -> list[Sighting]:
    """The sightings within the bounds, the surest ones if there are more, in the order they came."""
    ranked = sorted(range(len(sightings)), key=lambda at: -sightings[at].confidence)[:MOST_SIGHTINGS]
    kept: list[int] = []
    words = 0
    for at in ranked:
        words += len(sightings[at].text.split()[:_WORDS_IN_ONE])
        if words > MOST_WORDS:
            break
        kept.append(at)
    return [sightings[at] for at in sorted(kept)]


def _segments(sightings: Sequence[Sighting], captions: Captions) -> list[Segment]:
    """All fields, with captions that stand in a text of their own given to what is beside or below them."""
    found: list[list[Segment]] = []
    waiting: dict[int, tuple[Kind, ...]] = {}
    for index, sighting in enumerate(sightings):
        segments, kinds = captions.segments(sighting, index)
        found.append(segments)
        if kinds:
            waiting[index] = kinds
    places = Places(sightings)
    for index, kinds in waiting.items():
        for value in (places.beside(index, _CAPTION_REACH), places.below(index)):
            if value is not None and value not in waiting and found[value] and not found[value][0].kinds:
                own = [one for one in found[value] if not one.glued]
                found[value] = [replace(own[0], kinds=kinds), *own[1:]]
                break
    return [one for segments in found for one in segments]


Found = tuple[Segment, list[Claim]]


def _gain(claims: Sequence[Claim]) -> float:
    return sum(one.gain for one in claims)


def _without_worse_glued(found: list[Found]) -> list[Found]:
    """For each text either its plain reading or one behind a glued caption, whichever explains more."""
    plain: dict[tuple[int, int], float] = {}
    glued: dict[tuple[int, int], tuple[float, int]] = {}
    for at, (segment, claims) in enumerate(found):
        key = (segment.sightings[0], segment.piece)
        if not segment.glued:
            plain[key] = plain.get(key, 0.0) + _gain(claims)
        elif _gain(claims) > glued.get(key, (0.0, at))[0]:
            glued[key] = (_gain(claims), at)
    kept: list[Found] = []
    for at, (segment, claims) in enumerate(found):
        key = (segment.sightings[0], segment.piece)
        best, best_at = glued.get(key, (0.0, -1))
        glued_wins = best > plain.get(key, 0.0)
        if at == best_at if glued_wins else not segment.glued:
            kept.append((segment, claims))
    return kept


def _joined_lines(channel: Channel, found: list[Found], sightings: Sequence[Sighting]) -> list[Found]:
    """Joins two texts, one beside or below the other, where together they are a number that explains them
    better than either alone."""
    places = Places(sightings)
    last = {segment.sightings[-1]: at for at, (segment, _) in enumerate(found)}
    first: dict[int, int] = {}
    for at, (segment, _) in enumerate(found):
        first.setdefault(segment.sightings[0], at)
    gone: set[int] = set()
    added: list[Found] = []
    for index, at in last.items():
        for other in (places.beside(index, _SPLIT_REACH), places.below(index)):
            there = first.get(other, at) if other is not None else at
            if there == at or at in gone or there in gone or found[there][0].kinds:
                continue
            together = _together(channel, found[at], found[there])
            if together is not None:
                added.append(together)
                gone.update((at, there))
                break
    return [one for at, one in enumerate(found) if at not in gone] + added


def _together(channel: Channel, one: Found, two: Found) -> Found | None:
    """Two texts as one number, if that explains them better."""
    (segment, claims), (other, others) = one, two
    if len(segment.read.symbols) + len(other.read.symbols) >= LONGEST_NUMBER:
        return None
    apart = max(0.0, _gain(claims)) + max(0.0, _gain(others)) + _JOIN_GAIN
    best: Found | None = None
    for between in ("", " ", "-"):
        read = joined(segment.read, other.read, between)
        whole = Segment(read, segment.kinds, segment.sightings + other.sightings)
        claim = weigh(channel, read, segment.kinds, whole, one_slip=False)
        if claim is not None and claim.gain > apart and claim.best.form is not None:
            apart, best = claim.gain, (whole, [claim])
    return best


def correct(
    identifiers: Sequence[Identifier],
    correction: Correction,
    forms: Forms,
    pictured: Sequence[Identifier] = (),
) -> tuple[Identifier, ...]:
    """The identifiers after a person's word: it has confidence 1 and keeps the evidence of the pictures.

    It replaces every identifier of its kind whose value, or one of whose readings, is a corrected
    text; without one it is added. With an empty `right_text` they are taken out: it is no such number.

    Args:
        identifiers: after the corrections before it.
        pictured: as the pictures alone have them: what was taken out there and is said again has its places.
    """
    read = {compact(text) for text in (correction.read_text, *correction.also_read)} - {""}
    hit = [
        one
        for one in identifiers
        if one.kind is correction.kind
        and not read.isdisjoint({compact(one.value), *(compact(text) for text in one.read_as)})
    ]
    rest = [one for one in identifiers if one not in hit]
    right = correction.right_text.strip()
    if not right:
        return tuple(rest)
    if not hit:
        same = compact(right)
        hit = [
            one
            for one in pictured
            if one.kind is correction.kind and same in {compact(one.value), *map(compact, one.read_as)}
        ]
    by_hand = _by_hand(correction.kind, right, hit, forms)
    order = list(Kind)
    return tuple(sorted([*rest, by_hand], key=lambda one: (order.index(one.kind), -one.confidence)))


def _by_hand(kind: Kind, right: str, hit: Sequence[Identifier], forms: Forms) -> Identifier:
    form, parts = exact_form(forms.forms, kind, right)
    candidate = Candidate(kind, right, form, parts, None, 1.0)
    read_as = tuple(dict.fromkeys(text for one in hit for text in one.read_as))
    differing = [text for text in read_as if compact(text) != compact(right)]
    said = ["typed by hand" if differing or not read_as else "confirmed by hand"]
    return Identifier(
        kind=kind,
        value=right,
        form=form.id if form else "",
        family=candidate.family,
        confidence=1.0,
        how=How.HAND,
        sightings=tuple(dict.fromkeys(seen for one in hit for seen in one.sightings)),
        read_as=read_as,
        parts=parts_of(candidate),
        repairs=tuple(f"read as {text}" for text in differing),
        agreements=tuple(said),
    )
