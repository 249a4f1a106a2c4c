"""The option of every step before which a customer may want to be asked each time."""

from __future__ import annotations

import click

CUSTOMER_ASKED = click.option(
    "--customer-asked",
    is_flag=True,
    help="The customer, who wants to be asked each time, was asked now and said yes; custody keeps it.",
)
