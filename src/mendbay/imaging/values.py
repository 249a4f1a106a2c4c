"""What the sectors of a drive are worth beside each other while it is read: what the planner is told.

Whoever wants something read takes `Want` and the weights from here.
Each class is worth so much more than the next that one sector of it goes before a long healthy run of that,
while its third try still waits (as decided in docs/decisions/0002). All are own choice from simulation, no
source, and only their ratios count.
"""

from __future__ import annotations

from mendbay.imaging.layout import Want
from mendbay.imaging.planner import WEIGHT_REST, WEIGHT_WANTED

__all__ = ["WEIGHT_ALLOCATED", "WEIGHT_METADATA", "WEIGHT_REST", "WEIGHT_SAMPLE", "WEIGHT_WANTED", "Want"]

WEIGHT_METADATA = 10 * WEIGHT_WANTED
"""What describes the files: without it what is wanted cannot be found."""
WEIGHT_SAMPLE = WEIGHT_WANTED / 100
"""What is read from both halves of a mirror, once one of them gave it: before the bulk of the drive, so that
halves that differ are known of before much was read from one of them alone."""
WEIGHT_ALLOCATED = 100 * WEIGHT_REST
"""What the file system says is in use."""
