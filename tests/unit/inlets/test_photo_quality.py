"""Figures of a picture's quality and what is made of them."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from mendbay.board.sighting import PictureFault
from mendbay.inlets import photo_geometry as geometry
from mendbay.inlets.photo_codes import Codes
from mendbay.inlets.photo_quality import Figures, judge, measure
from mendbay.inlets.photo_text import Line
from support.label_pictures import written

GOOD = Figures(
    brightness=210,
    contrast=150,
    glare=0,
    glare_place=None,
    edge=3,
    height=30,
    lowest=20,
    lean=4,
    extent=0.6,
    weak=0.01,
    lines=9,
    codes=2,
    unread=0,
    side=2000,
)
BARS = np.array([[[10, 10], [90, 10], [90, 40], [10, 40]]], float)
NO_CODES = Codes([], geometry.NO_QUADS)


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        ({"brightness": 20}, PictureFault.DARK),
        ({"contrast": 8}, PictureFault.DARK),
        ({"glare": 0.05, "glare_place": BARS[0]}, PictureFault.GLARE),
        ({"edge": 9}, PictureFault.BLURRED),
        ({"height": 8}, PictureFault.SMALL),
        ({"lowest": 6}, PictureFault.SMALL),
        ({"lean": 36}, PictureFault.OBLIQUE),
        ({"lines": 0, "codes": 0, "height": 0, "lowest": 0, "weak": 1.0}, PictureFault.EMPTY),
    ],
)
def test_each_figure_over_its_limit_is_its_fault_with_advice(
    change: dict[str, float], fault: PictureFault
) -> None:
    (trouble,) = judge(replace(GOOD, **change), geometry.NO_QUADS)
    assert trouble.fault is fault
    assert trouble.advice.startswith("Photograph")
    assert (trouble.corners is None) == (fault is not PictureFault.GLARE)


def test_a_good_picture_has_no_fault() -> None:
    assert judge(GOOD, geometry.NO_QUADS) == ()


def test_little_writing_in_a_small_part_of_the_picture_was_taken_from_too_far() -> None:
    afar = replace(GOOD, lines=2, extent=0.03)
    assert [one.fault for one in judge(afar, geometry.NO_QUADS)] == [PictureFault.SMALL]
    assert judge(replace(GOOD, lines=2), geometry.NO_QUADS) == ()


def test_large_writing_may_be_softer_and_nothing_but_soft_edges_is_blur() -> None:
    assert judge(replace(GOOD, edge=9, height=80, lowest=60), geometry.NO_QUADS) == ()
    blind = replace(GOOD, lines=0, codes=0, height=0, lowest=0, weak=1.0, edge=20)
    assert [one.fault for one in judge(blind, geometry.NO_QUADS)] == [PictureFault.BLURRED]
    assert [one.fault for one in judge(replace(blind, edge=5, extent=0.02), geometry.NO_QUADS)] == [
        PictureFault.SMALL
    ]


def test_soft_edges_matter_more_where_some_of_the_writing_is_small() -> None:
    soft = replace(GOOD, edge=5, height=40, lowest=24)
    assert judge(soft, geometry.NO_QUADS) == ()
    assert [one.fault for one in judge(replace(soft, lowest=14), geometry.NO_QUADS)] == [PictureFault.BLURRED]


def test_a_larger_picture_of_the_same_scene_is_judged_alike() -> None:
    fair = replace(GOOD, edge=4, height=22, lowest=15)
    larger = replace(fair, edge=8, height=44, lowest=30, side=4000)
    assert judge(fair, geometry.NO_QUADS) == judge(larger, geometry.NO_QUADS) == ()
    afar = replace(larger, height=24, lowest=15)
    assert [one.fault for one in judge(afar, geometry.NO_QUADS)] == [PictureFault.BLURRED]


def test_a_square_code_seen_but_not_read_spoils_a_picture_without_a_place() -> None:
    sheet, lines = drawn()
    codes = Codes([], geometry.NO_QUADS, ("QR Code",))
    assert measure(sheet, lines, codes).unread == 1
    (trouble,) = judge(replace(GOOD, unread=1, lean=25), codes.unread)
    assert (trouble.fault, trouble.corners) == (PictureFault.OBLIQUE, None)
    assert "square code" in trouble.measured


def test_what_could_not_be_read_spoils_a_picture_and_is_put_down_to_the_nearest_fault() -> None:
    (trouble,) = judge(replace(GOOD, unread=1, lean=25), BARS)
    assert (trouble.fault, trouble.corners) == (
        PictureFault.OBLIQUE,
        ((10, 10), (90, 10), (90, 40), (10, 40)),
    )
    (trouble,) = judge(replace(GOOD, weak=0.4, edge=5), geometry.NO_QUADS)
    assert trouble.fault is PictureFault.BLURRED
    assert "40 %" in trouble.measured


def drawn(height: int = 30) -> tuple[np.ndarray, list[Line]]:
    """A sheet with three lines of writing whose places are as the finder gives them."""
    sheet = np.full((600, 900), 225, np.uint8)
    lines = []
    for row, text in enumerate(("MODEL AL20-HX4", "SERIAL 7KD20931", "2.0 TB")):
        ink = written(text, height, "sans")
        top, left = 100 + 120 * row, 100
        part = sheet[top : top + ink.shape[0], left : left + ink.shape[1]]
        part[:] = part * (1 - ink) + 25 * ink
        margin = ink.shape[0] * 0.3
        low, high = top - margin, top + ink.shape[0] + margin
        place = [
            [left - 8, low],
            [left + ink.shape[1] + 8, low],
            [left + ink.shape[1] + 8, high],
            [left - 8, high],
        ]
        lines.append(Line(text, 1.0, (1.0,) * len(text), np.array(place, float)))
    return sheet, lines


def test_writing_is_measured_in_pixels_and_steps_of_grey() -> None:
    sheet, lines = drawn(30)
    figures = measure(sheet, lines, NO_CODES)
    assert figures.height == pytest.approx(30, rel=0.2)
    assert figures.contrast == pytest.approx(200, rel=0.1)
    assert measure((sheet * 0.1).astype(np.uint8), lines, NO_CODES).brightness < 25


def test_edges_grow_wider_with_blur_and_with_motion_in_any_direction() -> None:
    sheet, lines = drawn(40)
    sharp = measure(sheet, lines, NO_CODES).edge
    soft = [measure(cv2.GaussianBlur(sheet, (0, 0), by), lines, NO_CODES).edge for by in (1, 2, 4)]
    assert sharp < soft[0] < soft[1] < soft[2]
    for angle in (0, 30, 45, 90, 140):
        kernel = np.zeros((19, 19), np.float32)
        reach = 8 * np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
        ends = [tuple(int(part) for part in np.round(9 + sign * reach)) for sign in (-1, 1)]
        cv2.line(kernel, ends[0], ends[1], 1.0)
        moved = cv2.filter2D(sheet, -1, kernel / kernel.sum())
        assert measure(moved, lines, NO_CODES).edge > 2 * sharp, angle


def test_a_shining_patch_is_told_with_its_place_and_white_paper_is_none() -> None:
    sheet, lines = drawn()
    assert measure(sheet, lines, NO_CODES).glare == 0
    cv2.circle(sheet, (300, 250), 60, 255, -1)
    figures = measure(sheet, lines, NO_CODES)
    assert figures.glare > 0.015
    assert figures.glare_place is not None
    assert figures.glare_place.mean(axis=0) == pytest.approx([300, 250], abs=10)
