"""How likely drives are to be lost or to hold back a sector, and when going on is no longer worth it.

All of it rests on a constant hazard, as of drives that fail at random. A drive that is failing already dies
sooner than that, and two drives of one box fail together more often: real double failures are 2 to 1500 times
the textbook's (J. G. Elerath, M. Pecht, IEEE Transactions on Computers 58(3), 2009). Chances here are lower
bounds for such drives.
"""

from __future__ import annotations

import math

HOURS_OF_A_YEAR = 8760.0


def mean_hours(afr: float) -> float:
    """The mean time to failure in hours of drives of which the share `afr` fails within a year.

    Raises:
        ValueError: not between 0 and 1.
    """
    if not 0 < afr < 1:
        raise ValueError(f"{afr} is not a share of drives that fail in a year")
    return -HOURS_OF_A_YEAR / math.log1p(-afr)


def death_chance(hours: float, mean: float) -> float:
    """The chance that a drive of this mean time to failure dies within so many hours.

    Raises:
        ValueError: negative hours, or a mean that is not above 0.
    """
    if not (hours >= 0 and mean > 0 and math.isfinite(hours)):
        raise ValueError(f"{hours} hours of a drive that lasts {mean} on average make no chance")
    return -math.expm1(-hours / mean)


def unreadable_chance(size_bytes: int, bits_per_error: float = 1e14) -> float:
    """The chance that reading so many bytes meets at least one sector that cannot be read, at one error in so
    many bits (1 in 10^14 is what makers state of drives for desks; 1 in 10^15 of better ones).

    Raises:
        ValueError: a negative size, or an error in less than two bits.
    """
    if size_bytes < 0 or not bits_per_error >= 2:
        raise ValueError(f"{size_bytes} bytes at one error in {bits_per_error} bits make no chance")
    return -math.expm1(8 * size_bytes * math.log1p(-1.0 / bits_per_error))


def hours_to_data_loss(mean: float, repair_hours: float, data: int = 1, check: int = 1) -> float:
    """The mean time until a group of drives loses data: one drive fails, and another before the first is
    replaced. A mirror of two is one data and one check drive.

    D. A. Patterson, G. Gibson, R. H. Katz, SIGMOD 1988: MTTF^2 / ((G + C)(G + C - 1) MTTR), which holds where
    repair is far shorter than the drives last.

    Raises:
        ValueError: a time that is not above 0, or less than one drive of either kind.
    """
    if not (mean > 0 and repair_hours > 0) or data < 1 or check < 1:
        raise ValueError("such a group of drives cannot be")
    drives = data + check
    return mean * mean / (drives * (drives - 1) * repair_hours)


def pair_hours_to_data_loss(mean: float, repair_hours: float) -> float:
    """The same for a mirror of two without the approximation: the mean time to absorption of the Markov chain
    with failure rate a and repair rate b, (3a + b) / (2a^2).

    Raises:
        ValueError: a time that is not above 0.
    """
    if not (mean > 0 and repair_hours > 0):
        raise ValueError("such a pair of drives cannot be")
    fails, mended = 1.0 / mean, 1.0 / repair_hours
    return (3 * fails + mended) / (2 * fails * fails)


def going_on_gains(
    hours: float, worth_per_hour: float, cost_per_hour: float, hazard_per_hour: float, at_risk: float
) -> float:
    """What going on for so many hours is expected to gain, one step looked ahead: what still comes, less the
    bench's cost and less what would be lost if the drive dies meanwhile. Above 0: go on; 0 or below: stop,
    and use the other way (a clean room) for what is left. Own model, no source.

    Args:
        worth_per_hour: of what an hour of reading still brings.
        cost_per_hour: of the bench.
        hazard_per_hour: of the drive's death.
        at_risk: worth of what is unread, still wanted, and could be had in the other way.

    Raises:
        ValueError: one of them is negative or no number.
    """
    given = (hours, worth_per_hour, cost_per_hour, hazard_per_hour, at_risk)
    if any(not 0 <= one < math.inf for one in given):
        raise ValueError("hours, worths, costs and hazards are numbers from 0 up")
    lost = -math.expm1(-hazard_per_hour * hours) * at_risk
    return hours * worth_per_hour - hours * cost_per_hour - lost
