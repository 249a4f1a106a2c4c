"""What the drives of this benchmark are drawn from: one set of ranges for tuning, another for reporting.

Published, and checked by tests/unit/benchmarks/test_yield_statistics.py:

- Bairavasundaram, Goodson, Pasupathy, Schindler, "An Analysis of Latent Sector Errors in Disk Drives",
  SIGMETRICS 2007: 3.45 % of 1.53 million drives had such an error, 0.2 % had over 1000. So of the drives
  with any, 5.8 % had over 1000: `errors_median` and `errors_spread` are a log-normal with that tail.
- Schroeder, Damouras, Gill, "Understanding Latent Sector Errors and How to Protect Against Them", FAST 2010:
  errors in runs of adjoining sectors are below 2.5 %; if there is a further error, most lie within 100
  sectors; the first tenth of the addresses holds 20 to 50 % of them, by model of drive.
- Gim and Won, ACM Transactions on Storage 6(2), 2010: 2 to 4 heads, tens of zones, logical order changing the
  surface after a run of tracks.

Everything else, first of all hazards, hangs, drop-outs, heat and the shape of scratches, has no published
figure known to us: assumed, and given as ranges wide enough that a policy cannot be fitted to one value.

The drive is scaled down: 2^21 sectors at a rate so low that reading the whole takes
half an hour, some hundred refusals cost as much as in a real drive of 1 TB, and a run takes seconds.
"""

from __future__ import annotations

from dataclasses import dataclass

Range = tuple[float, float]
"""Lowest and highest; drawn evenly in between."""
Spread = tuple[float, float]
"""Median, and standard deviation of the logarithm, of a log-normal."""


@dataclass(frozen=True, slots=True)
class Ranges:
    """The ranges one set of drives is drawn from. Times in seconds, places in sectors."""

    key: int
    """Keeps the random numbers of the two sets apart."""
    # the healthy drive
    heads: tuple[int, ...]
    zones: Range
    outer_track: Range
    """Sectors in an outermost track; an innermost one has `inner_share` of them, and is as much slower."""
    inner_share: Range
    tracks_in_a_row: Range
    """Tracks of one surface that follow each other before the next surface has its turn."""
    whole_seconds: Range
    refusal_seconds: Range
    # how it dies
    life_seconds: Spread
    refusal_wear: Spread
    """Seconds of life that one refusal costs, besides the time it takes."""
    # sparse damage
    errors: Spread
    recovering_share: Range
    """Bad sectors that are given now and then; by what chance: `recovering_chance`."""
    recovering_chance: Range
    cluster_errors: Range
    """Mean number of errors in a cluster."""
    cluster_gap: Range
    """Mean sectors from one error of a cluster to its next."""
    first_tenth: Range
    """Share of the errors in the first tenth of the addresses, in the model of that name."""
    # damage to a surface or a head
    weak_share: Range
    """Sectors on a weak head's surface that are not simply given; `weak_chance` is theirs of being given."""
    weak_chance: Range
    scratches: Range
    scratch_tracks: Range
    scratch_width: Range
    # slowness, hangs, drop-outs, heat, wear
    slow_zones: Range
    slow_share: Range
    """Share of the drive that is slow, by `slow_factor`."""
    slow_factor: Range
    hang_share: Range
    hang_seconds: Range
    drop_out_chance: Range
    """By refusal."""
    drop_out_seconds: Range
    drop_out_wear: Range
    busy_celsius: Range
    wear_out_seconds: Range
    hazard_rise: Range
    """By how much a hundred refusals raise the hazard, in the models where damage does so."""


TUNING = Ranges(
    key=1,
    heads=(2, 4),
    zones=(10, 16),
    outer_track=(900, 1_100),
    inner_share=(0.48, 0.55),
    tracks_in_a_row=(12, 24),
    whole_seconds=(1_700, 1_900),
    refusal_seconds=(2.0, 5.0),
    life_seconds=(10_800, 0.4),
    refusal_wear=(8.0, 0.6),
    errors=(60, 1.79),
    recovering_share=(0.05, 0.15),
    recovering_chance=(0.1, 0.5),
    cluster_errors=(6, 12),
    cluster_gap=(10, 25),
    first_tenth=(0.25, 0.45),
    weak_share=(0.1, 0.5),
    weak_chance=(0.2, 0.8),
    scratches=(1, 5),
    scratch_tracks=(30, 150),
    scratch_width=(1, 12),
    slow_zones=(2, 6),
    slow_share=(0.05, 0.2),
    slow_factor=(8, 30),
    hang_share=(0.1, 0.3),
    hang_seconds=(20, 40),
    drop_out_chance=(0.005, 0.02),
    drop_out_seconds=(25, 45),
    drop_out_wear=(60, 180),
    busy_celsius=(54, 64),
    wear_out_seconds=(2_500, 4_000),
    hazard_rise=(0.2, 0.5),
)

REPORTING = Ranges(
    key=2,
    heads=(2, 3, 4),
    zones=(12, 24),
    outer_track=(700, 1_500),
    inner_share=(0.42, 0.6),
    tracks_in_a_row=(8, 32),
    whole_seconds=(1_500, 2_400),
    refusal_seconds=(1.5, 7.0),
    life_seconds=(9_000, 0.6),
    refusal_wear=(12.0, 0.9),
    errors=(110, 1.40),
    recovering_share=(0.0, 0.25),
    recovering_chance=(0.05, 0.7),
    cluster_errors=(4, 20),
    cluster_gap=(6, 35),
    first_tenth=(0.20, 0.50),
    weak_share=(0.05, 0.7),
    weak_chance=(0.05, 0.9),
    scratches=(1, 8),
    scratch_tracks=(15, 250),
    scratch_width=(1, 30),
    slow_zones=(1, 10),
    slow_share=(0.03, 0.3),
    slow_factor=(4, 60),
    hang_share=(0.05, 0.4),
    hang_seconds=(15, 60),
    drop_out_chance=(0.002, 0.03),
    drop_out_seconds=(20, 60),
    drop_out_wear=(30, 300),
    busy_celsius=(52, 68),
    wear_out_seconds=(1_800, 5_000),
    hazard_rise=(0.1, 0.8),
)

SETS = {"tuning": TUNING, "reporting": REPORTING}
