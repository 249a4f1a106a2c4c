"""What is at stake: the scale on which a loss of data is held against money and time."""

from __future__ import annotations

from dataclasses import dataclass

from mendbay.core.errors import UsageError


@dataclass(frozen=True, slots=True)
class Stakes:
    """What the data is worth to the customer, in the currency of the tables.

    Raises:
        UsageError: not above 0, or beyond any sense.
    """

    data: float = 3000.0

    def __post_init__(self) -> None:
        if not 0 < self.data <= 1e9:
            raise UsageError(f"Data cannot be worth {self.data:g}.", "Say what losing it would cost.")
