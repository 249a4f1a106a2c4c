"""Whatever a person is told to do to a drive, a board or a chip, its cautions stand before it on the screen.

All commands and all steps are walked: a command that reaches a device or a chip and shows no caution must be
listed here with the reason.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from mendbay.board.electrical_form import Step
from mendbay.board.electrical_form_file import packaged_form
from mendbay.case.records import Bay
from mendbay.core.cautions import cautions_for
from mendbay.core.note import Note, NoteKind
from mendbay.faces.cli.main import command as program_command
from mendbay.faces.cli.screen import Screen
from mendbay.faces.cli.sheet_words import step_json, step_text
from mendbay.faces.cli.triage import offer_json, step_lines
from mendbay.inlets.bench_drives import BenchDrives
from mendbay.jobs import imaging_record
from mendbay.jobs.bench import Bench
from mendbay.jobs.take_in import take_in
from mendbay.jobs.triage_case import Triage, tell_triage
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.tables import Seat
from mendbay.wiring import open_bench
from support.answers import Run, answer, fits

REACHES = {"source", "sources", "programmer"}
"""Parameters through which a command comes to a device or a chip."""

READS = {
    ("drive", "compare"): ("1", "1", "{}"),
    ("drive", "facts"): ("{}", "--case", "1", "--bay", "1"),
    ("drive", "read"): ("1", "1", "{}"),
    ("pair", "read"): ("1", "1={}"),
}
"""Commands that reach a drive, and how each is called for the one of bay 1."""

SHOWS = {
    ("rom", "read"): (("1", "1", "patient", "--programmer", "simulated:absent.toml"), ("static", "clip")),
    ("rom", "write"): (("1", "1", "--programmer", "simulated:absent.toml"), ("static", "clip")),
    ("rom", "restore"): (("1", "1", "--programmer", "simulated:absent.toml"), ("static", "clip")),
}
"""How each is called, without a device or chip being there, and what it must have shown by then."""

SHOWS_NONE = {
    ("drive", "look"): "asks for name and size alone, not a sector; whoever gives it power was told before",
}
"""Commands that reach a device or a chip and show no caution, each with the reason."""


@pytest.fixture(autouse=True)
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    """A terminal of 80 columns."""
    monkeypatch.setenv("COLUMNS", "80")


def leaves(
    group: click.Group, words: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    """Every command with its words."""
    context = click.Context(group)
    for name in group.list_commands(context):
        one = group.get_command(context, name)
        assert one is not None
        if isinstance(one, click.Group):
            yield from leaves(one, (*words, name))
        else:
            yield (*words, name), one


def flat(text: str) -> str:
    """Without the breaks of lines."""
    return " ".join(text.split())


def require_before(shown: str, cautions: tuple[str, ...], then: str) -> None:
    """The cautions' titles stand before what is to be done."""
    said = flat(shown)
    done_at = said.index(flat(then).rstrip("."))
    for one in cautions_for(cautions):
        assert flat(one.title) in said[:done_at], f"{one.id} is not before: {said}"


def test_every_command_that_reaches_a_device_or_a_chip_is_accounted_for() -> None:
    assert isinstance(program_command, click.Group)
    found = {
        words
        for words, one in leaves(program_command)
        if REACHES & {parameter.name for parameter in one.params}
    }
    assert found == set(READS) | set(SHOWS) | set(SHOWS_NONE)
    assert not set(SHOWS) & set(SHOWS_NONE)


@pytest.mark.parametrize("words", list(SHOWS), ids=" ".join)
def test_cautions_stand_before_the_device_is_opened(run: Run, words: tuple[str, ...]) -> None:
    """Nothing is there to be opened, so whatever is on the screen came before."""
    given, cautions = SHOWS[words]
    done = run(*words, *given)
    assert done.returncode not in (0, 3)
    assert "Next: " in done.stderr
    assert fits(done.stdout)
    require_before(done.stdout + "THE END", cautions, "THE END")
    assert cautions_for(cautions)[0].deferral in flat(done.stdout)
    as_json = run("--json", *words, *given)
    assert as_json.stdout == "" or json.loads(as_json.stdout)


class Reading:
    """Commands on a home with a case whose drive of bay 1 is an image file."""

    def __init__(self, folder: Path) -> None:
        self.home = folder / "home"
        self.drive = folder / "drive.img"
        self.drive.write_bytes(b"\0" * 65536)
        with open_bench(self.home) as bench:
            take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1")])

    def __call__(self, words: tuple[str, ...], given: tuple[str, ...], as_json: bool = False) -> str:
        """What stands on the screen, errors too."""
        module = import_module(f"mendbay.faces.cli.{words[0]}")
        screen = Screen(str(self.home), as_json, True)
        named = [one.format(self.drive) for one in given]
        return CliRunner().invoke(module.command, [*words[1:], *named], obj=screen).output


