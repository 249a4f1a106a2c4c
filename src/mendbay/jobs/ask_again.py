"""What asking again for refused sectors may bring, once everything was tried: told before it is ordered, so
by what is assumed of a drive alone. The reading itself counts and corrects it."""

from __future__ import annotations

from dataclasses import dataclass

from mendbay.core.quantity import count_text, counted, duration_text, share_text
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.hazard import Condition


@dataclass(frozen=True, slots=True)
class AskedAgain:
    """What it may come to.

    Args:
        sectors: that are refused.
        tries: how much oftener each is asked for.
        brings: sectors that are expected to be given.
        seconds: at most, as each refusal keeps one waiting.
        dies: the chance that the drive is lost meanwhile, at most.
        share: the chance assumed of each try.
    """

    sectors: int
    tries: int
    brings: float
    seconds: float
    dies: float
    share: float


def asked_again(sectors: int, tries: int, condition: Condition = Condition.REFUSES) -> AskedAgain:
    """What it may bring to ask for so many refused sectors so much oftener.

    Args:
        condition: of the drive.
    """
    assumed = Assumptions.of(condition)
    asks = sectors * tries
    seconds = asks * assumed.refusal_seconds
    lives = (1 - assumed.hazard_per_refusal) ** asks * (1 - assumed.hazard_per_hour) ** (seconds / 3600)
    brings = sectors * (1 - (1 - assumed.retry_share) ** tries)
    return AskedAgain(sectors, tries, brings, seconds, 1 - lives, assumed.retry_share)


def asked_again_words(one: AskedAgain) -> str:
    """The same in a sentence."""
    often = "once more" if one.tries == 1 else f"{count_text(one.tries)} times more"
    brings = f"about {count_text(round(one.brings))}" if one.brings >= 0.5 else "hardly one"
    return (
        f"Asked for {often}, {brings} of the {counted(one.sectors, 'refused sector')} may be given "
        f"({share_text(one.share)} of each try is assumed, no source), in at most "
        f"{duration_text(one.seconds)} and with a chance of at most {share_text(one.dies)} that the drive is "
        "lost meanwhile."
    )
