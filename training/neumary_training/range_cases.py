"""Heads of rendered pages with few lines or none: as read, and as written.

Staves are those found, or those of the truth, shaken as in training; for pages with letters only
the truth gives the virtual staves of `neumary_training.letter_views`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from neumary.coloured_pitch import height_above
from neumary.glyphs import Calibration, choose, find_candidates, place
from neumary.implied_spacing import fit_course
from neumary.ink import map_ink
from neumary.leaf_map import look
from neumary.letter_lines import read_rows
from neumary.pipeline import observe
from neumary.read import read_strip
from neumary.settings import make_settings
from neumary.strips import cut_strip
from neumary.types import Glyph, Page, Scan, Staff
from neumary_models import zoo
from neumary_models.labels import HEADS
from neumary_models.leaf_outputs import LEAF_SPACE, STRIDE
from neumary_synth.render import Rendered, render_page
from neumary_training.data import SPACE_AT_WORK_PX, ink_of, shaken
from neumary_training.letter_views import letter_views
from neumary_training.shards import page_seed

F64 = npt.NDArray[np.float64]
Staves = Literal["found", "truth"]

SEED: Final = 19
"""Not the seed of the network's own pages."""
LOWEST: Final = -16
HIGHEST: Final = 20
"""Degrees above the bottom line that the table of cases holds."""
F_DEGREE: Final = 24
FIFTH: Final = 4
_NEAR_SPACES: Final = 0.6
_SAME_LINE_SPACES: Final = 0.5
_LINES: Final = {"two-line": 2, "one-line": 1}


@dataclass(frozen=True, slots=True, eq=False)
class Cases:
    """Heads of many pages, read and true.

    Attributes
    ----------
    kind : str
    page : ndarray of int64, shape (n,)
    height : ndarray of float64, shape (n,)
        Degrees above the bottom line (of letters: above F), by geometry.
    network : ndarray of float64, shape (n, 37)
        The network's probabilities of `LOWEST` to `HIGHEST` degrees above it.
    truth : ndarray of int64, shape (n,)
        Degrees above it, as written.
    """

    kind: str
    page: npt.NDArray[np.int64]
    height: F64
    network: F64
    truth: npt.NDArray[np.int64]

    @property
    def top(self) -> int:
        """Degrees from the bottom line to the top line."""
        return 0 if self.kind == "one-line" else FIFTH

    def part(self, chosen: npt.NDArray[np.bool_]) -> Cases:
        """Some of the heads."""
        page, height, network = self.page[chosen], self.height[chosen], self.network[chosen]
        return Cases(self.kind, page, height, network, self.truth[chosen])


@dataclass(frozen=True, slots=True)
class _Seen:
    """A head as read: place, degrees above a known height, that height's degree, the network's steps."""

    row: float
    col: float
    height: float
    base: int
    steps: tuple[tuple[int, float], ...]


def collect(
    kind: str, split: str, pages: int, work: Path, staves: Staves = "found", model_name: str = zoo.DEFAULT
) -> Cases:
    """Heads of the first pages of a split, from the work folder where they are there.

    Parameters
    ----------
    kind : str
        "two-line", "one-line" or "letters".
    split : str
    pages : int
    work : Path
    staves : {"found", "truth"}
    model_name : str
    """
    model = zoo.load(model_name, threads=1)
    path = work / f"{kind}-{split}-{staves}-{pages}-{zoo.digest(model.hashes)[:12]}.npz"
    if not path.exists():
        work.mkdir(parents=True, exist_ok=True)
        rows = []
        for index in range(pages):
            own = page_seed(SEED, split, index)
            rendered = render_page(own, kind)
            if rendered.page.staves:
                see = _found if staves == "found" else _shaken
                rows += [(index, *row) for row in _matched(rendered.page, list(see(rendered, kind, model)))]
        table = np.array([row[:3] for row in rows], dtype=np.float64).reshape(-1, 3)
        network = np.array([row[3] for row in rows], dtype=np.float64).reshape(-1, HIGHEST - LOWEST + 1)
        np.savez(path, table=table, network=network)
    with np.load(path) as data:
        table, network = data["table"], data["network"]
    page, truth = table[:, 0].astype(np.int64), table[:, 2].astype(np.int64)
    return Cases(kind, page, table[:, 1], network, truth)


def _matched(page: Page, seen: list[_Seen]) -> Iterable[tuple[float, int, F64]]:
    """Height, true degree above and the network's odds of each head that was read, one to one."""
    readings = page.current()
    degrees = {
        glyph.id: reading.pitch.degree
        for glyph in page.glyphs
        if (reading := readings[glyph.id]).label in HEADS
        and reading.pitch is not None
        and reading.pitch.degree is not None
    }
    written = [glyph for glyph in page.glyphs if glyph.id in degrees]
    for glyph, k in nearest_pairs(page, written, [(head.row, head.col) for head in seen]):
        odds = np.zeros(HIGHEST - LOWEST + 1)
        for step, p in seen[k].steps:
            if LOWEST <= step <= HIGHEST:
                odds[step - LOWEST] = p
        yield seen[k].height, degrees[glyph.id] - seen[k].base, odds


