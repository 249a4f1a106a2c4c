from __future__ import annotations

import pytest

from support.answers import Run, answer, fits


def test_every_reckoning_answers_as_documented(run: Run) -> None:
    death = answer(run, "bench", "reckon", "death", "--hours", "24", "--afr", "8.6")
    assert death["chance"] == pytest.approx(0.000246, abs=5e-7)
    read = answer(run, "bench", "reckon", "whole-read", "--gb", "4000")
    assert read["chance"] == pytest.approx(0.2739, abs=5e-5)
    pair = answer(run, "bench", "reckon", "mirror", "--days", "3", "--afr", "1.7")
    assert pair["chance_in_five_years"] < 0.0001
    go_on = ("bench", "reckon", "go-on", "--brings", "50", "--costs", "10", "--dies", "2", "--at-risk")
    assert answer(run, *go_on, "1000")["go_on"]
    assert not answer(run, *go_on, "2500")["go_on"]


def test_the_words_fit_a_narrow_terminal(run: Run) -> None:
    said = run("bench", "reckon", "death", "--hours", "24", "--afr", "8.6").stdout
    assert said.startswith("0.0246 % within 24 h")
    assert "97 415 h" in said.replace("\N{THIN SPACE}", " ")
    assert fits(said)
    assert run("bench", "reckon", "death", "--hours", "24", "--afr", "100").returncode == 2
