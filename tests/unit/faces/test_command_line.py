"""The command line, driven as a person would drive it, in processes of its own."""

from __future__ import annotations

import importlib
import json
import os
import re
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import click
import jsonschema
import pytest

from mendbay.core import errors
from mendbay.faces.cli import main
from mendbay.faces.cli.case import SECTIONS
from mendbay.faces.cli.main import COMMANDS
from mendbay.faces.cli.main import command as top
from mendbay.faces.cli.screen import printable
from mendbay.outlets.scenario.scenario import Scenario
from mendbay.outlets.scenario.small import make_small_scenario
from support.answers import unbroken
from support.boxes import small_base, tool_or_skip
from support.commands import Commands

ROOT = Path(__file__).parents[3]
SCHEMA = json.loads((ROOT / "docs" / "json" / "answers.schema.json").read_text())

Run = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def run(tmp_path: Path, program: Commands) -> Run:
    """Runs mendbay with a home of its own; as a process of its own where it is to be started in some way."""

    def runner(
        *words: object, before: Sequence[str] = (), **options: Any
    ) -> subprocess.CompletedProcess[str]:
        if not before and not options:
            return program.run(["--home", str(tmp_path / "home"), *map(str, words)])
        return subprocess.run(
            [
                *before,
                sys.executable,
                "-m",
                "mendbay.faces.cli.main",
                "--home",
                str(tmp_path / "home"),
                *map(str, words),
            ],
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
            **options,
        )

    return runner


@pytest.fixture(scope="module")
def box(tmp_path_factory: pytest.TempPathFactory) -> Scenario:
    """Two small members with damage that both halves together make good but for one place."""
    folder = tmp_path_factory.mktemp("box")
    return make_small_scenario(folder / "drives", 5, base=small_base(folder / "base"))


def answer(run: Run, name: str, *words: object, codes: tuple[int, ...] = (0,)) -> Any:
    """The JSON answer of a command, checked against its documented shape."""
    done = run("--json", *words)
    assert done.returncode in codes, done.stdout + done.stderr
    found = json.loads(done.stdout)
    shape = {**SCHEMA, "$ref": "#/$defs/" + name.replace(" ", "%20")}
    jsonschema.Draft202012Validator(shape).validate(found)
    return found


def sources(box: Scenario) -> list[str]:
    return [f"{bay}=unsteady:{drive}" for bay, drive in zip(("1", "2"), box.drives, strict=True)]


def test_every_command_has_a_documented_shape_and_help() -> None:
    context = click.Context(top)
    leaves = []
    for name in COMMANDS:
        found = top.get_command(context, name)
        assert found is not None
        verbs = found.commands if isinstance(found, click.Group) else {"": found}
        for verb, leaf in verbs.items():
            assert leaf.help, f"{name} {verb} has no help"
            leaves.append(f"{name} {verb}".strip())
    assert set(leaves) <= set(SCHEMA["$defs"])


def test_the_readme_names_every_command() -> None:
    readme = (ROOT / "README.md").read_text()
    for name in COMMANDS:
        assert f"mendbay {name}" in readme or f"./run {name}" in readme