@pytest.fixture
def reading(tmp_path: Path) -> Reading:
    return Reading(tmp_path)


@pytest.fixture
def as_device(reading: Reading, monkeypatch: pytest.MonkeyPatch) -> None:
    """The image file counts as a block device."""
    monkeypatch.setattr(BenchDrives, "is_device", lambda self, where: where == str(reading.drive))
    monkeypatch.setattr(imaging_record, "DEVICES", str(reading.drive.parent))


@pytest.mark.parametrize("words", [("drive", "read"), ("pair", "read"), ("drive", "facts")], ids=" ".join)
@pytest.mark.usefixtures("as_device")
def test_cautions_stand_in_full_before_a_drive_is_first_read_in_its_case(
    reading: Reading, words: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[str] = []
    monkeypatch.setattr(BenchDrives, "open", lambda self, where: opened.append(where))
    monkeypatch.setattr(BenchDrives, "line", lambda self, where: opened.append(where))
    said = reading(words, READS[words])
    assert opened, "it came to opening the drive, which this one does not survive"
    require_before(said + "THE END", ("reading-drive",), "THE END")
    (caution,) = cautions_for(("reading-drive",))
    assert flat(caution.text) in flat(said)
    assert caution.deferral in flat(said)
    assert "board" not in caution.text
    assert "CAUTION" not in reading(words, READS[words], as_json=True)


@pytest.mark.parametrize("words", list(READS), ids=" ".join)
@pytest.mark.usefixtures("as_device")
def test_afterwards_one_line_stands_before_it(reading: Reading, words: tuple[str, ...]) -> None:
    assert "CAUTION, " in reading(("drive", "read"), READS["drive", "read"])
    said = reading(words, READS[words])
    (caution,) = cautions_for(("reading-drive",))
    assert f"CAUTION as before: {caution.title}." in said
    assert caution.text[:40] not in flat(said)


@pytest.mark.usefixtures("as_device")
def test_a_drive_that_was_only_read_from_an_image_file_gets_them_in_full(
    reading: Reading, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as meanwhile:
        meanwhile.setattr(imaging_record, "DEVICES", "/dev/")
        reading(("drive", "read"), READS["drive", "read"])
        assert "CAUTION, " in reading(("drive", "compare"), READS["drive", "compare"])


@pytest.mark.parametrize("words", list(READS), ids=" ".join)
def test_no_caution_stands_before_what_touches_no_drive(reading: Reading, words: tuple[str, ...]) -> None:
    reading(("drive", "read"), READS["drive", "read"])
    assert "CAUTION" not in reading(words, READS[words])


@pytest.mark.parametrize(
    ("words", "given"),
    [
        (("drive", "read"), ("1", "no bay/", "{}")),
        (("drive", "read"), ("7", "1", "{}")),
        (("drive", "compare"), ("1", "1", "{}")),
        (("drive", "facts"), ("{}", "--label", "big")),
        (("drive", "facts"), ("{}", "--case", "1", "--bay", "7")),
        (("pair", "read"), ("1", "1={}", "2={}")),
        (("pair", "read"), ("1", "1={}", "1={}")),
    ],
)
@pytest.mark.usefixtures("as_device")
def test_no_caution_stands_before_what_cannot_be_done(
    reading: Reading, words: tuple[str, ...], given: tuple[str, ...]
) -> None:
    assert "CAUTION" not in reading(words, given)


@pytest.mark.parametrize(
    ("words", "state"), [(("drive", "read"), "{}"), (("pair", "read"), "1={}")], ids=["drive", "pair"]
)
def test_a_caution_stands_before_a_drive_said_to_click_is_read(
    reading: Reading, words: tuple[str, ...], state: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[str] = []
    monkeypatch.setattr(BenchDrives, "open", lambda self, where: opened.append(where))
    (caution,) = cautions_for(("clicking-drive",))
    refusing = reading(words, (*READS[words], "--condition", state.format("refuses")))
    assert "CAUTION" not in refusing
    clicks = (*READS[words], "--condition", state.format("clicks"))
    said = reading(words, clicks)
    assert len(opened) == 2, "it came to opening the drive, which this one does not survive"
    assert flat(f"CAUTION, {caution.title}: {caution.text}") in flat(said)
    assert "power it off" in caution.text
    assert "head work in a clean room" in caution.text
    assert "triage tell 1 sound clicks --bay 1" in said
    assert "CAUTION" not in reading(words, clicks, as_json=True)
    reading(("triage", "tell"), ("1", "sound", "clicks", "--bay", "1"))
    stopped = reading(words, (*clicks, "--although-harmful", "a last copy"))
    assert len(opened) == 4
    assert "CAUTION" not in stopped, "triage keeps it without power already"


def test_what_is_a_device(tmp_path: Path) -> None:
    drives = BenchDrives()
    (tmp_path / "drive.img").write_bytes(bytes(512))
    for where in ("drive.img", "absent", "."):
        assert not drives.is_device(str(tmp_path / where))
    assert not drives.is_device("/dev/null")
    assert not drives.is_device(f"pages:{tmp_path}")
    assert not drives.is_device("unsteady:/dev/sda")


def answered(bench: Bench, needs: tuple[tuple[str, str], ...], again: bool) -> Triage:
    """Triage of a new case with a box of two drives, in which everything that some step needs is answered;
    with `again` after a repair that may have changed what lights and drives do."""
    case = take_in(bench, "Quillmere Pottery", box="two-bay box", bays=[Bay(0, "1"), Bay(0, "2")]).number
    signs = packaged_tables().signs
    for name, wanted in needs:
        sign = signs[name]
        said = json.dumps({"answer": wanted or sign.answers[0].id})
        for bay in ("1", "2") if sign.seat is Seat.BAY else ("",):
            bench.notes.add(Note(case, bay, NoteKind.SIGN, name, bench.now(), "A technician", said))
    if again:
        bench.notes.add(Note(case, "", NoteKind.TRIED, "new-adapter", bench.now(), "A technician", "{}"))
    return tell_triage(bench, case)


def test_cautions_stand_before_every_step_of_triage(tmp_path: Path) -> None:
    """`triage step` prints these lines and this object; steps that need the same are walked together."""
    steps = packaged_tables().steps
    walked: set[str] = set()
    with open_bench(tmp_path / "home") as bench:
        for needs, again in dict.fromkeys((step.needs, step.again) for step in steps.values()):
            told = answered(bench, needs, again)
            for offer in told.offers:
                step = offer.step
                if (step.needs, step.again) != (needs, again):
                    continue
                walked.add(step.id)
                shown = "\n".join(step_lines(told, offer))
                assert fits(shown)
                require_before(shown, step.cautions, step.words)
                found = offer_json(told, offer)
                assert list(found).index("cautions") < list(found).index("words")
                assert found["cautions"] == list(step.cautions)
    assert walked == set(steps)


def test_the_command_prints_them_so(run: Run) -> None:
    step = packaged_tables().steps["listen-alone"]
    done = run("triage", "step", "1", step.id, "--bay", "1")
    assert done.returncode == 0, done.stderr
    require_before(done.stdout, step.cautions, step.words)
    found = answer(run, "triage", "step", "1", step.id, "--bay", "1")
    assert list(found).index("cautions") < list(found).index("words")


@pytest.mark.parametrize("step", packaged_form().steps.values(), ids=lambda step: step.id)
def test_cautions_stand_before_a_step_of_the_sheet(step: Step) -> None:
    shown = "\n".join(step_text(step, "it is next"))
    assert fits(shown)
    require_before(shown, step.cautions, step.question)
    require_before(shown, step.cautions, step.how)
    order = list(step_json(step))
    assert order.index("cautions") < order.index("question") < order.index("how")


def test_the_sheet_on_the_screen_begins_with_them(run: Run) -> None:
    done = run("board", "sheet", "1", "1", "--size", "3.5")
    assert done.returncode in (0, 3), done.stderr
    asked = run("board", "step", "1", "1", "suppressor-12v")
    step = packaged_form().steps["suppressor-12v"]
    require_before(asked.stdout, step.cautions, step.question)
    require_before(done.stdout, ("static", "power-off"), "suppressor-12v")


@pytest.mark.parametrize("command", ["reserve", "used"])
def test_what_speaks_against_a_donor_stands_before_what_is_noted(run: Run, command: str) -> None:
    added = run("donor", "add", "board", "--board-number", "TB-4471", "--condition", "damaged")
    assert added.returncode == 0, added.stderr
    words = ("1", "1") if command == "reserve" else ("1", "1", "1", "worked", "--rom", "not-moved")
    done = run("donor", command, *words)
    assert done.returncode == 0, done.stderr
    noted = "is reserved for case 1" if command == "reserve" else "Noted: "
    assert done.stdout.startswith("CAUTION: item 1: ")
    assert done.stdout.rindex("CAUTION: ") < done.stdout.index(noted)
