"""What a stretch of text claims to be: every number of every kind it can stand for, with its probability."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf, log

from mendbay.board.capacity_text import capacity_value
from mendbay.board.confusable import STROKE, UNKNOWN
from mendbay.board.fields import Segment, look
from mendbay.board.fit import Change, Channel, Fit, Read, no_form_likelihood
from mendbay.board.number_form import Form, Kind, shape

_CAPTION_FITS, _CAPTION_CONTRADICTS = 30.0, 0.03
"""How a caption changes the odds of a form of its kind, and of another kind (own choice, no source)."""
_GLUED_PENALTY = 0.3
"""A caption that is only the number's own first letters counts for less (own choice)."""
_SLIP_FROM, _SLIP_DIGITS = 7, 2
"""Characters and digits a text needs for one character to be lost, added or unlike what was read; in shorter
ones anything would fit (own choice)."""
_UNKNOWN_FORM = 0.6
"""Confidence in a value that has a caption but no known form (own choice)."""
_LEAST_KEPT = 1e-3


@dataclass(frozen=True, slots=True)
class Candidate:
    """One number a text can stand for.

    `form` is None if it fits none. `fit` is how the text was seen as a number of it, None if it was not.
    `remembered` counts the earlier corrections of the same reading to this number.
    """

    kind: Kind
    value: str
    form: Form | None
    parts: tuple[tuple[str, str], ...]
    fit: Fit | None
    probability: float
    remembered: int = 0

    @property
    def family(self) -> str:
        """The family of the number; its shape if no form gives one."""
        return self.form.family_of(self.value, dict(self.parts)) if self.form else shape(self.value)


@dataclass(frozen=True, slots=True)
class Claim:
    """A text and what it can stand for, the likeliest first; the probabilities sum to at most 1.

    `none` is the probability that it is no number at all, `gain` the log-odds against that.
    """

    text: str
    exact: bool
    sightings: tuple[int, ...]
    candidates: tuple[Candidate, ...]
    none: float
    gain: float
    captioned: bool

    @property
    def best(self) -> Candidate:
        """The likeliest number."""
        return self.candidates[0]


Learned = dict[str, tuple[Kind, ...]]
"""Captions seen beside a text somewhere, by its `look`."""


def segment_claims(channel: Channel, segment: Segment, learned: Learned) -> list[Claim]:
    """The best division of a segment into numbers and other words.

    Every run of words is weighed as a number; the division with the largest sum of log-odds is kept
    (weighted interval scheduling).
    """
    by_end: dict[int, list[tuple[int, Claim]]] = {}
    runs = segment.runs()
    words = max((stop for _, stop, _, _ in runs), default=0)
    for first, stop, start, end in runs:
        read = segment.read.cut(start, end)
        kinds = segment.kinds if first == 0 else ()
        slip = stop - first == words or (first + 1 == stop and len(read.symbols) >= _SLIP_FROM)
        claim = weigh(channel, read, kinds or learned.get(look(read.symbols), ()), segment, slip)
        if claim is not None and claim.gain > 0:
            by_end.setdefault(stop, []).append((first, claim))
    best: list[tuple[float, tuple[Claim, ...]]] = [(0.0, ())]
    for stop in range(1, words + 1):
        ways = [best[stop - 1]]
        ways += [(best[first][0] + one.gain, (*best[first][1], one)) for first, one in by_end.get(stop, ())]
        best.append(max(ways, key=lambda one: one[0]))
    chosen = list(best[words][1])
    if segment.kinds and not segment.glued and not any(one.captioned for one in chosen):
        unknown = _unknown_form(segment)
        if unknown is not None:
            chosen.append(unknown)
    return chosen


def weigh(
    channel: Channel, read: Read, kinds: Sequence[Kind], segment: Segment, one_slip: bool
) -> Claim | None:
    """What one stretch of text can stand for; None if it is hardly a number.

    Args:
        kinds: what a caption says it is; empty without one.
        one_slip: whether one character may be lost, added or read as something unlike it, which is tried
            only if the text fits no form without that.
    """
    fits = channel.fits(read, False, kinds)
    nothing = no_form_likelihood(read.symbols) * (1 if not segment.glued else 1 / _GLUED_PENALTY)
    weights = [_weight(fit, kinds) for fit in fits]
    if one_slip and _can_slip(read) and sum(weights) < nothing:
        fits = channel.fits(read, True, kinds)
        weights = [_weight(fit, kinds) for fit in fits]
    total = sum(weights) + nothing
    found: dict[tuple[Kind, str], Candidate] = {}
    for fit, weight in zip(fits, weights, strict=True):
        _collect(found, fit, weight / total)
    remembered = _remembered(channel, read.symbols)
    if not found and not remembered:
        return None
    none = nothing / total
    if remembered:
        found, keep = _with_remembered(found, remembered)
        none *= keep
    ranked = sorted(found.values(), key=lambda one: (-one.probability, one.kind, one.value))
    kept = tuple(one for one in ranked if one.probability >= _LEAST_KEPT)
    if not kept:
        return None
    gain = log((1 - none) / none) if 0 < none < 1 else inf if none <= 0 else -inf
    captioned = bool(kinds) and kept[0].kind in kinds
    return Claim(read.symbols, read.exact, segment.sightings, kept, none, min(gain, 700.0), captioned)