def test_the_whole_job_by_hand_with_documented_answers(run: Run, box: Scenario, tmp_path: Path) -> None:
    opened = answer(run, "case open", "case", "open", "Quillmere Pottery", "--want", "*.txt")
    assert opened["case"] == 1
    look = answer(run, "drive look", "drive", "look", f"unsteady:{box.drives[0]}")
    assert look["size_bytes"] == box.images[0].stat().st_size
    both = (0, 3)
    pair = answer(run, "pair read", "pair", "read", "1", *sources(box), "--want", "metadata", codes=both)
    assert pair["pair"]["level"] == "mirror"
    assert pair["pair"]["fresher"] == "1"
    assert answer(run, "pair look", "pair", "look", "1")["file_system"]["kind"] == "ext4"
    assert answer(run, "drive show", "drive", "show", "1", "1")["unread_bytes"] == 0
    listing = answer(run, "files list", "files", "list", "1", codes=both)
    told = answer(run, "triage show", "triage", "show", "1")["known"]
    known = {one["sign"]: one["known"] for one in told}
    assert (known["layout-found"], known["files-found"]) == ("mirror", "whole")
    a_file = next(one for one in listing["files"] if one["kind"] == "file" and one["size_bytes"] > 0)
    path = re.sub(r"(..)", r"\\x\1", a_file["raw_path_hex"])
    shown = answer(run, "files show", "files", "show", "1", path)
    assert shown["raw_path_hex"] == a_file["raw_path_hex"]
    made = answer(run, "handback make", "handback", "make", "1", tmp_path / "out", codes=both)
    assert made["verified_files"] == made["copied_files"] > 0
    assert answer(run, "handback check", "handback", "check", tmp_path / "out")["valid"]
    story = answer(run, "case show", "case", "show", "1")
    assert [run["adapter"] for image in story["images"] for run in image["runs"]] == ["not stated"] * 2
    assert answer(run, "case custody", "case", "custody", "1")["holds"]
    assert answer(run, "case list", "case", "list")[0]["state"] == "handed back"


def test_two_adapters_are_blended_and_both_named(run: Run, tmp_path: Path) -> None:
    content = os.urandom(1 << 20)
    image = tmp_path / "drive.img"
    image.write_bytes(content)
    for name, bad in (("a", 100), ("b", 900)):
        (tmp_path / f"{name}.toml").write_text(f'image = "drive.img"\nrefused = [[{bad}, 3]]\n')
    run("case", "open", "One")
    run("case", "open", "Two")
    answer(
        run,
        "drive read",
        "drive",
        "read",
        "1",
        "1",
        f"unsteady:{tmp_path}/a.toml",
        "--adapter",
        "A",
        codes=(3,),
    )
    answer(
        run,
        "drive read",
        "drive",
        "read",
        "2",
        "1",
        f"unsteady:{tmp_path}/b.toml",
        "--adapter",
        "B",
        codes=(3,),
    )
    other = tmp_path / "home" / "cases" / "0002-two" / "bay-1.img"
    blended = answer(
        run, "drive blend", "drive", "blend", "1", "1", other, "--although-other-case", "entered twice"
    )
    assert blended["taken_bytes"] == 3 * 512
    assert blended["compared_bytes"] > 0
    assert (tmp_path / "home" / "cases" / "0001-one" / "bay-1.img").read_bytes() == content
    story = answer(run, "case show", "case", "show", "1")
    assert {run["adapter"] for run in story["images"][0]["runs"]} == {"A", "B"}
    (told,) = [one["text"] for one in story["events"] if "taken over" in one["text"]]
    assert "1\N{THIN SPACE}536 bytes taken over from an image of case 2 into the image of bay 1; " in told


def failing(done: subprocess.CompletedProcess[str], kind: type[errors.MendbayError]) -> str:
    """Checks the one shape of an error for people; returns its sentence."""
    assert done.returncode == kind.exit_code, done.stdout + done.stderr
    lines = [line for line in unbroken(done.stderr).splitlines() if line.startswith(("mendbay: ", "Next: "))]
    assert len(lines) == 2, done.stderr
    assert lines[0].endswith((".", "?", "!"))
    assert lines[1].removeprefix("Next: ")
    assert "Traceback" not in done.stderr
    return lines[0].removeprefix("mendbay: ")


