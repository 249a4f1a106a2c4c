"""What a drive says of itself, for every face: sentences that nobody has wrapped yet, and JSON."""

from __future__ import annotations

from typing import Any

from mendbay.core.quantity import bytes_text, count_text
from mendbay.faces import wording
from mendbay.imaging.drive_findings import DriveAnswers
from mendbay.imaging.identify import DriveIdentity
from mendbay.imaging.smart import NAMES, Attribute
from mendbay.jobs.ask_drive import DriveFacts


def facts_words(told: DriveFacts) -> list[str]:
    """What it said: who it is, what that amounts to, and what it did not tell."""
    lines = [] if told.seen is None else [f"The host sees {bytes_text(told.seen.size_bytes)} there."]
    if told.answers is None:
        return [*lines, f"The drive says nothing of itself: {told.why_not}."]
    lines += [*identity_words(told.answers.identity), *(one.words for one in told.findings)]
    if told.answers.size.is_right and not told.answers.size.amiss:
        lines.append(told.answers.size.said[0].sentence)
    return [*lines, *(f"Not told: {one.what}: {one.why}" for one in told.not_said)]


def identity_words(identity: DriveIdentity) -> list[str]:
    """Who a drive says it is."""
    name = f"{identity.model or 'no model name'}, serial number {identity.serial or 'none'}"
    firmware = f", firmware {identity.firmware}" if identity.firmware else ""
    turns = {0: "", 1: "; nothing in it turns"}.get(
        identity.rotation, f"; {count_text(identity.rotation)} turns a minute"
    )
    physical = (
        f" ({identity.physical_bytes} physical)" if identity.physical_bytes != identity.sector_bytes else ""
    )
    return [
        f"It calls itself {name}{firmware}.",
        f"{count_text(identity.sectors)} sectors of {identity.sector_bytes} bytes{physical}{turns}.",
    ]


def facts_json(told: DriveFacts) -> dict[str, Any]:
    """What it said, for programs."""
    return {
        "source": told.where,
        "how": str(told.how),
        "why_not": told.why_not,
        "seen": None if told.seen is None else wording.identity_json(told.seen),
        "label_gb": told.label_gb,
        "drive": None if told.answers is None else _answers_json(told.answers),
        "findings": [{"weight": str(one.weight), "words": one.words} for one in told.findings],
        "not_said": [{"what": one.what, "why": one.why} for one in told.not_said],
    }


def _answers_json(answers: DriveAnswers) -> dict[str, Any]:
    identity, health, limits = answers.identity, answers.health, answers.limits
    return {
        "model": identity.model,
        "serial": identity.serial,
        "firmware": identity.firmware,
        "wwn": identity.wwn,
        "sectors": identity.sectors,
        "sector_bytes": identity.sector_bytes,
        "physical_bytes": identity.physical_bytes,
        "hidden_sectors": answers.size.hidden_sectors,
        "rotation": identity.rotation,
        "checksum": str(identity.checksum),
        "locked": identity.security.is_locked,
        "size": [{"verdict": str(one.verdict), "words": one.sentence} for one in answers.size.said],
        "records": str(answers.records) or None,
        "calls_itself_failing": answers.calls_itself_failing,
        "hours": None if health is None else health.hours,
        "link_errors": answers.link_errors,
        "celsius": answers.celsius,
        "limits": {"warn": limits.warn, "pause": limits.pause, "stop": limits.stop, "origin": limits.origin},
        "counters": [] if health is None else [_attribute_json(one) for one in health.attributes],
    }


def _attribute_json(one: Attribute) -> dict[str, Any]:
    return {
        "id": one.id,
        "name": NAMES.get(one.id, ""),
        "now": one.current,
        "worst": one.worst,
        "limit": one.threshold,
        "count": one.count,
        "raw": one.raw.hex(),
        "failing": one.is_failing,
        "failed_once": one.has_failed,
    }
