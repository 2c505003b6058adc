"""Simple readers to stand beside ours: what does the network buy?

The classical one cuts connected pieces out of the line-free ink, describes each by a histogram of
oriented gradients [1]_ and takes the name of the nearest piece among those of training pages. It is
given the staves our reader found, so only the reading of signs differs. The step is that of the
piece's middle, and nothing is decided jointly.

References
----------
.. [1] N. Dalal and B. Triggs, "Histograms of oriented gradients for human detection", CVPR 2005.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from neumary import ink as ink_stage
from neumary.erase import erase_lines
from neumary.metrics import PageScore
from neumary.pipeline import number_signs
from neumary.pitch import resolve_pitches
from neumary.scan import read_scans
from neumary.strips import STRIP_SPACE, cut_strip, step_of_row
from neumary.types import Box, Glyph, InkMap, Page, Reading, Staff, Strip
from neumary_models.labels import BY_NAME
from neumary_synth.render import render_page
from neumary_training.data import ink_of
from neumary_training.shards import page_seed

F32 = npt.NDArray[np.float32]

_INK: Final = 70  # line-free ink stronger than this is a piece of something
_STROKE_SPACES: Final = 0.22  # thinner than this are stems and hairlines, which join heads
_PIECE_SPACES: Final = (0.3, 3.2)  # least and greatest side of a piece
_PATCH_PX: Final = 32  # side of what is described, 2 staff spaces
_NEAR_SPACES: Final = 0.5
_NOTHING: Final = ""


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """Described pieces of ink of training pages.

    Attributes
    ----------
    features : ndarray of float32, shape (n, d)
    labels : tuple of str
        Label of the sign each piece is; "" where it is none.
    """

    features: F32
    labels: tuple[str, ...]


def learn_pieces(pages: int, kinds: Sequence[str], seed: int = 1) -> Pieces:
    """Describe the pieces of rendered training pages.

    Parameters
    ----------
    pages : int
        How many, kinds in turn.
    kinds : sequence of str
    seed : int
        Of the training part of the seeds.
    """
    features: list[F32] = []
    labels: list[str] = []
    for number in range(pages):
        drawn = render_page(page_seed(seed, "train", number), kinds[number % len(kinds)])
        staves = [staff for staff in drawn.page.staves if staff.lines]
        if not staves:
            continue
        leaf = ink_of(drawn.rgb, float(np.median([staff.space_px for staff in staves])))
        for staff in staves:
            strip = cut_strip(leaf, staff)
            places, described = _describe(strip)
            features.append(described)
            labels += [_label_at(drawn.page, staff, strip, place) for place in places]
    return Pieces(np.concatenate(features), tuple(labels))


def _describe(strip: Strip) -> tuple[list[tuple[float, float, Box]], F32]:
    """Middles (strip row, column) and strip boxes of the pieces of a strip, and their description."""
    from skimage.feature import hog

    free = erase_lines(strip)
    side = max(3, round(_STROKE_SPACES * STRIP_SPACE) | 1)
    solid = cv2.morphologyEx(
        (free > _INK).astype(np.uint8),
        cv2.MORPH_OPEN,
        cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)),
    )
    _, _, stats, middles = cv2.connectedComponentsWithStats(solid, connectivity=8)
    low, high = (limit * STRIP_SPACE for limit in _PIECE_SPACES)
    half = _PATCH_PX // 2
    wide = cv2.copyMakeBorder(free, half, half, half, half, cv2.BORDER_CONSTANT, value=0)
    places, rows = [], []
    for (left, top, width, height, _), (col, row) in zip(stats[1:], middles[1:], strict=True):
        if not (low <= width <= high and low <= height <= high):
            continue
        patch = wide[int(row) : int(row) + _PATCH_PX, int(col) : int(col) + _PATCH_PX]
        rows.append(hog(patch, orientations=8, pixels_per_cell=(8, 8), cells_per_block=(2, 2)))
        places.append(
            (float(row), float(col), Box(int(top), int(left), int(top + height), int(left + width)))
        )
    size = 8 * 4 * (_PATCH_PX // 8 - 1) ** 2
    return places, np.array(rows, dtype=np.float32).reshape(len(rows), size)


def _on_page(strip: Strip, row: float, col: float) -> tuple[float, float]:
    r = min(max(round(row), 0), strip.page_rows.shape[0] - 1)
    c = min(max(round(col), 0), strip.page_rows.shape[1] - 1)
    return float(strip.page_rows[r, c]), float(strip.page_cols[r, c])


def _label_at(page: Page, staff: Staff, strip: Strip, place: tuple[float, float, Box]) -> str:
    row, col = _on_page(strip, place[0], place[1])
    current = page.current()
    near = [
        (np.hypot(glyph.row - row, glyph.col - col), current[glyph.id].label)
        for glyph in page.glyphs
        if glyph.staff == staff.id
    ]
    gap, label = min(near, default=(np.inf, _NOTHING))
    return label if gap <= _NEAR_SPACES * staff.space_px else _NOTHING


def read_by_pieces(picture: Path, staves: Sequence[Staff], pieces: Pieces) -> Page:
    """Read a page the classical way, on staves already found."""
    (scan,) = read_scans(picture)
    leaf = ink_stage.map_ink(scan)
    signs = [sign for staff in staves if staff.lines for sign in _read_staff(leaf, staff, pieces)]
    glyphs, readings = number_signs(list(staves), signs)
    settled, _ = resolve_pitches(staves, glyphs, readings, flat_scope="auto")
    return Page(
        page_id=scan.page_id,
        source=picture.name,
        sha256=scan.sha256,
        width=scan.width,
        height=scan.height,
        staves=tuple(staves),
        glyphs=tuple(glyphs),
        readings=tuple(settled),
    )


def _read_staff(leaf: InkMap, staff: Staff, pieces: Pieces) -> list[tuple[Glyph, Reading]]:
    strip = cut_strip(leaf, staff)
    places, described = _describe(strip)
    signs = []
    for (row, col, box), label in zip(places, nearest_labels(described, pieces), strict=True):
        if label == _NOTHING:
            continue
        page_row, page_col = _on_page(strip, row, col)
        top, left = _on_page(strip, box.top, box.left)
        bottom, right = _on_page(strip, box.bottom, box.right)
        on_page = Box(*(max(0, int(x)) for x in (top, left, max(bottom, top) + 1, max(right, left) + 1)))
        step = round(step_of_row(row)) if BY_NAME[label].group != "division" else None
        if label.startswith("clef_") and step is not None:
            step = 2 * round(step / 2)
        glyph = Glyph(id="", staff=staff.id, row=page_row, col=page_col, box=on_page)
        signs.append((glyph, Reading(glyph="", label=label, confidence=1.0, step=step)))
    return signs


def nearest_labels(described: F32, pieces: Pieces) -> list[str]:
    """Label of the nearest piece of training pages for each row (Euclidean distance)."""
    if not len(described) or not len(pieces.features):
        return [_NOTHING] * len(described)
    gaps = (
        (described**2).sum(1)[:, None]
        - 2 * described @ pieces.features.T
        + (pieces.features**2).sum(1)[None, :]
    )
    return [pieces.labels[int(i)] for i in gaps.argmin(axis=1)]


def majority_share(score: PageScore, soft: Sequence[str] = ("punctum", "virga")) -> float:
    """Label accuracy of naming every note by the commonest name, punctum, read as leniently as ours."""
    from neumary_models.labels import HEADS

    counts = {
        true: sum(count for read, count in row.items() if read in HEADS)
        for true, row in score.confusion.items()
        if true in HEADS
    }
    total = sum(counts.values())
    return sum(counts.get(name, 0) for name in soft) / total if total else 1.0
