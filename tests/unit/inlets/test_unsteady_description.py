"""Descriptions of unsteady drives: read, written, and refused with the key named."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest

from mendbay.core.errors import UsageError
from mendbay.core.span import Span
from mendbay.inlets.damage import Chance
from mendbay.inlets.unsteady_description import (
    Slow,
    UnsteadyDescription,
    Weak,
    dump,
    load_unsteady,
    parse,
)

EVERYTHING = UnsteadyDescription(
    image=Path("/bench/bay 2/drive.img"),
    sector_bytes=4096,
    physical_bytes=4096,
    seed=7,
    model='AL20-HX4 "test" \\ \x7f\t',
    serial="7K0042",
    error="ENODATA",
    refused=((10, 2), (90, 1)),
    weak=(Weak(100, 3, 20), Weak(50, 1)),
    slow=(Slow(300, 0.25, 8), Slow(200, 1.5)),
    hang=((400, 1),),
    hang_seconds=5.0,
    vanish_at=((500, 1),),
    vanish_after_reads=1000,
    vanish_times=2,
    comes_back=True,
    dies_after_refusals=50,
    dies_after_seconds=3600.0,
    command_seconds=0.001,
    seek_seconds=0.01,
    seconds_per_sector=1e-6,
    refusal_seconds=2.0,
    patience_seconds=20.0,
    real_time=True,
    state_file=Path("/bench/wear.json"),
    random=Chance(errors=5, near=0.5, scratches=1),
)


def test_every_field_survives_being_written_and_read() -> None:
    for one in dataclasses.fields(UnsteadyDescription):
        assert getattr(EVERYTHING, one.name) != one.default, f"{one.name} is not put to the test"
    assert parse(dump(EVERYTHING), Path("/elsewhere")) == EVERYTHING


def test_only_what_differs_from_the_defaults_is_written() -> None:
    assert dump(UnsteadyDescription(Path("/a/b.img")), Path("/a")) == 'image = "b.img"\n'


def test_paths_are_relative_to_the_description(tmp_path: Path) -> None:
    folder = tmp_path / "bench"
    folder.mkdir()
    (folder / "bay.toml").write_text('image = "bay.img"\nstate_file = "wear.json"\n')
    found = load_unsteady(folder / "bay.toml")
    assert (found.image, found.state_file) == (folder / "bay.img", folder / "wear.json")
    assert dump(found, folder) == 'image = "bay.img"\nstate_file = "wear.json"\n'


@pytest.mark.parametrize(
    ("line", "key", "why"),
    [
        ("refuse = [[1, 2]]", "refuse", "is no key"),
        ("sector_bytes = 520", "sector_bytes", "512 or 4096"),
        ("sector_bytes = true", "sector_bytes", "whole number"),
        ("error = 'ENOENT'", "error", "EIO, ENODATA"),
        ("seed = -1", "seed", "0 or more"),
        ("seed = 1.5", "seed", "whole number"),
        ("real_time = 1", "real_time", "true or false"),
        ("model = 5", "model", "text"),
        ("command_seconds = 'x'", "command_seconds", "number"),
        ("refusal_seconds = -0.1", "refusal_seconds", "0 or more"),
        ("refusal_seconds = nan", "refusal_seconds", "0 or more"),
        ("refused = [[1, 0]]", "refused", "1 or more"),
        ("refused = [[1]]", "refused", "[first sector, number of sectors]"),
        ("refused = [5]", "refused", "a list is needed"),
        ("refused = 5", "refused", "a list is needed"),
        ("refused = [[-1, 2]]", "refused", "0 or more"),
        ("weak = [{ at = 1 }]", "weak", "`refuses` is missing"),
        ("weak = [5]", "weak", "a table is needed"),
        ("weak = [{ at = 1, refuses = 0 }]", "weak", "1 or more"),
        ("weak = [{ at = 1, refuses = 1, often = 2 }]", "weak", "`often` is not known"),
        ("weak = [{ at = 1, refuses = 1, count = 10000001 }]", "weak", "10,000,000"),
        ("slow = [{ at = 1, seconds = 1, count = 9 }, { at = 5, seconds = 1 }]", "slow", "overlap"),
        ("random = { near = 1.5 }", "random", "between 0 and 1"),
        ("random = { error = 5 }", "random", "`error` is not known"),
        ("random = { errors = 10000001 }", "random", "10,000,000"),
        ("random = 5", "random", "a table is needed"),
    ],
)
def test_a_wrong_value_is_refused_by_its_key(line: str, key: str, why: str) -> None:
    with pytest.raises(UsageError, match=re.escape(why)) as found:
        parse(f'image = "a"\n{line}\n', Path("/"), "bay.toml")
    assert found.value.what.startswith(f"bay.toml: `{key}` ")


def test_what_is_missing_or_no_toml_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="`image` is missing"):
        parse("seed = 1", Path("/"))
    with pytest.raises(UsageError, match="is not TOML"):
        parse("image", Path("/"))
    with pytest.raises(UsageError, match="cannot be read"):
        load_unsteady(tmp_path / "none.toml")
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(UsageError, match="cannot be read"):
        load_unsteady(tmp_path / "binary.toml")


def test_a_description_without_its_image_is_refused_with_the_place(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=re.escape(str(tmp_path / "none.img"))):
        UnsteadyDescription(tmp_path / "none.img").faults()


def test_faults_join_what_is_listed_with_what_is_drawn(tmp_path: Path) -> None:
    image = tmp_path / "a.img"
    image.write_bytes(bytes(512 * 5000))
    found = UnsteadyDescription(
        image,
        refused=((10, 2), (11, 4)),
        weak=(Weak(20, 3, 2), Weak(21, 9)),
        slow=(Slow(40, 1.0), Slow(30, 2.0, 5)),
        random=Chance(errors=50, weak=0.5),
    ).faults()
    assert found.refused.covers(Span(10, 15))
    assert found.refused.total_bytes > 5 + 20
    assert found.weak_at.size > 20
    listed = dict(zip(found.weak_at.tolist(), found.weak_refuses.tolist(), strict=True))
    assert (listed[20], listed[21]) == (3, 3), "the first entry counts where two meet"
    assert found.slow_first.tolist() == [30, 40]
    assert found.slow_stop.tolist() == [35, 41]


def test_too_much_random_damage_for_the_image_is_refused(tmp_path: Path) -> None:
    image = tmp_path / "a.img"
    image.write_bytes(bytes(512 * 100))
    with pytest.raises(UsageError, match="too few"):
        UnsteadyDescription(image, random=Chance(errors=99)).faults()


def test_the_fingerprint_follows_the_damage_and_not_the_folder(tmp_path: Path) -> None:
    made = []
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        image = tmp_path / name / "a.img"
        image.write_bytes(bytes(51200))
        made.append(UnsteadyDescription(image, refused=((1, 1),)))
    one, two = made
    assert one.fingerprint() == two.fingerprint()
    assert one.fingerprint() != dataclasses.replace(one, refused=((2, 1),)).fingerprint()


def test_the_manual_lists_every_key_and_its_example_works() -> None:
    manual = (Path(__file__).parents[3] / "docs" / "unsteady.md").read_text()
    keys = [one.name for one in (*dataclasses.fields(UnsteadyDescription), *dataclasses.fields(Chance))]
    listed = {
        key for line in manual.splitlines() if line.startswith("| `") for key in line.split("|")[1].split("`")
    }
    assert set(keys) <= listed
    example = manual.split("```toml\n")[1].split("```")[0]
    assert parse(example, Path("/bench")).random == Chance(errors=200, scratches=1)
