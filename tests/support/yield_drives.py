"""Small drives for the tests of the imaging benchmark, built by hand instead of drawn."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from imaging_yield.models import DriveModel, Hazard


def small_drive(
    chances: Sequence[float],
    wanted: Sequence[tuple[int, int]] = (),
    *,
    life: float = 1_000.0,
    refusal: float = 0.01,
    sector_seconds: float = 0.5,
    refusal_seconds: float = 3.0,
    seed: int = 1,
    **more: object,
) -> DriveModel:
    """A drive of `len(chances)` sectors, each with its chance of being given at a try."""
    chance = np.array(chances)
    dead = np.flatnonzero(chance == 0)
    weak = np.flatnonzero((chance > 0) & (chance < 1))
    spans = np.array(list(wanted), dtype=np.int64).reshape(-1, 2)
    facts: dict[str, object] = {"hazard": Hazard(life, refusal)} | more
    return DriveModel(
        seed=seed,
        sectors=len(chances),
        wanted=(spans[:, 0], spans[:, 1]),
        pace_at=np.array([0.0, len(chances)]),
        pace_seconds=np.array([0.0, len(chances) * sector_seconds]),
        refusal_seconds=refusal_seconds,
        bad=dead,
        weak=weak,
        weak_gives=chance[weak],
        **facts,  # type: ignore[arg-type]
    )
