"""A serial-flash chip on the clip of an FTDI adapter (FT232H and its kin), by the library pyftdi.

The library and its USB backend come with the extra `programmer`, and are loaded only when an adapter is
opened. These adapters cannot change the chip's supply: a person sets it, and `set_supply` records what was
confirmed.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import Protocol

from mendbay.core.errors import ProgrammerError, ToolMissing

DEFAULT_URL = "ftdi://ftdi:232h/1"
DEFAULT_CLOCK_HZ = 4e6
"""Slow enough for a clip on long wires; common practice, no source."""
MOST_BYTES_A_FRAME = 0xFF00
"""The library's longest transfer."""


class SpiPort(Protocol):
    """What is used of the library's port."""

    @property
    def frequency(self) -> float: ...

    def exchange(self, out: bytes, readlen: int = 0) -> bytes: ...


class FlashProgrammer:
    """A `FlashBus` over one port of the library.

    Args:
        port: the opened port, mode 0.
        name: the adapter, as a record names it.
        release: gives the adapter back.
    """

    def __init__(self, port: SpiPort, name: str, release: Callable[[], None] = lambda: None) -> None:
        self.name = name
        self.volts: float | None = None
        self._port = port
        self._release: Callable[[], None] | None = release

    @property
    def clock_hz(self) -> float:
        """The clock the adapter really runs at."""
        return float(self._port.frequency)

    def set_supply(self, volts: float) -> None:
        """Records the supply a person has set and confirmed."""
        self.volts = volts

    def close(self) -> None:
        """Gives the adapter back; closing again does nothing. The supply is for a person to take off."""
        if self._release is not None:
            release, self._release = self._release, None
            release()
        self.volts = None

    def exchange(self, out: bytes, read_count: int) -> bytes:
        """One frame of the chip-select line.

        Raises:
            ProgrammerError: no supply was confirmed yet, the frame is too long, or the adapter fails.
        """
        if self.volts is None:
            raise ProgrammerError(
                "Nobody has confirmed the supply of the chip, so nothing was sent to it",
                "Set the adapter to the lowest supply and confirm it",
            )
        if len(out) > MOST_BYTES_A_FRAME or not 0 <= read_count <= MOST_BYTES_A_FRAME:
            raise ProgrammerError(
                f"A frame of {len(out)} bytes out and {read_count} in is more than the adapter takes",
                "Report this: Mendbay must ask in smaller parts",
            )
        try:
            answer = bytes(self._port.exchange(bytes(out), read_count))
        except (OSError, ValueError) as trouble:  # the library's and the USB layer's errors are OSErrors
            raise ProgrammerError(
                f"The adapter {self.name} does not answer: {trouble}", "Plug it in again, then start again"
            ) from None
        if len(answer) != read_count:
            raise ProgrammerError(
                f"The adapter {self.name} gave {len(answer)} bytes of {read_count}",
                "Plug it in again, then start again",
            )
        return answer


def open_programmer(url: str = DEFAULT_URL, clock_hz: float = DEFAULT_CLOCK_HZ) -> FlashProgrammer:
    """Opens an adapter.

    Args:
        url: which one, as the library names it: `ftdi://ftdi:232h/1`, or with a serial number in between.
        clock_hz: the fastest clock wanted; the adapter takes the nearest it has below.

    Raises:
        ToolMissing: the library or its USB backend is not installed.
        ProgrammerError: no such adapter, or it is in use.
    """
    try:
        spi = import_module("pyftdi.spi")
        usb = import_module("pyftdi.usbtools")
        backend = import_module("libusb_package").get_libusb1_backend()
    except ImportError as trouble:
        raise ToolMissing(
            f"The adapter's library is not installed: {trouble.name}",
            "Install Mendbay with the extra `programmer`",
        ) from None
    if backend is None:
        raise ToolMissing(
            "The USB library that comes with the extra `programmer` cannot be loaded",
            "Install the Debian package libusb-1.0-0",
        )
    controller = spi.SpiController()
    try:
        # pyusb keeps the backend loaded above, so that the library finds it without one of the system's
        controller.configure(url, frequency=clock_hz)
        port = controller.get_port(cs=0, freq=clock_hz, mode=0)
    except (OSError, ValueError, usb.UsbToolsError) as trouble:
        controller.close()
        raise ProgrammerError(
            f"The adapter {url} cannot be opened: {trouble}",
            "Plug it in, see that nothing else uses it and that you may use USB devices, then try again",
        ) from None
    return FlashProgrammer(port, url, controller.close)
