"""What only the account of the server may change: the command of the relay, which is run as a program."""

from __future__ import annotations

import hmac
from typing import TYPE_CHECKING

from mendbay.core.errors import UsageError
from mendbay.faces.web.serve import KEY_FILE, bench_key
from mendbay.jobs.quote_lines import SETTINGS
from mendbay.jobs.shop_settings import POWER
from mendbay.wiring import home_folder, shop_files

if TYPE_CHECKING:
    from mendbay.faces.web.visit import Visit

LOOPBACK = ("127.", "localhost:", "[::1]:")


def is_ours_alone(visit: Visit) -> bool:
    """Whether nobody but this machine reaches the server."""
    rules = visit.desk.rules
    return not rules.key and all(one.startswith(LOOPBACK) for one in rules.hosts)


def require_account(visit: Visit, name: str) -> None:
    """The relay's command is run as a program. So whoever changes it must be able to read a file that only
    the account of the server can read, and never from another machine.

    Args:
        name: of the setting; any other may be changed by whoever is let in.

    Raises:
        UsageError: they are not.
    """
    if name != POWER:
        return
    place = shop_files(visit.desk.home).path_of(SETTINGS, POWER)
    if not is_ours_alone(visit):
        raise UsageError(
            "This bench can be reached from other machines, or asks for a key: the command of the relay is "
            "not changed over it.",
            f"Edit {place} on the machine itself.",
        )
    key = bench_key(visit.desk.home)
    if not hmac.compare_digest(key.encode(), visit.said["key"].encode()):
        raise UsageError(
            "That is not the key of this bench: the command of the relay stays as it is.",
            f"It stands in {home_folder(visit.desk.home) / KEY_FILE}, which only the account of the server "
            "can read.",
        )
