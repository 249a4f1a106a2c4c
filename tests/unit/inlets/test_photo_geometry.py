"""Places in pictures: the way back from a turned picture, tiles that cover, the direction of most text."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from mendbay.inlets import photo_geometry as geometry

SQUARE = np.array([[0, 0], [40, 0], [40, 20], [0, 20]], float)


@pytest.mark.parametrize("angle", [0, 1.5, 90, -90, 180, 270, 12, -33, 101, 200])
def test_a_spot_is_found_again_in_the_picture_before_it_was_turned(angle: float) -> None:
    picture = np.zeros((200, 300, 3), np.uint8)
    picture[48:53, 218:223] = 255  # middle at x 220, y 50
    turned = geometry.turned_upright(picture, angle)
    rows, columns = np.nonzero(turned.pixels[..., 0] > 100)
    spot = np.array([[[columns.mean(), rows.mean()]] * 4])
    assert turned.back(spot)[0, 0] == pytest.approx([220, 50], abs=0.6)


def test_text_at_an_angle_runs_to_the_right_when_turned_by_it() -> None:
    picture = np.zeros((300, 300), np.uint8)
    for at in range(100):  # a line that falls to the right by 30 degrees
        picture[round(100 + at * 0.5), round(100 + at * 0.866)] = 255
    turned = geometry.turned_upright(picture, 30)
    rows, columns = np.nonzero(turned.pixels > 60)
    assert np.ptp(rows) <= 4
    assert np.ptp(columns) > 90


@pytest.mark.parametrize(("rows", "columns"), [(50, 60), (100, 101), (350, 220), (1000, 90)])
def test_tiles_cover_everything_and_overlap(rows: int, columns: int) -> None:
    seen = np.zeros((rows, columns), int)
    parts = list(geometry.tiles(rows, columns, 100, 30))
    for part in parts:
        seen[part] += 1
        assert seen[part].size <= 100 * 100
    assert seen.min() >= 1
    starts = sorted({part[0].start for part in parts})
    assert all(later - earlier <= 70 for earlier, later in pairwise(starts))


def test_the_common_line_is_that_of_most_of_the_text_also_across_the_turn() -> None:
    directions = np.array([88.0, -89.0, 91.0, 10.0])
    assert abs(geometry.common_line(directions, np.array([5.0, 5, 5, 8]))) == pytest.approx(90, abs=1.5)
    assert geometry.common_line(directions, np.array([1.0, 1, 1, 8])) == pytest.approx(10)
    assert geometry.common_line(np.empty(0), np.empty(0)) == 0


def test_shares_of_boxes() -> None:
    others = np.array([[0, 0, 10, 10], [100, 100, 110, 110], [0, 0, 1000, 1000]], float)
    assert geometry.shared(np.array([5.0, 0, 25, 10]), others) == pytest.approx([0.5, 0, 1])
    assert geometry.covered(np.array([5.0, 0, 25, 10]), others) == pytest.approx([0.25, 0, 1])


def test_a_cut_lies_flat_at_the_height_asked_for() -> None:
    picture = np.zeros((100, 100, 3), np.uint8)
    picture[30:50, 20:60] = 200
    cut = geometry.cut_out(picture, SQUARE + np.array([20, 30]), 48)
    assert cut.shape == (48, 96, 3)
    assert cut[4:-4, 4:-4].min() > 190


def test_upright_places_are_laid_along_their_longer_side() -> None:
    tall = np.array([[[0, 0], [10, 0], [10, 60], [0, 60]]], float)
    wide, high = geometry.sizes(geometry.lying(tall))
    assert (wide[0], high[0]) == (60, 10)
    assert abs(geometry.angles(geometry.lying(tall))[0]) == pytest.approx(90)