def nearest_pairs(
    page: Page, written: Sequence[Glyph], found: Sequence[tuple[float, float]]
) -> Iterator[tuple[Glyph, int]]:
    """Written heads, each with the index of the nearest one found that is not yet taken.

    Parameters
    ----------
    page : Page
        The true one, for its staves' spaces.
    written : sequence of Glyph
    found : sequence of (float, float)
        Row and column, px; within 0.6 staff space of its written head.
    """
    spaces = {staff.id: staff.space_px for staff in page.staves}
    free = np.ones(len(found), dtype=bool)
    at = np.array(found).reshape(-1, 2)
    for glyph in written:
        if not free.any():
            return
        away = np.hypot(*(at - (glyph.row, glyph.col)).T)
        away[~free] = np.inf
        k = int(away.argmin())
        if away[k] <= _NEAR_SPACES * spaces[glyph.staff]:
            free[k] = False
            yield glyph, k


def _found(rendered: Rendered, kind: str, model: zoo.LoadedModel) -> Iterable[_Seen]:
    """Heads as the whole pipeline sees them."""
    scan = Scan(page_id="p", rgb=rendered.rgb, source="p.png", sha256="0")
    if kind == "letters":
        ink = map_ink(scan)
        seen = look(ink, SPACE_AT_WORK_PX, model.companions["leaf"])
        for row in read_rows(ink, seen, LEAF_SPACE / STRIDE, model):
            for glyph, reading in row.placed if row.letters else ():
                if reading.label in HEADS:
                    yield _Seen(glyph.row, glyph.col, row.height(glyph), F_DEGREE, reading.steps)
        return
    page = observe(scan, make_settings(), model)
    staves = {staff.id: staff for staff in page.staves if len(staff.lines) == _LINES[kind]}
    current = page.current()
    for glyph in page.glyphs:
        staff, reading = staves.get(glyph.staff), current[glyph.id]
        base = _true_base(rendered.page, staff) if staff is not None else None
        if staff is not None and base is not None and reading.label in HEADS:
            height, _ = height_above(staff, glyph.row, glyph.col)
            known = len(staff.lines) == 1 or staff.places[-1] == FIFTH // 2
            yield _Seen(glyph.row, glyph.col, height, base, reading.steps if known else ())


def _true_base(truth: Page, staff: Staff) -> int | None:
    """Degree of a found staff's bottom line by the truth; None where no such line was drawn."""
    line = staff.lines[0]
    col = (line.cols[0] + line.cols[-1]) / 2
    for other in truth.staves:
        for drawn in other.lines:
            near = abs(drawn.row_at(col) - line.row_at(col)) < _SAME_LINE_SPACES * other.space_px
            if near and drawn.cols[0] <= col <= drawn.cols[-1]:
                return F_DEGREE if drawn.colour == "red" else F_DEGREE + FIFTH
    return None


def _shaken(rendered: Rendered, kind: str, model: zoo.LoadedModel) -> Iterable[_Seen]:
    """Heads as read between the lines of the truth."""
    page = rendered.page
    rng = np.random.default_rng([int(page.provenance.settings["seed"]), 9])
    calibration = Calibration(**model.calibration)
    ink = ink_of(rendered.rgb, float(np.median([staff.space_px for staff in page.staves])))
    for truth in page.staves:
        seen = _as_found(page, truth, rng)
        if seen is None:
            continue
        strip = cut_strip(ink, seen)
        scores, line_free = read_strip(strip, model)
        chosen = choose(find_candidates(scores, calibration), calibration)
        signs = [(g, r) for g, r in place(strip, line_free, chosen) if r.label in HEADS]
        height = np.array([height_above(seen, g.row, g.col)[0] for g, _ in signs])
        if kind == "letters":
            first, last = seen.lines[0].cols[0], seen.lines[0].cols[-1]
            along = np.array([(g.col - first) / (last - first) for g, _ in signs])
            level, tilt = fit_course(height, along)
            height = height - level - tilt * along
        base = F_DEGREE if seen.lines[0].colour == "red" else F_DEGREE + FIFTH
        for (glyph, reading), high in zip(signs, height, strict=True):
            yield _Seen(glyph.row, glyph.col, float(high), base, reading.steps)


def _as_found(page: Page, truth: Staff, rng: np.random.Generator) -> Staff | None:
    if truth.lines:
        return shaken(truth, rng)
    views = letter_views(page, truth, rng)
    return views[0][0] if views else None
