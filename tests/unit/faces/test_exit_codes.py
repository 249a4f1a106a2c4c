"""The table of exit codes in the documentation is the one in the code."""

from __future__ import annotations

from pathlib import Path

from mendbay.core import errors

DOCUMENT = Path(__file__).parents[3] / "docs" / "exit-codes.md"


def table_from_code() -> list[str]:
    """The rows that the code calls for."""
    rows = {
        (errors.EXIT_DONE, "", "Done, nothing missing."),
        (
            errors.EXIT_INCOMPLETE,
            "",
            "Finished, but not everything could be had: what is missing is listed.",
        ),
    }
    for one in errors.all_errors():
        assert one.__doc__, f"{one.__name__} has no description"
        rows.add((one.exit_code, one.__name__, " ".join(one.__doc__.split("\n\n")[0].split())))
    return [f"| {code} | {f'`{name}`' if name else ''} | {text} |" for code, name, text in sorted(rows)]


def test_the_documented_table_is_the_codes_own() -> None:
    documented = [
        line for line in DOCUMENT.read_text().splitlines() if line.startswith("| ") and line[2].isdigit()
    ]
    assert documented == table_from_code()


def test_no_two_troubles_share_a_code() -> None:
    codes = [one.exit_code for one in errors.all_errors()]
    assert len(codes) == len(set(codes))


def test_codes_stay_clear_of_those_the_shell_uses() -> None:
    for one in errors.all_errors():
        assert 2 <= one.exit_code < 126 or one.exit_code == 130
