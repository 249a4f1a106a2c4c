"""A bench without a key answers its own account, and no other of the machine."""

from __future__ import annotations

import os
import socket
import sys
import urllib.request
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.faces.web.neighbours import is_in, is_of, own_accounts
from support.web_server import served

CLIENT, SERVER = ("127.0.0.1", 50_000), ("127.0.0.1", 8437)
HEAD = "  sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid  timeout inode\n"
NARROW = "   1: {}0100007F:C350 0100007F:20F5 {} 00000000:00000000 00:00000000 00000000  {}        0 77 1\n"
WIDE = (
    "   1: {}0000000000000000FFFF00000100007F:C350 0000000000000000FFFF00000100007F:20F5 {} "
    "00000000:00000000 00:00000000 00000000  {}        0 77 1\n"
)
LITTLE = pytest.mark.skipif(sys.byteorder != "little", reason="the tables are written as such machines do")


@LITTLE
@pytest.mark.parametrize("line", [NARROW, WIDE])
@pytest.mark.parametrize(
    ("state", "account", "ours"),
    [("01", 1000, True), ("01", 0, True), ("01", 1001, False), ("04", 1000, True), ("04", 0, False)],
)
def test_the_account_of_a_connection(line: str, state: str, account: int, ours: bool) -> None:
    table = HEAD + NARROW.replace("C350", "C351").format("", "01", 1000) + line.format("", state, account)
    assert is_in(table, {0, 1000}, CLIENT, SERVER) is ours


@given(st.text(alphabet="0123456789ABCDEF: \n", max_size=400))
def test_a_table_that_says_nothing_of_it_lets_nobody_in(text: str) -> None:
    assert not is_in(HEAD + text, {0, 1000}, CLIENT, SERVER)


def test_where_no_table_can_be_read_nobody_is_refused(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr("mendbay.faces.web.neighbours.TABLES", (tmp_path / "none",))
    assert is_of(set(), CLIENT, SERVER)


def test_whoever_had_root_start_it_is_answered() -> None:
    found = own_accounts({"SUDO_UID": "4711", "PKEXEC_UID": "x"})
    assert found >= {0, os.geteuid(), 4711}


def _asked_by(account: int, url: str) -> str:
    """What a page answers to a connection of another account."""
    at = urlsplit(url)
    assert at.hostname is not None
    os.seteuid(account)
    try:
        mine = socket.socket()
    finally:
        os.seteuid(0)
    with mine:
        mine.connect((at.hostname, at.port))
        mine.sendall(f"GET {at.path} HTTP/1.1\r\nHost: {at.netloc}\r\nConnection: close\r\n\r\n".encode())
        return mine.makefile("rb").read().decode()


@pytest.mark.parametrize("address", ["127.0.0.1", "::1"])
def test_its_own_account_is_answered(tmp_path: Path, address: str) -> None:
    with (
        served(tmp_path / "home", "--address", address) as found,
        urllib.request.urlopen(f"{found.url}cases", timeout=30) as page,
    ):
        assert page.status == 200


@pytest.mark.root
@pytest.mark.skipif(os.geteuid() != 0, reason="needs root to become another account")
def test_another_account_is_not(tmp_path: Path) -> None:
    with served(tmp_path / "home") as found:
        said = _asked_by(65_534, f"{found.url}cases")
        assert said.startswith("HTTP/1.1 403")
        assert "served for another account" in said
        assert _asked_by(0, f"{found.url}cases").startswith("HTTP/1.1 200")
    with served(tmp_path / "home", "--with-key") as found:
        assert _asked_by(65_534, found.url.partition("#")[0]).startswith("HTTP/1.1 200")
