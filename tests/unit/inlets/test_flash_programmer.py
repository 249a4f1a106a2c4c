"""The FTDI adapter: what it refuses, and how the library's troubles are told."""

from __future__ import annotations

import inspect
import sys
from types import SimpleNamespace

import pytest

from mendbay.core.errors import ProgrammerError, ToolMissing
from mendbay.inlets.flash_programmer import DEFAULT_URL, MOST_BYTES_A_FRAME, FlashProgrammer, open_programmer
from support.flash_bench import SMALL_ID, VOLTS, small_chip
from support.spi_port import PAYLOAD_MAX_LENGTH, ChipPort


def programmer() -> tuple[FlashProgrammer, ChipPort]:
    port = ChipPort(small_chip())
    made = FlashProgrammer(port, "ftdi://bench")
    port.supply = lambda: made.volts
    return made, port


def test_nothing_is_sent_before_a_supply_is_confirmed() -> None:
    bus, port = programmer()
    with pytest.raises(ProgrammerError, match="confirmed"):
        bus.exchange(b"\x9f", 3)
    assert port.chip.frames == 0
    bus.set_supply(VOLTS)
    assert bus.exchange(b"\x9f", 3) == SMALL_ID


@pytest.mark.parametrize("trouble", [OSError("USB cable pulled"), ValueError("no such line")])
def test_failing_library_is_a_programmer_error(trouble: Exception) -> None:
    bus, port = programmer()
    bus.set_supply(VOLTS)
    port.fails = trouble
    with pytest.raises(ProgrammerError, match=str(trouble)):
        bus.exchange(b"\x9f", 3)


def test_short_answer_is_a_programmer_error() -> None:
    bus, port = programmer()
    bus.set_supply(VOLTS)
    port.short = 1
    with pytest.raises(ProgrammerError, match="2 bytes of 3"):
        bus.exchange(b"\x9f", 3)


def test_clock_is_the_one_the_adapter_runs_at() -> None:
    bus, port = programmer()
    port.frequency = 3.75e6
    assert bus.clock_hz == 3.75e6


def test_no_adapter_is_told_through_the_real_library() -> None:
    """No adapter has this serial number, so the real library and its USB backend look and find none."""
    pytest.importorskip(
        "pyftdi", reason="the extra `programmer` is not installed, so its library judged nothing"
    )
    with pytest.raises(ProgrammerError, match="cannot be opened"):
        open_programmer("ftdi://ftdi:232h:NO-SUCH-ADAPTER/1")
    with pytest.raises(ProgrammerError, match="cannot be opened"):
        open_programmer("nonsense")


def test_missing_library_is_a_missing_tool(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyftdi.spi", None)
    with pytest.raises(ToolMissing, match="pyftdi"):
        open_programmer()


def test_missing_usb_backend_is_a_missing_tool(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "libusb_package", SimpleNamespace(get_libusb1_backend=lambda: None))
    with pytest.raises(ToolMissing, match="USB"):
        open_programmer()


def test_port_is_opened_in_mode_0_at_the_clock_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: dict[str, object] = {}

    class Controller:
        def configure(self, url: str, **options: object) -> None:
            asked.update(url=url, **options)

        def get_port(self, **options: object) -> ChipPort:
            asked.update(options)
            return ChipPort(small_chip())

        def close(self) -> None:
            asked["closed"] = True

    monkeypatch.setitem(sys.modules, "pyftdi.spi", SimpleNamespace(SpiController=Controller))
    monkeypatch.setitem(sys.modules, "libusb_package", SimpleNamespace(get_libusb1_backend=object))
    bus = open_programmer(clock_hz=1e6)
    assert asked == {"url": DEFAULT_URL, "frequency": 1e6, "cs": 0, "freq": 1e6, "mode": 0}
    assert bus.name == DEFAULT_URL
    assert bus.volts is None
    bus.close()
    assert asked["closed"] is True


def test_stand_in_has_the_shape_of_the_librarys_port() -> None:
    """Or the tests with a stand-in would prove nothing about the real one."""
    spi = pytest.importorskip(
        "pyftdi.spi", reason="the extra `programmer` is not installed: nothing to compare with"
    )
    real = inspect.signature(spi.SpiPort.exchange).parameters
    assert list(inspect.signature(ChipPort.exchange).parameters) == list(real)
    assert spi.SpiController.PAYLOAD_MAX_LENGTH == PAYLOAD_MAX_LENGTH == MOST_BYTES_A_FRAME
    assert isinstance(spi.SpiPort.frequency, property)
