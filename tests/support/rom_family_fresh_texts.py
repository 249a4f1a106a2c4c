"""Fresh kinds with texts in languages and lines with checks in digits, and two whose checks are none."""

from __future__ import annotations

from support.rom_family_content import rng_of
from support.rom_family_drives import Drive, Field, as_words, random_id, serial_text
from support.rom_family_formulas import CRC8S, CRC16S, Keyed, Sum, Xor
from support.rom_family_fresh_drives import made_at, network_address, text_line
from support.rom_family_fresh_formulas import AsHex, fresh_formula
from support.rom_family_fresh_parts import dress, filled, image, pad, personal, up_to
from support.rom_family_parts import magic, stored_order
from support.rom_family_pen import KIB, Kind, Pen

WORDS = {
    "en": "ready wait fault door open heat temperature too high low stop start hour setting service call",
    "de": "bereit warten Fehler Deckel offen heizt Temperatur zu hoch tief Halt Anlauf Stunde Wert Dienst",
    "fr": "pret attendre defaut capot ouvert chauffe temperature trop haute basse arret marche heure valeur",
    "es": "listo espere fallo tapa abierta calor temperatura muy alta baja paro marcha hora valor servicio",
    "it": "pronto attesa guasto coperchio aperto caldo temperatura troppo alta bassa fermo avvio ora valore",
}


def language(pen: Pen, name: str, length: int, wide: bool) -> bytes:
    """`length` bytes of messages: offsets, then texts with a zero behind each, 16 bits a letter if wide."""
    rng, words = rng_of(pen.key, "language", name), WORDS[name].split()
    code = ("utf-16-le" if pen.order == "little" else "utf-16-be") if wide else "ascii"
    texts, table = [f"V1.{pen.revision:02d}".encode(code) + bytes(1 + wide)], b""
    room = length * 3 // 4
    while sum(map(len, texts)) < room:
        text = " ".join(rng.choice(words, int(rng.integers(1, 5))).tolist())
        texts.append(f"{text}: %d".encode(code) + bytes(1 + wide))
    offset = 2 * len(texts)
    for text in texts:
        table += as_words(offset, 2, pen.order)
        offset += len(text)
    return (table + b"".join(texts))[:length].ljust(length, b"\0")


