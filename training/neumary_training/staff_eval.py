"""How well staves are found on rendered pages that training never saw.

    python -m neumary_training.staff_eval --pages 500 --out build/staves [--jobs 2] [--split test]

Draws pages of all kinds by turns, finds their staves, and writes ``figures.json``, a list of the pages
with anything wrong (``wrong.json``) and a sheet of those with the most wrong staves (``failures.jpg``:
truth thin and dark, found bright).
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Final

import cv2
import numpy as np

from neumary.measures import Tally
from neumary.pipeline import find_staves_of
from neumary.settings import ReadSettings
from neumary.staff_measures import score_lines
from neumary.types import U8, Scan, Staff
from neumary_models import zoo
from neumary_synth.render import render_page
from neumary_training.shards import page_seed

KINDS: Final = (
    "square", "songbook", "pointed", "five-line", "empty-staves", "layered", "two-line", "one-line",
    "text-only", "staffless",
)  # fmt: skip
_SEED: Final = 5  # pages of its own, not those of any training run
_LINE_SPACES: Final = 0.25
_OVERLAP: Final = 0.8
_DRAWS: Final = 1000
_SHOWN: Final = 12
_TILE: Final = (900, 640)  # rows, columns of one page on the sheet
_TRUE_RGB, _FOUND_RGB = (0, 0, 0), (0, 158, 115)  # Okabe-Ito


@dataclass(frozen=True, slots=True)
class PageStaves:
    """Tallies of one page."""

    index: int
    kind: str
    lines: Tally
    staves: Tally


def measure(job: tuple[str, int]) -> PageStaves:
    """Draw a page, find its staves, score them."""
    split, index = job
    cv2.setNumThreads(1)
    kind = KINDS[index % len(KINDS)]
    rendered = render_page(page_seed(_SEED, split, index), kind)
    found = _found(rendered.rgb)
    true = [staff for staff in rendered.page.staves if staff.lines]
    return PageStaves(index, kind, *score_lines(found, true, _LINE_SPACES, _OVERLAP))


def _found(rgb: U8) -> list[Staff]:
    model = zoo.load(threads=1)
    return find_staves_of(Scan("p", rgb, "p.png", ""), ReadSettings(), model)[1].staves


def figures(pages: list[PageStaves]) -> dict[str, dict[str, float]]:
    """F1 of lines and staves for each kind and for all together, with a bootstrap interval."""
    groups: dict[str, list[PageStaves]] = defaultdict(list)
    for page in pages:
        groups[page.kind].append(page)
        groups["all"].append(page)
        if page.staves.hit + page.staves.missed == 0:
            groups["without staves"].append(page)
    rng = np.random.default_rng(0)
    out: dict[str, dict[str, float]] = {}
    for name, group in groups.items():
        row: dict[str, float] = {"pages": len(group)}
        for what in ("lines", "staves"):
            counts = np.array([[t.hit, t.spurious, t.missed] for t in (getattr(p, what) for p in group)])
            draws = counts[rng.integers(0, len(group), (_DRAWS, len(group)))].sum(axis=1)
            f1 = 2 * draws[:, 0] / np.maximum(2 * draws[:, 0] + draws[:, 1] + draws[:, 2], 1)
            total = Tally(*(int(x) for x in counts.sum(axis=0)))
            low, high = np.quantile(f1, (0.025, 0.975))
            row |= {f"{what} F1": round(total.f1, 4), f"{what} low": round(float(low), 4)}
            row |= {f"{what} high": round(float(high), 4), f"{what} hit": total.hit}
            row |= {f"{what} spurious": total.spurious, f"{what} missed": total.missed}
        row["false staves per 100 pages"] = round(100 * row["staves spurious"] / len(group), 2)
        out[name] = row
    return out


def wrong(pages: list[PageStaves]) -> list[dict[str, int | str]]:
    """Pages with a wrong line or staff, the worst first."""
    return [
        {"page": p.index, "kind": p.kind, "false staves": p.staves.spurious, "missed staves": p.staves.missed,
         "false lines": p.lines.spurious, "missed lines": p.lines.missed}
        for p in _worst_first(pages)
        if p.staves.spurious + p.staves.missed + p.lines.spurious + p.lines.missed
    ]  # fmt: skip


def _worst_first(pages: list[PageStaves]) -> list[PageStaves]:
    return sorted(pages, key=lambda p: (-(p.staves.spurious + p.staves.missed), p.index))


def sheet(pages: list[PageStaves], split: str) -> U8:
    """The worst pages, truth and found lines drawn on."""
    worst = _worst_first(pages)
    tiles = [_tile(page, split) for page in worst[:_SHOWN] if page.staves.spurious + page.staves.missed]
    blank = np.full((*_TILE, 3), 255, np.uint8)
    tiles += [blank] * (-len(tiles) % 4 or (4 if not tiles else 0))
    return np.vstack([np.hstack(tiles[i : i + 4]) for i in range(0, len(tiles), 4)])


def _tile(page: PageStaves, split: str) -> U8:
    rendered = render_page(page_seed(_SEED, split, page.index), page.kind)
    picture = rendered.rgb.copy()
    thick = max(1, picture.shape[0] // 700)
    drawn = ((rendered.page.staves, _TRUE_RGB, thick), (_found(rendered.rgb), _FOUND_RGB, 2 * thick))
    for staves, colour, width in drawn[::-1]:
        for line in (x for staff in staves for x in staff.lines):
            course = np.stack([line.cols, line.rows], axis=1).round().astype(np.int32)
            cv2.polylines(picture, [course], False, colour, width)
    scale = min(_TILE[0] / picture.shape[0], _TILE[1] / picture.shape[1])
    small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    tile = np.full((*_TILE, 3), 255, np.uint8)
    tile[: small.shape[0], : small.shape[1]] = small[: _TILE[0], : _TILE[1]]
    said = f"{page.index} {page.kind}: {page.staves.spurious} false, {page.staves.missed} missed"
    cv2.putText(tile, said, (8, _TILE[0] - 10), cv2.FONT_HERSHEY_SIMPLEX, 0.6, (213, 94, 0), 2)
    return tile


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--pages", type=int, default=100)
    parser.add_argument("--first", type=int, default=0, help="index of the first page")
    parser.add_argument("--split", default="test", choices=("held-out", "test"))
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path, default=Path("build/staves"))
    given = parser.parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    jobs = [(given.split, index) for index in range(given.first, given.first + given.pages)]
    with ProcessPoolExecutor(given.jobs, mp_context=get_context("spawn")) as pool:
        pages = list(pool.map(measure, jobs, chunksize=4))
    found = figures(pages)
    (given.out / "figures.json").write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    (given.out / "wrong.json").write_text(json.dumps(wrong(pages), indent=1) + "\n", encoding="utf-8")
    cv2.imwrite(str(given.out / "failures.jpg"), cv2.cvtColor(sheet(pages, given.split), cv2.COLOR_RGB2BGR))
    for name, row in found.items():
        print(f"{name:16} lines F1 {row['lines F1']:.4f}  staves F1 {row['staves F1']:.4f} {row}")


if __name__ == "__main__":
    main()