def test_bad_input_gets_one_sentence_a_next_step_and_its_code(run: Run, tmp_path: Path) -> None:
    run("case", "open", "A customer")
    empty = tmp_path / "empty.img"
    empty.touch()
    failing(run("drive", "read", "1", "1", tmp_path / "nowhere"), errors.SourceError)
    failing(run("drive", "read", "1", "1", "/dev/null"), errors.SourceError)
    failing(run("drive", "read", "1", "1", tmp_path), errors.SourceError)
    failing(run("drive", "read", "1", "1", empty), errors.SourceTooSmall)
    failing(run("drive", "read", "9", "1", empty), errors.NoSuchCase)
    failing(run("drive", "read", "1", "../x", empty), errors.UsageError)
    failing(run("files", "list", "1"), errors.NoSuchCase)
    failing(run("case", "open", ""), errors.UsageError)
    failing(run("pair", "read", "1", "sdb"), errors.UsageError)
    failing(run("nonsense"), errors.UsageError)
    failing(run("case", "show", "one"), errors.UsageError)
    for words in (("tell", "1", "worth", "-5"), ("tell", "1", "keep-days", "-3"), ("show", "-1")):
        assert failing(run("case", *words), errors.UsageError).startswith(f"{words[-1]} is below 0")
    assert "No such option '-x'" in failing(run("case", "tell", "1", "notes", "-x"), errors.UsageError)
    failing(run("handback", "check", tmp_path), errors.BagInvalid)


def test_an_unreadable_source_is_told(run: Run, tmp_path: Path) -> None:
    image = tmp_path / "drive.img"
    image.write_bytes(bytes(4096))
    image.chmod(0)
    run("case", "open", "A customer")
    if os.geteuid() == 0:  # root reads everything, unless it gives up the right to
        setpriv = tool_or_skip("setpriv", "util-linux")
        narrow = [setpriv, "--bounding-set=-dac_override,-dac_read_search"]
        failing(run("drive", "read", "1", "1", image, before=narrow), errors.SourceError)
    else:
        failing(run("drive", "read", "1", "1", image), errors.SourceError)


def test_foreign_drives_and_damaged_checkpoints_are_refused(run: Run, tmp_path: Path) -> None:
    run("case", "open", "A customer")
    first, second, larger = (tmp_path / name for name in ("a.img", "b.img", "c.img"))
    first.write_bytes(os.urandom(1 << 16))
    second.write_bytes(os.urandom(1 << 16))
    larger.write_bytes(os.urandom(1 << 17))
    assert run("drive", "read", "1", "1", first).returncode == 0
    failing(run("drive", "read", "1", "1", second), errors.ForeignImage)
    failing(run("drive", "read", "1", "1", larger), errors.ForeignImage)
    log = tmp_path / "home" / "cases" / "0001-a-customer" / "bay-1.coverage"
    log.write_bytes(b"not a checkpoint" * 1000)
    said = failing(run("drive", "read", "1", "1", first), errors.DamagedCheckpoint)
    assert "bay-1.coverage" in said
    failing(run("files", "list", "1"), errors.DamagedCheckpoint)


def test_volumes_without_a_file_system_are_told(run: Run, tmp_path: Path) -> None:
    run("case", "open", "A customer")
    image = tmp_path / "noise.img"
    image.write_bytes(os.urandom(1 << 20))
    run("drive", "read", "1", "1", image)
    failing(run("files", "list", "1"), errors.NoFileSystem)


def test_errors_as_json_have_their_documented_shape(run: Run, tmp_path: Path) -> None:
    found = answer(run, "error", "drive", "look", tmp_path / "nowhere", codes=(10,))
    assert found["error"]["exit_code"] == 10
    answer(run, "error", "nonsense", codes=(2,))


def test_a_full_destination_loses_nothing_and_the_same_command_goes_on(
    run: Run, box: Scenario, tmp_path: Path
) -> None:
    """A limit on the size of files the process may write stands for a disk that fills up in mid-copy."""
    run("case", "open", "A customer")
    run("pair", "read", "1", *sources(box))
    out = tmp_path / "out"

    def narrow() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))

    broken = run("handback", "make", "1", out, preexec_fn=narrow)
    assert broken.returncode in (errors.DestinationError.exit_code, errors.NoRoom.exit_code), broken.stderr
    assert not (out / "bagit.txt").exists()
    again = run("handback", "make", "1", out)
    assert again.returncode in (0, 3), again.stderr
    assert run("handback", "check", out).returncode == 0


