"""Who a drive says it is: the sector that IDENTIFY DEVICE answers with.

Sources: ACS-3 (T13/2161-D rev 5), 7.12.7; validity masks of the kernel's include/linux/ata.h. Words 69, 84,
89, 90, 119 bit 8 and 230-233 from memory of the same standard.
"""

from __future__ import annotations

from dataclasses import dataclass

from mendbay.imaging.ata_page import Checksum, NotAPage, require_page, words_of

SATURATED_28 = 0x0FFF_FFFF
"""Where words 60-61 stop counting."""
NOT_ATA = 0x8000
_ERASE_STEP_MINUTES = 2


@dataclass(frozen=True, slots=True)
class Security:
    """The drive's lock.

    Args:
        is_locked: whether its sectors are out of reach until the password is given.
        is_level_maximum: whether the master password only erases.
        erase_minutes: what an erasure takes by the drive's own word, 0 if it says nothing.
    """

    is_supported: bool
    is_enabled: bool
    is_locked: bool
    is_frozen: bool
    is_expired: bool
    has_enhanced_erase: bool
    is_level_maximum: bool
    erase_minutes: int


@dataclass(frozen=True, slots=True)
class DriveIdentity:
    """What a drive says of itself.

    Args:
        sectors: how many can be addressed now, 0 if it says none.
        sectors_28: the count that older hosts go by; it stops at `SATURATED_28`.
        sector_bytes, physical_bytes: of a logical and of a physical sector.
        first_aligned: the first address at which a physical sector begins.
        rotation: turns a minute; 1 for a drive that does not turn, 0 where it does not say.
        has_hidden_area, has_accessible_max: whether it can hide sectors, in the older and the newer way.
        is_incomplete: whether it could not read all of this from its own platters.
        wwn: world-wide name, 16 hexadecimal digits; empty if it has none.
    """

    serial: str
    firmware: str
    model: str
    sectors: int
    sectors_28: int
    sector_bytes: int
    physical_bytes: int
    first_aligned: int
    rotation: int
    has_smart: bool
    smart_enabled: bool
    has_48_bits: bool
    has_hidden_area: bool
    has_accessible_max: bool
    has_logs: bool
    has_sct: bool
    security: Security
    is_incomplete: bool
    wwn: str
    checksum: Checksum

    @property
    def size_bytes(self) -> int:
        """What can be addressed now."""
        return self.sectors * self.sector_bytes

    @property
    def is_spinning(self) -> bool:
        """Whether it may have turning parts; a drive that does not say counts as one."""
        return self.rotation != 1


def parse_identify(raw: bytes) -> DriveIdentity:
    """The identity in a sector.

    A sector whose checksum is wrong is read all the same, and says so.

    Raises:
        NotAPage: not 512 bytes, all alike, or not of an ATA device.
    """
    require_page(raw, "identity")
    words = words_of(raw)
    if words[0] & NOT_ATA:
        raise NotAPage("identity: of a device that is no ATA drive")
    has_48_bits = _supported(words, 83, 10)
    sector_bytes, physical_bytes, first_aligned = _sector_sizes(words)
    return DriveIdentity(
        serial=text_of(words, 10, 19),
        firmware=text_of(words, 23, 26),
        model=text_of(words, 27, 46),
        sectors=_sectors(words, has_48_bits),
        sectors_28=_wide(words, 60, 61),
        sector_bytes=sector_bytes,
        physical_bytes=physical_bytes,
        first_aligned=first_aligned,
        rotation=words[217] if words[217] == 1 or 0x0401 <= words[217] <= 0xFFFE else 0,
        has_smart=_supported(words, 82, 0),
        smart_enabled=_enabled(words, 85, 0),
        has_48_bits=has_48_bits,
        has_hidden_area=_supported(words, 82, 10),
        has_accessible_max=words[119] & 0xC100 == 0x4100,
        has_logs=words[84] & 0xC020 == 0x4020,
        has_sct=words[206] & 1 == 1 and words[206] != 0xFFFF,
        security=_security(words),
        is_incomplete=bool(words[0] & 4),
        wwn="" if not any(words[108:112]) else "".join(f"{word:04x}" for word in words[108:112]),
        checksum=_checksum(raw, words),
    )


def text_of(words: tuple[int, ...], first: int, last: int) -> str:
    """A text: two characters a word, the first in the high byte. What is not printable ASCII is left out."""
    raw = b"".join(word.to_bytes(2, "big") for word in words[first : last + 1])
    return "".join(chr(byte) for byte in raw if 32 <= byte < 127).strip()


def _wide(words: tuple[int, ...], first: int, last: int) -> int:
    """Several words as one number, the lowest first."""
    return sum(word << 16 * at for at, word in enumerate(words[first : last + 1]))


def _sectors(words: tuple[int, ...], has_48_bits: bool) -> int:
    """The 48-bit count where it counts anything, else the 28-bit one; the extended one where it is more."""
    count = _wide(words, 100, 103) if has_48_bits else 0
    extended = _wide(words, 230, 233) if has_48_bits and words[69] & 8 else 0
    return max(count, extended if extended < 1 << 48 else 0) or _wide(words, 60, 61)


def _supported(words: tuple[int, ...], word: int, bit: int) -> bool:
    """Words 82 and 83 count only if word 83 says that they are valid."""
    return words[83] & 0xC000 == 0x4000 and bool(words[word] >> bit & 1)


def _enabled(words: tuple[int, ...], word: int, bit: int) -> bool:
    """Words 85 and 86 count only if word 87 says so."""
    return words[87] & 0xC000 == 0x4000 and bool(words[word] >> bit & 1)


def _sector_sizes(words: tuple[int, ...]) -> tuple[int, int, int]:
    """Bytes of a logical and of a physical sector, and the first address where a physical one begins."""
    logical = 512
    if words[106] & 0xD000 == 0x5000:
        logical = 2 * _wide(words, 117, 118)
    share = 1 << (words[106] & 15) if words[106] & 0xE000 == 0x6000 else 1
    aligned = 0
    if words[209] & 0xC000 == 0x4000 and share > 1:
        aligned = (share - (words[209] & 0x3FFF)) % share
    return logical, logical * share, aligned


def _security(words: tuple[int, ...]) -> Security:
    word = words[128]
    supported, enabled = bool(word & 1), word & 3 == 3
    return Security(
        is_supported=supported,
        is_enabled=enabled,
        is_locked=word & 7 == 7,
        is_frozen=supported and bool(word & 8),
        is_expired=supported and bool(word & 16),
        has_enhanced_erase=supported and bool(word & 32),
        is_level_maximum=enabled and bool(word & 256),
        erase_minutes=(words[89] & 0xFF) * _ERASE_STEP_MINUTES if supported else 0,
    )


def _checksum(raw: bytes, words: tuple[int, ...]) -> Checksum:
    if words[255] & 0xFF != 0xA5:
        return Checksum.ABSENT
    return Checksum.BAD if sum(raw) & 0xFF else Checksum.GOOD
