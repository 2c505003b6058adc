"""How rendered pages look beside photographed leaves: one table of measures.

    python tests/appearance.py [--pages N] [--seed N] [FILE ...]

Without files it takes the real leaves beside the checkout. Their staves are found by the
reader's own staff finder; those of rendered pages are known. Nothing here is a test, and
the real leaves are only measured, never drawn from.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import fields
from pathlib import Path

import cv2
import numpy as np

from neumary.ink import map_ink
from neumary.scan import find_pages, load_scan
from neumary.staves import find_staves
from neumary.types import Page, Provenance
from neumary_models import zoo
from neumary_synth.appearance import Appearance, measure_appearance, spread
from neumary_synth.render import render_page

SCANS = Path(__file__).parents[2] / "shared" / "scans"
LEAVES = ("antiphoner_f001r", "antiphoner_f043r", "songbook_f028", "songbook_f032_no_notes", "songbook_f033")


def measure_leaf(path: Path) -> Appearance | None:
    """Measure a photograph, its staves found by the reader."""
    scan = load_scan(find_pages(path)[0])
    staves = find_staves(map_ink(scan), zoo.load("leaf", threads=1)).staves
    height, width = scan.rgb.shape[:2]
    page = Page(
        page_id=path.stem, source=path.name, sha256="", width=width, height=height, staves=tuple(staves),
        glyphs=(), readings=(), neumes=(), syllables=(),
        provenance=Provenance(program="neumary", settings={}),
    )  # fmt: skip
    return measure_appearance(scan.rgb, page)


def measure_rendered(n: int, seed: int) -> list[Appearance]:
    """Measure rendered pages of all kinds that have staff lines."""
    rendered = (render_page(one) for one in range(seed, seed + n))
    found = (measure_appearance(one.rgb, one.page) for one in rendered)
    return [one for one in found if one is not None]


def main() -> None:
    """Print the table."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("files", nargs="*", type=Path)
    words.add_argument("--pages", type=int, default=60)
    words.add_argument("--seed", type=int, default=300)
    asked = words.parse_args()
    cv2.setNumThreads(1)
    leaves = [SCANS / f"{name}.jpg" for name in LEAVES]
    files = asked.files or [path for path in leaves if path.exists()]
    if not files:
        sys.exit(f"there are no leaves in {SCANS}: name some files")
    ranges = spread(measure_rendered(asked.pages, asked.seed))
    real = [measure_leaf(path) for path in files]
    heads = f"{'p10':>9}{'median':>9}{'p90':>9}{'greatest':>10}"
    print(f"{'measure':17}{'rendered: least':>16}{heads}   real leaves")
    outside = 0
    for name in (f.name for f in fields(Appearance)):
        low, p10, middle, p90, high = ranges[name]
        values = [getattr(one, name) if one is not None else np.nan for one in real]
        shown = "".join(
            f"{'-':>9} " if np.isnan(v) else f"{v:9.3f}{' ' if low <= v <= high else '*'}" for v in values
        )
        outside += sum(bool(np.isfinite(v) and not low <= v <= high) for v in values)
        print(f"{name:17}{low:16.3f}{p10:9.3f}{middle:9.3f}{p90:9.3f}{high:10.3f}   {shown}")
    print(f"{outside} values of real leaves lie outside the rendered range (*); leaves: "
          f"{', '.join(path.stem for path in files)}")  # fmt: skip


if __name__ == "__main__":
    main()
