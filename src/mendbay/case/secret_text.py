"""Passwords do not belong into the ledger: how one is recognised in what a person typed."""

from __future__ import annotations

import re

from mendbay.core.errors import UsageError

_NAMES = r"(?:pass\s?words?|pass\s?phrases?|pass\s?codes?|pw|pwd|recovery\s+keys?|encryption\s+keys?)"
_GIVEN = re.compile(rf"\b{_NAMES}\s*[:=]\s*\S+", re.IGNORECASE)
_PIN = re.compile(r"\bpin\s*(?:[:=]|\bis\b)\s*[\"'“‘]?\d", re.IGNORECASE)
"""A pin is also part of a plug: it is a secret only where digits are given for it."""
_TOKEN_WITH_SIGN = re.compile(
    rf"\b{_NAMES}\s+(?:is\s+|was\s+)?(?:[\"'“‘]\S|(?=[^\s]*[^\W\d_])(?=[^\s]*\d)\S|\d{{3,}}\b)", re.IGNORECASE
)
_IS_AT_END = re.compile(rf"\b{_NAMES}\s+is\s+(\w+)\s*\.?\s*$", re.IGNORECASE)
_PLAIN = (
    "known unknown lost forgotten needed set used wrong right here there theirs hers his written refused "
    "available missing none empty different same correct sealed enclosed secret asked"
)
"""What may follow "the password is" without being it."""
_RECOVERY = re.compile(r"(?<!\d)(?:\d{6}[- ]){3,}\d{6}(?!\d)")
"""Long groups of digits, as recovery keys of encrypted volumes are written."""


def holds_secret(text: str) -> bool:
    """Whether a text seems to hold a password, a PIN or a recovery key. It errs towards refusing; a password
    that stands alone among other words cannot be told from a word."""
    if _GIVEN.search(text) or _PIN.search(text) or _TOKEN_WITH_SIGN.search(text) or _RECOVERY.search(text):
        return True
    last = _IS_AT_END.search(text)
    return last is not None and last[1].lower() not in _PLAIN.split()


def looks_like_one(text: str) -> bool:
    """Whether a whole answer looks like a password: one word of letters with digits or signs in it, no
    address of e-mail."""
    word = text.strip()
    mixed = any(one.isalpha() for one in word) and any(
        not one.isalpha() and one not in ".,'-" for one in word
    )
    return len(word) >= 4 and not re.search(r"\s", word) and mixed and "@" not in word


def require_no_secret(*texts: str, alone: bool = False) -> None:
    """Refuses texts of which one seems to hold a password.

    Args:
        alone: also one that looks like a password itself, for questions about passwords.

    Raises:
        UsageError: one does; the message says why none is kept.
    """
    if any(holds_secret(text) or (alone and looks_like_one(text)) for text in texts):
        raise UsageError(
            "That looks like a password, and none is kept here: the ledger, its backups and the papers made "
            "from it are read by more people than the customer means to trust.",
            "Put down who can give it, and have it typed in only where and when it is needed.",
        )
