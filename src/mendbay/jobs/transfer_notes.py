"""What the notes of a ROM's transfer are called: the subject of each, after which its job is named."""

from __future__ import annotations

GIVEN_UP = "transfer "
"""Begins the subject of the withdrawal of a transfer that was given up, before its job."""
RESTORED = "restore "
"""Begins the subject of the certificate of a backup that was put back; a transfer's is its job alone."""
