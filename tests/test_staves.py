"""Staff lines and staves, on drawn pages and on real leaves."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from itertools import pairwise
from pathlib import Path

import cv2
import msgspec
import numpy as np
import pytest

from neumary.ink import map_ink
from neumary.staves import find_staves
from neumary.types import Scan, Staff, StaffLine
from neumary_models import zoo

LEAF = zoo.load("leaf", threads=1)
PARCHMENT = (214, 200, 172)
INKS = {
    "red": (190, 60, 45),
    "black": (52, 46, 40),
    "brown": (120, 85, 55),
    "yellow": (205, 165, 60),
    "blue": (70, 95, 160),
    "grey": (135, 126, 110),
}
TRUE_LINES = list[tuple[np.ndarray, np.ndarray]]


class Leaf:
    """A drawn page that remembers where its lines run."""

    def __init__(self, height: int, width: int) -> None:
        self.rgb = np.full((height, width, 3), PARCHMENT, np.uint8)
        self.lines: TRUE_LINES = []

    def staff(self, bottom, left, right, space, *, n=4, ink="red", wave=0.0, slope=0.0) -> None:
        cols = np.arange(left, right + 1, dtype=float)
        for k in range(n):
            rows = bottom - k * space + slope * (cols - left) + wave * np.sin((cols - left) / (9 * space))
            points = np.round(np.c_[cols, rows] * 16).astype(np.int32)
            cv2.polylines(self.rgb, [points], False, INKS[ink], max(1, round(0.09 * space)), cv2.LINE_AA, 4)
            self.lines.append((cols, rows))

    def text(self, baseline, left, right, x_height, seed=0) -> None:
        rng = np.random.default_rng([seed, int(baseline), int(left)])
        pen = max(1, round(x_height / 5))
        col = float(left)
        while col < right - x_height:
            if rng.random() < 0.15:
                col += x_height
                continue
            top = round(baseline - x_height * (1.7 if rng.random() < 0.2 else 1.0))
            cv2.rectangle(self.rgb, (round(col), top), (round(col) + pen, round(baseline)), (50, 40, 32), -1)
            foot = round(baseline if rng.random() < 0.5 else baseline - x_height)
            cv2.line(self.rgb, (round(col), foot), (round(col + 0.45 * x_height), foot), (50, 40, 32), pen)
            col += 0.5 * x_height

    def heads(self, bottom, left, right, space, seed=0) -> None:
        rng = np.random.default_rng([seed, int(bottom)])
        for col in np.arange(left + 2 * space, right - space, 1.7 * space):
            row = bottom - rng.integers(0, 7) * space / 2
            a, b = round(0.38 * space), round(0.42 * space)
            cv2.rectangle(
                self.rgb, (round(col) - a, round(row) - b), (round(col) + a, round(row) + b), (45, 38, 30), -1
            )

    def read(self, **how) -> list[Staff]:
        rng = np.random.default_rng(3)
        noisy = np.clip(self.rgb + rng.normal(0, 4, self.rgb.shape), 0, 255).astype(np.uint8)
        return find_staves(map_ink(Scan("leaf", noisy, "leaf.png", "")), LEAF, **how).staves


def line_f1(found: list[Staff], true: TRUE_LINES, space: float) -> float:
    """F1 of lines: mean vertical distance under 0.25 space over at least 80 % of both."""
    ours = [line for staff in found for line in staff.lines]
    costs = []
    for i, line in enumerate(ours):
        for j, (cols, rows) in enumerate(true):
            low, high = max(line.cols[0], cols[0]), min(line.cols[-1], cols[-1])
            longest = max(line.cols[-1] - line.cols[0], cols[-1] - cols[0])
            if high - low < 0.8 * longest:
                continue
            at = np.linspace(low, high, 60)
            away = np.abs(np.interp(at, line.cols, line.rows) - np.interp(at, cols, rows)).mean()
            if away < 0.25 * space:
                costs.append((away, i, j))
    left, right = set(range(len(ours))), set(range(len(true)))
    for _, i, j in sorted(costs):
        if i in left and j in right:
            left.remove(i)
            right.remove(j)
    hits = len(true) - len(right)
    return 2 * hits / (len(ours) + len(true)) if ours or true else 1.0


def page(space=20, n=4, ink="red", wave=0.0, slope=0.0, staves=4, width=900) -> Leaf:
    pitch = 7 * space
    leaf = Leaf(round(staves * pitch + 8 * space + abs(slope) * width), width)
    for i in range(staves):
        bottom = 7 * space + i * pitch + max(0.0, -slope) * (width - 160)
        leaf.staff(bottom, 80, width - 80, space, n=n, ink=ink, wave=wave, slope=slope)
        if slope == 0 and wave == 0:
            leaf.heads(bottom, 80, width - 80, space)
            leaf.text(bottom + 2.2 * space, 90, width - 90, 0.9 * space)
    return leaf


@pytest.mark.parametrize("ink", sorted(INKS))
def test_lines_of_every_colour(ink: str) -> None:
    leaf = page(ink=ink)
    found = leaf.read()
    assert [len(staff.lines) for staff in found] == [4] * 4
    assert line_f1(found, leaf.lines, 20) == 1.0
    named = [line.colour for staff in found for line in staff.lines]
    assert named.count(ink) >= 0.75 * len(named)


@pytest.mark.parametrize("n", [3, 4, 5])
def test_number_of_lines_is_seen(n: int) -> None:
    leaf = page(n=n)
    assert [len(staff.lines) for staff in leaf.read()] == [n] * 4


@pytest.mark.parametrize("slope", [*np.tan(np.radians([-9.0, -8.0, 8.0, 9.0])), -0.05, 0.07])
def test_skew(slope: float) -> None:
    leaf = page(slope=slope)
    assert line_f1(leaf.read(), leaf.lines, 20) == 1.0


@pytest.mark.parametrize(("share", "count"), [(0.35, 4), (0.1, 3)])
def test_a_line_that_the_picture_s_edge_leaves_a_part_of_is_as_long_as_that(share: float, count: int) -> None:
    leaf = page(slope=0.05)
    cols, rows = leaf.lines[3]  # the top line of the first staff
    edge = int(rows[-1] - share * (rows[-1] - rows[0]))
    leaf.rgb = leaf.rgb[edge:]
    first = leaf.read()[0]
    assert len(first.lines) == count
    top = first.lines[-1]
    if count == 4:
        assert (top.cols[-1] - top.cols[0]) / (cols[-1] - cols[0]) == pytest.approx(share, abs=0.08)
        assert min(top.rows) > -2.0


def test_waves() -> None:
    leaf = page(wave=14.0)
    assert line_f1(leaf.read(), leaf.lines, 20) == 1.0


@pytest.mark.parametrize("space", [10, 30, 70])
def test_coordinates_are_those_of_the_original(space: int) -> None:
    leaf = page(space=space, width=32 * space, staves=3)
    found = leaf.read()
    assert line_f1(found, leaf.lines, space) == 1.0
    for staff in found:
        assert staff.space_px == pytest.approx(space, rel=0.04)
        for line in staff.lines:
            assert np.all(np.diff(line.cols) > 0)
            assert np.median(np.diff(line.cols)) == pytest.approx(space, rel=0.35)
            assert 0.0 <= line.seen <= 1.0
            assert line.thickness_px == pytest.approx(max(1, round(0.09 * space)), abs=1 + 0.06 * space)


def test_an_initial_is_bridged_and_counts_as_unseen() -> None:
    leaf = page(ink="black")
    bottom = 7 * 20
    cv2.rectangle(leaf.rgb, (400, bottom - 90), (480, bottom + 40), (30, 50, 120), -1)
    found = leaf.read()
    assert line_f1(found, leaf.lines, 20) == 1.0
    assert all(line.seen < 0.97 for line in found[0].lines)


def test_two_sizes_of_staff() -> None:
    leaf = Leaf(900, 1000)
    for i in range(3):
        leaf.staff(130 + 120 * i, 60, 940, 18)
    for i in range(2):
        leaf.staff(560 + 190 * i, 60, 940, 27, n=5)
    found = leaf.read()
    assert [len(staff.lines) for staff in found] == [4, 4, 4, 5, 5]
    assert line_f1(found, leaf.lines, 18) == 1.0


def test_two_staves_with_text_between_are_two() -> None:
    leaf = page()
    wide = Leaf(*leaf.rgb.shape[:2])
    for i in range(4):
        bottom = 140 + 140 * i
        if i == 1:
            wide.staff(bottom, 80, 270, 20)
            wide.staff(bottom, 560, 820, 20)
            for k in range(3):
                wide.text(bottom + 10 - 34 * k, 300, 540, 16)
        else:
            wide.staff(bottom, 80, 820, 20)
    found = wide.read()
    assert line_f1(found, wide.lines, 20) == 1.0
    assert len(found) == 5
    assert found[1].lines[0].cols[0] < 100 < 500 < found[2].lines[0].cols[0]


def test_columns_are_read_one_after_the_other() -> None:
    leaf = Leaf(800, 1200)
    for i in range(4):
        leaf.staff(150 + 150 * i, 60, 560, 20)
        leaf.staff(160 + 150 * i, 640, 1140, 20)
    found = leaf.read()
    assert [staff.column for staff in found] == [0] * 4 + [1] * 4
    assert [staff.id for staff in found] == [f"s{i:02d}" for i in range(1, 9)]
    for column in (found[:4], found[4:]):
        rows = [staff.lines[0].rows[0] for staff in column]
        assert rows == sorted(rows)


def test_opening_of_two_pages() -> None:
    left, right = page(width=800), page(width=800)
    gutter = np.full((left.rgb.shape[0], 60, 3), 60, np.uint8)
    both = Leaf(10, 10)
    both.rgb = np.hstack([left.rgb, gutter, right.rgb])
    both.lines = left.lines + [(cols + 860, rows) for cols, rows in right.lines]
    found = both.read()
    assert line_f1(found, both.lines, 20) == 1.0
    assert all(staff.lines[0].cols[-1] < 800 for staff in found[:4])


def test_areas_stay_on_the_page_and_part_half_way() -> None:
    leaf = page()
    found = leaf.read()
    height, width = leaf.rgb.shape[:2]
    for one, other in pairwise(found):
        assert one.area.bottom <= other.area.top + 3
    for staff in found:
        assert 0 <= staff.area.top < staff.area.bottom <= height
        assert 0 <= staff.area.left < staff.area.right <= width
        for line in staff.lines:
            assert staff.area.left <= line.cols[0] - 40 + 3  # clefs stand before the line


def test_lines_override() -> None:
    leaf = page(n=4)
    assert [len(staff.lines) for staff in leaf.read(lines=4)] == [4] * 4
    assert all(len(staff.lines) == 3 for staff in leaf.read(lines=3))
    assert leaf.read(lines=0) == []
    with pytest.raises(ValueError, match="0 to 5"):
        leaf.read(lines=6)


def test_lone_red_lines() -> None:
    leaf = Leaf(1000, 900)
    for i in range(7):
        bottom = 110 + 120 * i
        leaf.staff(bottom, 80, 820, 20, n=1)
        leaf.heads(bottom, 80, 820, 20)
        leaf.text(bottom + 46, 90, 810, 17)
    found = leaf.read()
    assert [len(staff.lines) for staff in found] == [1] * 7
    assert line_f1(found, leaf.lines, 20) == 1.0


def frame_and_table() -> np.ndarray:
    leaf = Leaf(1000, 800)
    for k in range(10):
        cv2.line(leaf.rgb, (100, 100 + 80 * k), (700, 100 + 80 * k), (40, 40, 40), 3)
        cv2.line(leaf.rgb, (100 + 66 * k, 100), (100 + 66 * k, 820), (40, 40, 40), 3)
    return leaf.rgb


def colour_chart() -> np.ndarray:
    rng = np.random.default_rng(5)
    patches = rng.integers(20, 240, (6, 8, 3)).astype(np.uint8)
    return cv2.resize(patches, (800, 600), interpolation=cv2.INTER_NEAREST)


def landscape() -> np.ndarray:
    rng = np.random.default_rng(6)
    layers = [cv2.resize(rng.random((2**k, 2**k, 3)), (700, 900)) / (k + 1) for k in range(2, 8)]
    total = sum(layers)
    return (255 * (total - total.min()) / np.ptp(total)).astype(np.uint8)


def text_page() -> np.ndarray:
    leaf = Leaf(1000, 800)
    for i in range(22):
        leaf.text(80 + 40 * i, 80, 720, 17, seed=i)
    return leaf.rgb


@pytest.mark.parametrize(
    "rgb",
    [
        np.full((1, 1, 3), 200, np.uint8),
        np.full((900, 700, 3), 255, np.uint8),
        np.zeros((300, 300, 3), np.uint8),
        np.random.default_rng(1).integers(0, 256, (800, 600, 3), dtype=np.uint8),
        frame_and_table(),
        colour_chart(),
        landscape(),
        text_page(),
    ],
    ids=["dot", "blank", "black", "noise", "table", "chart", "landscape", "text"],
)
def test_pages_without_staves(rgb: np.ndarray) -> None:
    found = find_staves(map_ink(Scan("leaf", rgb, "leaf.png", "")), LEAF)
    assert found.staves == []
    assert [remark.code for remark in found.remarks] == ["no-staves"]


def test_same_leaf_same_bytes() -> None:
    leaf = page()
    assert msgspec.json.encode(leaf.read()) == msgspec.json.encode(leaf.read())


def test_rendered_pages() -> None:
    render = pytest.importorskip("neumary_synth.render")
    hits = found_n = true_n = 0
    for seed, kind in ((1, "square"), (2, "five-line"), (3, "songbook")):
        drawn = render.render_page(seed, kind, space_px=16.0)
        found = find_staves(map_ink(Scan("leaf", drawn.rgb, "leaf.png", "")), LEAF).staves
        true = [(np.array(x.cols), np.array(x.rows)) for staff in drawn.page.staves for x in staff.lines]
        n_found = sum(len(staff.lines) for staff in found)
        hits += round(line_f1(found, true, 16.0) * (n_found + len(true)) / 2)
        found_n, true_n = found_n + n_found, true_n + len(true)
    assert 2 * hits / (found_n + true_n) >= 0.85  # aged pages; single ones may be nearly illegible


def read_leaf(scans: Path, name: str) -> list[Staff]:
    rgb = cv2.imread(str(scans / f"{name}.jpg"))[..., ::-1]
    return find_staves(map_ink(Scan(name, rgb, name, "")), LEAF).staves


def music_zones(path: Path) -> list[tuple[float, float, float, float]]:
    """Top, left, bottom, right of the zones tagged MusicZone."""
    tree = ET.parse(path).getroot()
    names = {e.get("ID"): e.get("LABEL") for e in tree.iter() if e.get("LABEL")}
    zones = []
    for block in tree.iter():
        if (
            block.tag.endswith("TextBlock")
            and names.get((block.get("TAGREFS") or "").split(" ")[0]) == "MusicZone"
        ):
            top, left, height, width = (float(block.get(k)) for k in ("VPOS", "HPOS", "HEIGHT", "WIDTH"))
            zones.append((top, left, top + height, left + width))
    return zones


def middle(line: StaffLine) -> tuple[float, float]:
    return float(np.mean(line.rows)), float(np.mean(line.cols))


def in_zones(found: list[Staff], zones: list[tuple[float, float, float, float]]) -> list[int]:
    """For each zone the number of staves whose middle lies in it (zones are loose: 40 px)."""
    counts = []
    for top, left, bottom, right in zones:
        hits = 0
        for staff in found:
            rows, cols = zip(*(middle(line) for line in staff.lines), strict=True)
            hits += top - 40 <= np.mean(rows) <= bottom + 40 and left <= np.mean(cols) <= right
        counts.append(hits)
    return counts


@pytest.mark.leaves
def test_leaf_with_line_truth(scans: Path) -> None:
    truth = json.loads((scans / "antiphoner_f001r.truth.json").read_text())
    lines = [tuple(np.array(line, dtype=float).T) for staff in truth["staves"] for line in staff["lines"]]
    found = read_leaf(scans, "antiphoner_f001r")
    assert [len(staff.lines) for staff in found] == [4] * 10
    assert line_f1(found, lines, min(staff["space_px"] for staff in truth["staves"])) == 1.0


@pytest.mark.leaves
@pytest.mark.parametrize(
    ("name", "counts"),
    [
        ("songbook_f033", [4] * 16),
        ("songbook_f028", [4] * 6 + [5] * 6),  # counted on the image: the later staves have five
        ("songbook_f032_no_notes", [4] * 9),
    ],
)
def test_leaves_with_music_zones(scans: Path, name: str, counts: list[int]) -> None:
    zones = music_zones(scans / f"{name}.alto.xml")
    assert len(zones) == len(counts)
    found = read_leaf(scans, name)
    assert [len(staff.lines) for staff in found] == counts
    assert in_zones(found, zones) == [1] * len(zones)


@pytest.mark.leaves
def test_low_resolution_leaf_with_a_cut_staff(scans: Path) -> None:
    found = read_leaf(scans, "antiphoner_f043r")
    assert [len(staff.lines) for staff in found[:6]] == [4] * 6
    # By the lower edge of the picture, at row 675: the top line runs from side to side, the next one shows
    # from column 545 to 815, where the edge leaves it.
    (cut,) = found[6:]
    low, top = cut.lines
    assert top.cols[0] < 45 and top.cols[-1] > 820 and 653 < min(top.rows) < max(top.rows) < 663
    assert 530 < low.cols[0] < 560 and 800 < low.cols[-1] < 840 and 668 < min(low.rows) < max(low.rows) < 675


@pytest.mark.leaves
def test_staffless_leaf(scans: Path) -> None:
    assert read_leaf(scans, "staffless_p030") == []
