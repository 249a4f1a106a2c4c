"""The tick of every form of a step before which a customer may want to be asked each time."""

from __future__ import annotations

from mendbay.faces.web.fields import flag

CUSTOMER_ASKED = flag("customer_asked", "The customer was asked now, and said yes")
"""Shown where they want to be asked; custody keeps it."""