@pytest.mark.slow
def test_ctrl_c_stops_cleanly_and_the_same_command_goes_on(run: Run, tmp_path: Path) -> None:
    content = os.urandom(8 << 20)
    (tmp_path / "drive.img").write_bytes(content)
    (tmp_path / "slow.toml").write_text(
        'image = "drive.img"\nreal_time = true\nseconds_per_sector = 0.0005\nrefusal_seconds = 0.1\n'
        "refused = [[5000, 2]]\n"
    )
    run("case", "open", "A customer")
    words = ["--home", str(tmp_path / "home"), "drive", "read", "1", "1", f"unsteady:{tmp_path}/slow.toml"]
    reading = subprocess.Popen(
        [sys.executable, "-m", "mendbay.faces.cli.main", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    image = tmp_path / "home" / "cases" / "0001-a-customer" / "bay-1.img"
    deadline = time.monotonic() + 20
    while time.monotonic() < deadline and not (image.exists() and image.stat().st_blocks > 64):
        time.sleep(0.05)
    reading.send_signal(signal.SIGINT)
    out, err = reading.communicate(timeout=60)
    assert reading.returncode == errors.Interrupted.exit_code, out + err
    assert "Traceback" not in err
    shown = json.loads(run("--json", "drive", "show", "1", "1").stdout)
    assert 0 < shown["read_bytes"] < len(content)
    assert run(*words[2:]).returncode == errors.EXIT_INCOMPLETE
    shown = json.loads(run("--json", "drive", "show", "1", "1").stdout)
    assert shown["refused_bytes"] == 1024
    kept = bytearray(content)
    kept[5000 * 512 : 5002 * 512] = bytes(1024)
    assert image.read_bytes() == bytes(kept)


def test_help_needs_nothing_heavy() -> None:
    """Start-up stays quick because these are only imported when a command needs them (the time itself is
    measured in benchmarks/)."""
    script = (
        "import sys; from click.testing import CliRunner; from mendbay.faces.cli.main import command;"
        "result = CliRunner().invoke(command, ['--help']); assert result.exit_code == 0, result.output;"
        "heavy = {'numpy', 'rich', 'typst', 'sqlite3', 'jinja2', 'PIL', 'openpyxl'} & set(sys.modules);"
        "assert not heavy, heavy"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_names_from_a_drive_cannot_move_the_cursor() -> None:
    shown = printable(b"a\x1b[2Jb\xff\\c\xe2\x80\xaed\n")
    assert shown == r"a\x1b[2Jb\xff\x5cc\xe2\x80\xaed\x0a"


def test_every_command_of_a_case_is_listed_once_and_is_where_it_is_looked_for() -> None:
    listed = {name: module for topic in SECTIONS.values() for name, (module, _) in topic.items()}
    assert len(listed) == sum(len(topic) for topic in SECTIONS.values())
    found = {
        str(one.name): module
        for module in sorted(set(listed.values()))
        for one in importlib.import_module(f"mendbay.faces.cli.case_{module}").COMMANDS
    }
    assert found == listed
    folder = Path(main.__file__).parent
    modules = {path.stem.removeprefix("case_") for path in folder.glob("case_*.py")}
    assert modules == set(listed.values())


def test_a_home_without_a_case_is_named_with_the_command_that_makes_one(run: Run, tmp_path: Path) -> None:
    done = run("case", "show", "1")
    assert done.returncode == 41
    assert str(tmp_path / "home") in unbroken(done.stderr)
    assert "--home" in unbroken(done.stderr)
    assert "case open" in unbroken(done.stderr)
    run("case", "open", "Quillmere Pottery")
    done = run("case", "show", "7")
    assert "There is no case 7." in unbroken(done.stderr)
    assert "case list" in unbroken(done.stderr)


def test_a_folder_is_no_description_and_is_named_without_the_systems_own_words(
    run: Run, tmp_path: Path
) -> None:
    done = run("drive", "look", f"unsteady:{tmp_path}")
    assert done.returncode == 2
    assert f'"{tmp_path}"' in unbroken(done.stderr)
    assert "Errno" not in unbroken(done.stderr)