def language_slots(pen: Pen) -> None:
    size, pick = pen.sheet(256, 512, 2048), pen.pick
    slot, start, wide = pick.choice([2, 4]) * KIB, size // 2, pick.random() < 0.3
    image(pen, 0x1000, size // 2, "main", dress(pen, "crc32", "adler", "bytesum32"))
    formula, order = (
        fresh_formula(pen, "fletcher16", "fletcher32", "loose16", "adler", "bytesum16"),
        stored_order(pen),
    )
    behind = pick.choice([4, 8, 0x40])
    spoken = pick.sample(sorted(WORDS), 2)
    for number, name in enumerate(spoken):
        at = start + number * slot
        end = at + slot - behind
        pen.put(at, language(pen, name, end - at, wide), revised=True)
        pen.check(name, formula, (at, end), end, order)
    # settings whose check goes on over a small record elsewhere
    record, settings = 0xF00, start + 4 * slot
    at = pen.field(record, serial_text(pick, 16), "serial")
    at = pen.field(at, network_address(pick), "address")
    at = pen.put(at, bytes([pick.randrange(256), len(spoken)]))
    small = fresh_formula(pen, "crc8", "bytesum8", "crc16")
    pen.check("record", small, (record, at), at)
    joined = fresh_formula(pen, "crc16", "crc32", "wordsum16", "fletcher16", "turning16")
    later, stride = pick.random() < 0.5, pick.choice([0x400, 0x800])
    for number in range(pick.randrange(3, 5)):
        begin, name = settings + number * stride, f"settings {number}"
        end = personal(pen, begin, begin + pick.choice([0x60, 0x100, 0x300]), name)
        parts = ((begin, end), (record, at)) if later else ((record, at), (begin, end))
        pen.check(name, joined, parts[0], end, order, also=parts[1:])
    pen.code(0, 0x800, "boot", "code", steady=True)
    pen.check("boot", fresh_formula(pen, "bytesum16", "crc16"), (0, 0x800), 0x800)


def text_lines(pen: Pen) -> None:
    size, pick = pen.sheet(64, 128, 256), pen.pick
    plain = pick.choice(
        [Xor(1), Xor(1), Sum(1), Sum(1, 1, "little", 0, "negated"), CRC8S[0], CRC16S[1], Sum(2)]
    )
    formula = AsHex(plain, pick.random() < 0.3)
    opens, before, ends = pick.choice([b"$", b":", b"", b"@"]), pick.choice([b"*", b",", b" ", b"#"]), b"\r\n"
    counts_all = pick.random() < 0.4  # the mark before the digits counts as well
    page = size // 2 + pick.choice([0, 0x200, 0x3000])
    image(pen, 0, size // 2, "main", dress(pen, "crc16", "bytesum16", "wordsum32"))

    def close(name: str, start: int, at: int) -> int:
        end = pen.put(at, before)
        at = pen.check(name, formula, (start, end if counts_all else at), end, "big")
        return pen.put(at, ends)

    start = pen.put(page, opens)
    at = close("version line", start, pen.put(start, f"FW,1.{pen.revision:02d},AL".encode(), revised=True))
    start = pen.put(at, opens)
    at = close("model line", start, pen.put(start, f"MD,{pick.randrange(10**6):06d},7200,8".encode()))
    start = pen.put(at, opens)
    end = pen.field(pen.put(start, b"SN,"), serial_text(pick, 12), "serial")
    at = close("serial line", start, end)
    columns = pick.randrange(2, 6)
    for head in range(pick.choice([4, 6, 8])):
        start = pen.put(at, opens)
        end = pen.field(start, text_line(pick, f"HD{head:02d}", columns), f"head {head}")
        at = close(f"head line {head}", start, end)
    start = pen.put(at, opens)
    end = pen.field(start, text_line(pick, "TMP", 2), "temperature")
    at = close("temperature line", start, end)
    at = pen.put(at, b"\x1a")
    if pick.random() < 0.6:
        pen.check("text", fresh_formula(pen, "crc16", "bytesum16"), (page, at), up_to(at, 0x100) - 2)


def twin_stamp(tag: str) -> Field:
    """A stamp whose upper half is that of the day, its lower half a draw: it looks like a checked word."""

    def make(drive: Drive, own: str) -> bytes:
        low, high = drive.rng(own).bytes(2), drive.rng(tag).bytes(2)
        return high + low

    return Field("stamp", 4, make)


def stamped_slots(pen: Pen) -> None:
    """Where others keep checks stand draws of the factory's computer; nothing in the chip guards anything."""
    size, pick = pen.sheet(64, 128, 256), pen.pick
    slot, count = pick.choice([0x800, 0x1000]), pick.randrange(6, 12)
    mark, data = magic(pen), pick.randrange(3, 6)
    behind, before, drives = pick.choice([2, 4]), pick.choice([0, 2, 4]), set(pick.sample(range(count), data))
    for number in range(count):
        start, name = number * slot, f"slot {number}"
        at = pen.put(start, mark)
        at = pen.number(at, slot - 1, 2)
        at = pen.version(at)
        if before:
            at = pen.field(at, random_id(before), f"{name} number")
        at = pad(pen, at, start + 16, 0xFF)
        end = start + slot - behind
        if number in drives:
            filled(pen, at, end, name)
            pen.field(end, random_id(behind), f"{name} stamp")
        else:
            pen.code(at, end - at, name)
            # the same draw for the whole firmware, and another in the next one
            pen.put(end, rng_of(pen.key, name, "stamp", pen.revision).bytes(behind), revised=True)
    at = size - pick.choice([0x40, 0x100])
    at = pen.field(at, made_at(pick, pen.order), "made")
    at = pen.field(at, random_id(4), "made stamp")
    for number in range(4):
        at = pen.field(at, twin_stamp("day"), f"stamp {number}")
    pen.put(at, b"\xff\xff\0\0")


def sealed_records(pen: Pen) -> None:
    """Short keyed hashes at the places of checks; one real check of the image."""
    size, pick = pen.sheet(128, 512), pen.pick
    width, room = pick.choice([2, 4, 4]), pick.choice([0x100, 0x200, 0x400])
    seal, other = Keyed(pen.secret("seal"), width), Keyed(pen.secret("other"), pick.choice([1, 2]))
    image(pen, 0, size // 2, "main", dress(pen, "crc32", "bytesum32", "crc16"))
    order, filling = stored_order(pen), pick.choice([personal, filled])
    records = size // 2 + pick.choice([0, 0x1000, 0x4000])
    serial_end = pen.field(records, serial_text(pick, 16), "serial")
    also = ((records, serial_end),) if pick.random() < 0.5 else ()
    at = pen.check("serial", other, (records, serial_end), serial_end)
    pad(pen, at, records + 0x20)
    for number in range(pick.randrange(4, 8)):
        begin, name = records + (number + 1) * room, f"record {number}"
        place = begin + room - 4
        end = filling(pen, begin, place, name)
        at = pen.check(name, seal, (begin, end), place, order, also=also)
        pad(pen, at, place + 4)
    at = size - 0x2000
    used = personal(pen, at, at + 0x200, "unit")
    pen.check("unit", fresh_formula(pen, "crc16", "crc32", "bytesum16"), (at, used), used)


KINDS = (
    Kind(
        "language-slots",
        "messages in two languages; checks of settings that go on over a small record elsewhere",
        language_slots,
    ),
    Kind(
        "text-lines",
        "lines of text for each head, each with its check in hexadecimal digits at its end",
        text_lines,
    ),
    Kind(
        "stamped-slots",
        "random stamps of the drive and of the firmware where checks would stand; no check at all",
        stamped_slots,
    ),
    Kind(
        "sealed-records",
        "short keyed hashes where checks would stand, and real ones of the image and one record",
        sealed_records,
    ),
)
