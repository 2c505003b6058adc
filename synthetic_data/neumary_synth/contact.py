"""A contact sheet: whole pages and single signs on one picture, to look at the renderer's work."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import cv2
import numpy as np

from neumary_models.labels import NAMES
from neumary_synth.render import Rendered, render_page
from neumary_synth.sheets import U8, as_u8

_PAGE_SIZE: Final = (330, 250)  # rows, cols of a page's thumbnail
_CROP_SIZE: Final = 60
_CROP_SPACES: Final = 3.0  # how much of the page a crop shows
_PAGES_PER_ROW: Final = 12
_CROPS_PER_ROW: Final = _PAGES_PER_ROW * _PAGE_SIZE[1] // _CROP_SIZE


def _thumbnail(rgb: U8) -> U8:
    scale = min(_PAGE_SIZE[0] / rgb.shape[0], _PAGE_SIZE[1] / rgb.shape[1])
    small = cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    tile = np.full((*_PAGE_SIZE, 3), 255, np.uint8)
    tile[: small.shape[0], : small.shape[1]] = small[: _PAGE_SIZE[0], : _PAGE_SIZE[1]]
    return tile


def _crops(rendered: Rendered, rng: np.random.Generator, n: int) -> list[tuple[int, U8]]:
    """Some signs of a page as (label number, picture), rare labels first."""
    page = rendered.page
    labels = {name: NAMES.index(reading.label) for name, reading in page.current().items()}
    space = {staff.id: staff.space_px for staff in page.staves}
    counts = np.bincount(list(labels.values()), minlength=len(NAMES)) if labels else np.zeros(len(NAMES))
    order = sorted(page.glyphs, key=lambda g: (counts[labels[g.id]] * rng.uniform(0.2, 1), g.id))
    found = []
    for glyph in order[:n]:
        half = max(round(space[glyph.staff] * _CROP_SPACES / 2), 2)
        padded = cv2.copyMakeBorder(rendered.rgb, half, half, half, half, cv2.BORDER_REPLICATE)
        row, col = round(glyph.row), round(glyph.col)
        part = padded[row : row + 2 * half, col : col + 2 * half]
        crop = cv2.resize(part, (_CROP_SIZE, _CROP_SIZE), interpolation=cv2.INTER_AREA)
        found.append((labels[glyph.id], np.asarray(crop, dtype=np.uint8)))
    return found


def _tiled(tiles: list[U8], per_row: int) -> U8:
    blank = np.full_like(tiles[0], 255)
    full = tiles + [blank] * (-len(tiles) % per_row)
    return np.vstack([np.hstack(full[i : i + per_row]) for i in range(0, len(full), per_row)])


def contact_sheet(path: Path, seed: int = 0, *, n_pages: int = 24, n_crops: int = 200) -> None:
    """Render pages and write them and some of their signs, sorted by label, as one picture.

    Parameters
    ----------
    path : Path
        Where to write; the suffix tells the format.
    seed : int
        Seed of the first page; the others count up.
    n_pages, n_crops : int
        How many whole pages and single signs.

    Raises
    ------
    OSError
        If the picture cannot be written.
    """
    rng = np.random.default_rng(seed)
    pages: list[U8] = []
    crops: list[tuple[int, U8]] = []
    for one in range(seed, seed + n_pages):
        rendered = render_page(one)
        pages.append(_thumbnail(rendered.rgb))
        crops += _crops(rendered, rng, -(-2 * n_crops // n_pages))
    picked = sorted(rng.permutation(len(crops))[:n_crops], key=lambda i: (crops[i][0], i))
    sheet = _tiled(pages, _PAGES_PER_ROW)
    if picked:
        signs = _tiled([crops[i][1] for i in picked], _CROPS_PER_ROW)
        signs = as_u8(
            cv2.copyMakeBorder(
                signs, 0, 0, 0, sheet.shape[1] - signs.shape[1], cv2.BORDER_CONSTANT, value=(255, 255, 255)
            )
        )
        sheet = np.vstack([sheet, signs])
    done, data = cv2.imencode(Path(path).suffix or ".png", sheet[..., ::-1])
    if not done:
        raise OSError(f"the contact sheet cannot be written as {path}")
    Path(path).write_bytes(data.tobytes())
