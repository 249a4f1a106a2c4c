"""A stand-in for a port of the FTDI library, with a simulated chip behind it.

It has the library's signature and the library's limit (pyftdi 0.57, `SpiPort.exchange`); one call must be one
whole frame.
"""

from __future__ import annotations

from collections.abc import Callable

from mendbay.inlets.simulated_flash import SimulatedChip

PAYLOAD_MAX_LENGTH = 0xFF00


class ChipPort:
    """The port. `supply` says which supply the chip has; `fails` is raised by every exchange if set,
    `short` is by how many bytes each answer falls short."""

    def __init__(self, chip: SimulatedChip, frequency: float = 4e6) -> None:
        self.chip = chip
        self.frequency = frequency
        self.supply: Callable[[], float | None] = lambda: None
        self.fails: Exception | None = None
        self.short = 0

    def exchange(
        self,
        out: bytes = b"",
        readlen: int = 0,
        start: bool = True,
        stop: bool = True,
        duplex: bool = False,
        droptail: int = 0,
    ) -> bytes:
        assert not duplex
        assert not droptail
        assert start, "a frame kept open is not simulated"
        assert stop, "a frame kept open is not simulated"
        if self.fails is not None:
            raise self.fails
        if max(len(out), readlen) > PAYLOAD_MAX_LENGTH:
            raise OSError("Output payload is too large")
        self.chip.volts = self.supply()
        return self.chip.frame(bytes(out), readlen)[: readlen - self.short]
