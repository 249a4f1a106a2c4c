"""What going on with a reading that ended could bring, in sentences with its numbers.

It is read from the result in the state of a work (`docs/formats/works.md`), which has the shape that the
command of the same name answers with.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from mendbay.core.quantity import bytes_text, share_text
from mendbay.imaging.adapter_odds import WorthTrying
from mendbay.imaging.hazard import Condition
from mendbay.jobs.adapters_tried import worth_trying_words
from mendbay.jobs.ask_again import asked_again, asked_again_words
from mendbay.jobs.stop_advice import brings_words, refusals_words


class Further(StrEnum):
    """What can be done next with drives that were read."""

    NOTHING = "nothing"
    """There is nothing more to be had."""
    GO_ON = "go on"
    """Something was never asked for."""
    REST = "rest"
    """What is wanted was tried, the rest was not to be read."""
    AGAIN = "again"
    """Everything was tried; only more tries, or another adapter, can bring more."""


@dataclass(frozen=True, slots=True)
class GoingOn:
    """What going on could bring.

    Args:
        words: sentences, bay by bay.
        is_advised: nothing advises against it.
    """

    further: Further
    words: tuple[str, ...]
    is_advised: bool = True


UNKNOWN = GoingOn(Further.GO_ON, ())


def going_on(
    result: Mapping[str, Any] | None,
    *,
    only_wanted: bool = False,
    more_tries: int = 0,
    conditions: Mapping[str, Condition] | None = None,
) -> GoingOn:
    """What going on could bring.

    Args:
        result: of a reading, as far as it came; None where it came to none.
        only_wanted: no more was to be read than what is wanted.
        more_tries: how much oftener refused sectors would be asked for.
        conditions: by bay, what its drive was said to be like.
    """
    drives = [one for one in _drives(result) if _number(one, "read_bytes") + _lacks(one) > 0]
    if result is None or not drives:
        return UNKNOWN
    unread = sum(_number(one, "unread_bytes") for one in drives)
    said = conditions or {}
    words = tuple(
        word
        for one in drives
        for word in _drive_words(one, more_tries, said.get(str(one.get("bay")), Condition.REFUSES))
    )
    advised = [one for one in map(_at_end, drives) if one is not None]
    is_advised = not advised or any(one.get("go_on") for one in advised)
    if unread:
        return GoingOn(Further.REST if only_wanted else Further.GO_ON, words, is_advised)
    missing = _missing(result, drives)
    if not missing:
        whole = "Together they gave every byte: " if len(drives) > 1 else "Every byte was read: "
        return GoingOn(Further.NOTHING, (f"{whole}there is nothing to go on with.",))
    return GoingOn(Further.AGAIN, words, is_advised)


def _drives(result: Mapping[str, Any] | None) -> list[Mapping[str, Any]]:
    if result is None:
        return []
    found = result.get("drives", [result])
    return [one for one in found if isinstance(one, Mapping)] if isinstance(found, Sequence) else []


def _number(one: Mapping[str, Any], name: str) -> int:
    value = one.get(name)
    return int(value) if isinstance(value, (int, float)) else 0


def _list(value: object) -> Sequence[object]:
    return value if isinstance(value, (list, tuple)) else ()


def _share(one: Mapping[str, Any], name: str) -> float:
    value = one.get(name)
    return float(value) if isinstance(value, (int, float)) else 0.0


def _lacks(one: Mapping[str, Any]) -> int:
    return sum(_number(one, name) for name in ("refused_bytes", "unread_bytes", "left_bytes", "waived_bytes"))


def _missing(result: Mapping[str, Any], drives: Sequence[Mapping[str, Any]]) -> int:
    """What was tried and not given: of two halves, by neither or where the other proves nothing."""
    if isinstance(result.get("one_task"), Mapping) or isinstance(result.get("halves"), Mapping):
        return _number(result, "missing_bytes") + _number(result, "alone_bytes")
    return sum(_number(one, "refused_bytes") for one in drives)


def _drive_words(one: Mapping[str, Any], more_tries: int, condition: Condition) -> Iterator[str]:
    bay, unread, refused = one.get("bay", ""), _number(one, "unread_bytes"), _number(one, "refused_bytes")
    if unread:
        yield f"Bay {bay}: {bytes_text(unread)} were not asked for yet."
    elif refused:
        yield (
            f"Bay {bay}: everything was tried. {bytes_text(refused)} were refused as often as they were to "
            "be asked for, so the same options bring no more; more tries or another adapter may."
        )
        drive = one.get("drive")
        sector = _number(drive, "sector_bytes") if isinstance(drive, Mapping) else 0
        if more_tries > 0 and sector > 0 and refused >= sector:
            yield asked_again_words(asked_again(refused // sector, more_tries, condition))
    advice = _at_end(one)
    if advice is not None and (unread or refused):
        yield _advice_words(advice)
    for found in _list(one.get("worth_trying")):
        if isinstance(found, Mapping) and refused:
            yield worth_trying_words(
                WorthTrying(
                    adapter=str(found.get("adapter") or ""),
                    sectors=_number(found, "sectors"),
                    expected=_share(found, "expected"),
                    given=_number(found, "given"),
                    asked=_number(found, "asked"),
                )
            )


def _at_end(one: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """The advice at the end of a reading; None where nothing was left to weigh."""
    advice = one.get("advice")
    last = advice.get("at_end") if isinstance(advice, Mapping) else None
    return last if isinstance(last, Mapping) else None


def _advice_words(advice: Mapping[str, Any]) -> str:
    brings = brings_words(
        _share(advice, "seconds"),
        _number(advice, "brings_bytes"),
        _number(advice, "lacking_bytes"),
        of_wanted=False,
    )
    refusals = refusals_words(_share(advice, "refusals"))
    word = "Going on" if advice.get("go_on") else "Leaving it at that, with its power off,"
    dies, risks = (share_text(_share(advice, name)) for name in ("dies", "risks"))
    return (
        f"{word} is recommended. {brings} still lacking, with {refusals}; the chance that the drive is lost "
        f"meanwhile is {dies}, which puts {risks} of what is lacking at risk."
    )
