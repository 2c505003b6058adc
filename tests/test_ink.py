"""Evening out the light, and measuring the ruling."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from neumary import ink
from neumary.types import Scan

PARCHMENT = np.array([214, 200, 172])


def scan(rgb: np.ndarray) -> Scan:
    return Scan("page", np.ascontiguousarray(rgb, dtype=np.uint8), "page.png", "")


def ruled(
    height: int,
    width: int,
    space: float,
    *,
    thick: float | None = None,
    ink_rgb=(190, 60, 45),
    n_lines: int = 4,
) -> np.ndarray:
    """Parchment with staves of level lines, seven spaces from staff to staff."""
    rgb = np.ones((height, width, 3)) * PARCHMENT
    top = 2 * space
    half = max(0.5, (thick or 0.09 * space) / 2)
    while top + 4 * space < height:
        for k in range(n_lines):
            row = top + k * space
            rgb[
                round(row - half) : max(round(row + half), round(row - half) + 1), width // 10 : -width // 10
            ] = ink_rgb
        top += 7 * space
    return rgb


def lettering(
    rgb: np.ndarray, baseline: float, x_height: float, left: int, right: int, seed: int = 0
) -> None:
    """Rows of upright minims joined at head or foot, as dense as script."""
    rng = np.random.default_rng(seed)
    col = float(left)
    pen = max(1, round(x_height / 5))
    while col < right - pen:
        if rng.random() < 0.15:
            col += x_height
            continue
        tall = 1.7 if rng.random() < 0.2 else 1.0
        top, bottom = round(baseline - tall * x_height), round(baseline)
        rgb[max(top, 0) : bottom, round(col) : round(col) + pen] = (50, 40, 32)
        foot = bottom - pen if rng.random() < 0.5 else round(baseline - x_height)
        rgb[max(foot, 0) : max(foot, 0) + pen, round(col) : round(col + 0.45 * x_height)] = (50, 40, 32)
        col += 0.5 * x_height


def test_bare_parchment_becomes_white_and_ink_keeps_its_share() -> None:
    # Light is a factor: a stroke that reflects a third of what parchment does must come out
    # as a third of white, channel by channel, wherever the shade falls.
    shade = np.linspace(0.45, 1.0, 600)[None, :, None] * np.linspace(0.7, 1.0, 400)[:, None, None]
    share = np.ones((400, 600, 3))
    share[50:350:40, 40:560] = (0.7, 0.3, 0.2)
    rgb = (PARCHMENT * shade * share).astype(np.uint8)
    flat = ink.flatten(rgb, 20.0).astype(float)
    bare = (share == 1.0).all(axis=2)
    inner = np.zeros_like(bare)
    inner[60:-60, 60:-60] = True  # a steep shade is known less well at the very edge
    assert np.percentile(np.abs(flat[bare & inner] - 255), 99) <= 5
    assert np.percentile(np.abs(flat[bare] - 255), 98) <= 12
    strokes = flat[50:350:40, 60:540].reshape(-1, 3)
    assert np.abs(np.median(strokes, axis=0) - 255 * np.array([0.7, 0.3, 0.2])).max() < 12


def test_large_painted_initial_and_photo_background_stay_dark() -> None:
    rgb = np.ones((800, 700, 3)) * PARCHMENT
    rgb[100:300, 100:280] = (35, 60, 130)
    rgb[:, 600:] = 4
    flat = ink.flatten(rgb.astype(np.uint8), 20.0)
    assert flat[120:280, 120:260, 0].max() < 80  # painted blue: red stays low
    assert flat[:, 620:].max() < 30
    assert flat[400:700, 50:500].min() > 245


def test_flatten_does_not_depend_on_resolution() -> None:
    rgb = ruled(800, 600, 20.0)
    rgb *= np.linspace(0.6, 1.0, 600)[None, :, None]
    large = rgb.astype(np.uint8)
    small = cv2.resize(large, (300, 400), interpolation=cv2.INTER_AREA)
    one = cv2.resize(ink.flatten(large, 20.0), (300, 400), interpolation=cv2.INTER_AREA).astype(int)
    other = ink.flatten(small, 10.0).astype(int)
    assert np.percentile(np.abs(one - other), 97) <= 6


@pytest.mark.parametrize("shape", [(1, 1, 3), (1, 50, 3), (50, 1, 3), (0, 10, 3)])
@pytest.mark.parametrize("grey", [0, 130, 255])
def test_flatten_of_tiny_pictures(shape: tuple[int, int, int], grey: int) -> None:
    flat = ink.flatten(np.full(shape, grey, np.uint8))
    assert flat.shape == shape
    assert flat.dtype == np.uint8


@pytest.mark.parametrize("space", [10, 14, 22, 40, 75, 120])
def test_staff_space_from_ten_to_a_hundred_and_twenty_pixels(space: int) -> None:
    rgb = ruled(32 * space, 24 * space, space)
    leaf = ink.map_ink(scan(rgb))
    assert leaf.spacing is not None
    assert leaf.spacing.space_px == pytest.approx(space, rel=0.05)
    assert leaf.spacing.line_px == pytest.approx(max(1, round(0.09 * space)), abs=1 + 0.03 * space)
    assert leaf.scale <= 1.0
    if space > 20:
        assert 14 <= space * leaf.scale <= 21


def test_text_denser_than_music_does_not_outvote_the_staves() -> None:
    rgb = ruled(1100, 800, 22.0)
    rgb[250:] = PARCHMENT
    for i in range(20):
        lettering(rgb, 300 + 39 * i, 17.0, 80, 720, seed=i)
    leaf = ink.map_ink(scan(rgb))
    assert leaf.spacing is not None
    assert leaf.spacing.space_px == pytest.approx(22, rel=0.05)


def test_two_staff_sizes_are_worked_at_the_smaller_one() -> None:
    rgb = np.vstack([ruled(1000, 1300, 60.0), ruled(900, 1300, 40.0)])
    leaf = ink.map_ink(scan(rgb))
    assert leaf.spacing is not None
    assert min(abs(leaf.spacing.space_px / s - 1) for s in (40.0, 60.0)) < 0.05
    assert 40 * leaf.scale == pytest.approx(18, rel=0.1)


def test_no_ruling_is_none() -> None:
    for rgb in (np.full((1, 1, 3), 200), np.full((500, 400, 3), 255), np.ones((900, 700, 3)) * PARCHMENT):
        assert ink.map_ink(scan(rgb)).spacing is None


def test_red_and_black_part_and_add_up_to_all_ink() -> None:
    rgb = np.ones((200, 300, 3)) * PARCHMENT
    rgb[50:56, 20:280] = (190, 60, 45)
    rgb[100:130, 100:120] = (45, 38, 30)
    leaf = ink.map_ink(scan(rgb))
    red, black = (53, 150), (115, 110)
    assert leaf.coloured[red] > 2 * leaf.dark[red]
    assert leaf.dark[black] > 2 * leaf.coloured[black]
    total = leaf.dark.astype(int) + leaf.coloured
    assert np.array_equal(total, 255 - leaf.flat.min(axis=2).astype(int))


def test_same_scan_same_bytes() -> None:
    page = scan(ruled(600, 500, 16.0))
    one, two = ink.map_ink(page), ink.map_ink(page)
    assert one.flat.tobytes() == two.flat.tobytes()
    assert one.spacing == two.spacing


@pytest.mark.leaves
def test_faint_red_lines_of_a_real_leaf_survive(scans) -> None:
    rgb = cv2.imread(str(scans / "antiphoner_f043r.jpg"))[..., ::-1]
    leaf = ink.map_ink(scan(rgb))
    assert leaf.spacing is not None
    assert 16 < leaf.spacing.space_px < 19  # 6 staves of 4 lines, measured by hand on the leaf
