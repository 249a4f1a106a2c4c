"""For what a range is read, from what its sectors are worth."""

from __future__ import annotations

from itertools import pairwise
from math import sqrt

from mendbay.imaging.scoring import Expected
from mendbay.imaging.values import (
    WEIGHT_ALLOCATED,
    WEIGHT_METADATA,
    WEIGHT_REST,
    WEIGHT_SAMPLE,
    WEIGHT_WANTED,
)
from mendbay.jobs.events import Phase, Worth

_CLASSES = (
    (WEIGHT_METADATA, Worth.DESCRIPTIONS),
    (WEIGHT_WANTED, Worth.WANTED),
    (WEIGHT_SAMPLE, Worth.BOTH_HALVES),
    (WEIGHT_ALLOCATED, Worth.IN_USE),
    (WEIGHT_REST, Worth.REST),
)


def worth_of(read: Expected, phase: Phase) -> Worth:
    """For what a read is. Drives that share a task weigh a class a little more or less than its own weight
    (`imaging.shared_task`), so the class nearest by ratio counts. What is fetched is what a file system needs
    to be understood, whatever it is worth by then."""
    if read.is_retry:
        return Worth.AGAIN
    if phase is Phase.FETCH:
        return Worth.DESCRIPTIONS
    for (weight, worth), (next_weight, _) in pairwise(_CLASSES):
        if read.weight > sqrt(weight * next_weight):
            return worth
    return Worth.REST
