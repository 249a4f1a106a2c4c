"""Other accounts of the same machine: they reach a server on loopback as well as its own account does, and
where it asks for no key, they could do all that its account may."""

from __future__ import annotations

import os
import sys
from collections.abc import Collection, Mapping
from contextlib import suppress
from ipaddress import IPv6Address, ip_address
from pathlib import Path
from typing import Any

from mendbay.faces.web.connections import Connection
from mendbay.faces.web.guard import NEIGHBOUR

TABLES = (Path("/proc/net/tcp"), Path("/proc/net/tcp6"))
"""Where Linux lists connections, each with the account of its end (proc(5))."""
STARTED_BY = ("SUDO_UID", "PKEXEC_UID")
"""Who had root start the server, by sudo(8) and pkexec(1)."""
_ESTABLISHED = "01"
_NOBODY = 2**32 - 1
"""What `loginuid` says where nobody logged in (proc(5))."""


def own_accounts(said: Mapping[str, str] = os.environ) -> frozenset[int]:
    """Whom a server without a key answers: its own account, root, and whoever logged in and then started it
    as another."""
    found = {0, os.geteuid()} | {int(said[one]) for one in STARTED_BY if said.get(one, "").isdecimal()}
    with suppress(OSError, ValueError):
        logged_in = int(Path("/proc/self/loginuid").read_text())
        found |= {logged_in} - {_NOBODY}
    return frozenset(found)


def is_of(accounts: Collection[int], client: tuple[str, int], server: tuple[str, int]) -> bool:
    """Whether one of the accounts holds the client's end of a connection of this machine. Root counts only
    while that end is open: of one that was closed the table says no account, which reads the same. Where no
    table can be read nobody is refused."""
    tables = []
    for one in TABLES:
        with suppress(OSError):
            tables.append(one.read_text())
    return not tables or any(is_in(one, accounts, client, server) for one in tables)


def is_in(table: str, accounts: Collection[int], client: tuple[str, int], server: tuple[str, int]) -> bool:
    """The same, by one table."""
    ends = [(_end(*client, wide=wide), _end(*server, wide=wide)) for wide in (False, True)]
    for line in table.splitlines()[1:]:
        words = line.split()
        if len(words) > 7 and (words[1], words[2]) in ends:
            account = int(words[7])
            if account in accounts and (account or words[3] == _ESTABLISHED):
                return True
    return False


def _end(host: str, port: int, *, wide: bool) -> str:
    """An address and port as the tables write them: words of 32 bits as the machine holds them."""
    address = ip_address(host.partition("%")[0])
    if wide and address.version == 4:
        address = IPv6Address(f"::ffff:{address}")
    packed = address.packed
    words = (int.from_bytes(packed[at : at + 4], sys.byteorder) for at in range(0, len(packed), 4))
    return f"{''.join(f'{one:08X}' for one in words)}:{port:04X}"


class OwnConnection(Connection):
    """A connection that tells the application whether another account of the machine holds its other end."""

    accounts: Collection[int] = own_accounts()

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        if self.client is None or self.server is None or self.server[1] is None:
            return  # no connection of a network
        ours = is_of(self.accounts, self.client, (self.server[0], self.server[1]))
        self.app_state = {**self.app_state, NEIGHBOUR: not ours}
