"""What the planner assumes of a drive. Every bench has it, so it stands apart from the arrays that use it."""

from __future__ import annotations

from dataclasses import dataclass, replace

from mendbay.imaging.hazard import HAZARDS, Condition


@dataclass(frozen=True, slots=True)
class Assumptions:
    """What is assumed of a drive before it has been read, and how much it may be worn.

    Times in seconds. `refusal_wear_seconds` is how much powered time one refusal costs the drive in
    life (hazard of a refusal divided by hazard of a second, see `hazard.HAZARDS`); simulated trials showed
    the order of reads hardly changes when it is wrong by a factor of ten. `hazard_per_hour` is the chance
    that the drive is lost in a powered hour. All figures: own choice from such trials, no source, except
    `bad_share`, which follows the share of drives and sectors in Bairavasundaram et al., "An Analysis of
    Latent Sector Errors in Disk Drives", SIGMETRICS 2007, rounded up for drives that were brought in because
    they fail.
    """

    command_seconds: float = 0.002
    seek_seconds: float = 0.012
    bytes_per_second: float = 150e6
    refusal_seconds: float = 3.0
    refusal_wear_seconds: float = HAZARDS[Condition.REFUSES].refusal_wear_seconds
    hazard_per_hour: float = HAZARDS[Condition.REFUSES].per_hour
    bad_share: float = 2e-5
    retry_share: float = 0.05
    largest_read_bytes: int = 2 << 20
    most_tries: int = 3

    @classmethod
    def of(cls, condition: Condition, base: Assumptions | None = None) -> Assumptions:
        """The assumptions for a drive in a condition; all else as in `base`."""
        hazard = HAZARDS[condition]
        return replace(
            base or cls(),
            refusal_wear_seconds=hazard.refusal_wear_seconds,
            hazard_per_hour=hazard.per_hour,
        )

    @property
    def hazard_per_refusal(self) -> float:
        """The chance that a refusal loses the drive, besides the time it takes."""
        return self.refusal_wear_seconds * self.hazard_per_hour / 3600