def _can_slip(read: Read) -> bool:
    """Whether a text is long enough, and looks enough like a number, to be one with a slip in it."""
    digits = sum(one.isdigit() for one in read.symbols)
    return not read.exact and len(read.symbols) >= _SLIP_FROM and digits >= _SLIP_DIGITS


def _weight(fit: Fit, kinds: Sequence[Kind]) -> float:
    caption = 1.0 if not kinds else _CAPTION_FITS if fit.form.kind in kinds else _CAPTION_CONTRADICTS
    return fit.likelihood * fit.form.prior * caption


def _collect(found: dict[tuple[Kind, str], Candidate], fit: Fit, probability: float) -> None:
    """Adds a fit's numbers; the same number by several forms counts once, with the likeliest form."""
    form = fit.form
    ways = [(fit.number, fit.parts, fit.share), *((one.number, one.parts, one.share) for one in fit.rivals)]
    for number, parts, share in ways:
        value = written(form, number, dict(parts))
        new = Candidate(form.kind, value, form, parts, fit, probability * share)
        old = found.get((form.kind, value))
        if old is not None:
            stronger = new if new.probability > old.probability else old
            new = replace(stronger, probability=min(1.0, old.probability + new.probability))
        found[form.kind, value] = new


def written(form: Form, number: str, parts: Mapping[str, str]) -> str:
    """A number as it is written down; capacities all in one way."""
    capacity = capacity_value(form, parts) if form.kind is Kind.CAPACITY else ""
    return capacity or form.value(number, parts)


def _remembered(channel: Channel, symbols: str) -> list[Candidate]:
    """What exactly this reading was corrected to before: k of n earlier corrections count k / (n + 1/2)."""
    found = []
    for kind in Kind:
        known = channel.confusions.remembered(kind, symbols)
        if known is not None:
            right, times, others = known
            form, parts = exact_form(channel.forms, kind, right)
            share = times / (times + others + 0.5)
            found.append(Candidate(kind, right, form, parts, None, share, times))
    return found


def _with_remembered(
    found: Mapping[tuple[Kind, str], Candidate], remembered: Sequence[Candidate]
) -> tuple[dict[tuple[Kind, str], Candidate], float]:
    """The candidates with what earlier corrections say put first, and the share left to all others.

    What the correction does not speak of, such as the revision read behind a board number, stays as read.
    """
    total = sum(one.probability for one in remembered)
    keep = max(0.0, 1 - total)
    merged = {key: replace(one, probability=one.probability * keep) for key, one in found.items()}
    for one in remembered:
        now = replace(one, probability=one.probability / max(1.0, total))
        as_read = max(
            (each for each in found.values() if each.kind is one.kind and each.form is one.form),
            key=lambda each: (each.value == one.value, each.probability),
            default=None,
        )
        if as_read is not None and as_read.form is not None:
            said = {name for name, _ in one.parts}
            meanings = as_read.form.parts
            beside = [part for part in as_read.parts if meanings[part[0]].kind and part[0] not in said]
            now = replace(now, parts=(*one.parts, *beside))
        merged[one.kind, one.value] = now
    return merged, keep


def exact_form(
    forms: Iterable[Form], kind: Kind, value: str
) -> tuple[Form | None, tuple[tuple[str, str], ...]]:
    """The first form of a kind that a number fits without any change, and its parts; plain forms last."""
    for form in sorted((one for one in forms if one.kind is kind), key=lambda one: one.needs_caption):
        match = form.pattern.match(value.upper())
        if match is not None:
            return form, match.parts
    return None, ()


def _unknown_form(segment: Segment) -> Claim | None:
    """A value that only its caption explains: its first word, if that can be a number at all."""
    if len(segment.kinds) != 1:
        return None
    word = segment.read.symbols.split(" ", 1)[0]
    if not 3 <= len(word) <= 40 or UNKNOWN in word or not any(one.isdigit() for one in word):
        return None
    slack = max(segment.read.slack[: len(word)])
    probability = _UNKNOWN_FORM if slack <= 1 else _UNKNOWN_FORM / slack
    value = word.replace(STROKE, "1")
    candidate = Candidate(segment.kinds[0], value, None, (), None, probability)
    return Claim(word, segment.read.exact, segment.sightings, (candidate,), 1 - probability, 0.4, True)


def changes_of(candidate: Candidate) -> tuple[Change, ...]:
    """How the likeliest number of the candidate's fit differs from what was read; for a rival, how that
    differs."""
    fit, form = candidate.fit, candidate.form
    if fit is None or form is None or written(form, fit.number, dict(fit.parts)) == candidate.value:
        return fit.changes if fit else ()
    for rival in fit.rivals:
        if written(form, rival.number, dict(rival.parts)) == candidate.value:
            pairs = zip(fit.number, rival.number, strict=True)
            at = next(place for place, (old, new) in enumerate(pairs) if old != new)
            read = next((one.read for one in fit.changes if one.place == at), fit.number[at])
            rest = tuple(one for one in fit.changes if one.place != at)
            new = () if read == rival.number[at] else (Change(at, rival.number[at], read),)
            return rest + new
    return fit.changes
