"""How well staff lines are taken out, against the drawn layers and two common ways of doing it.

    python -m neumary_training.removal_eval --pages 24 [--out build/removal]

Draws pages that training never saw, pulls their staves straight along the lines found, and counts,
pixel by pixel: music ink lost, line ink left, and both as a share of all such ink (the pixel error
of Dalitz et al. [1]_, here from memory). Beside `neumary.erase` stand an opening with a level
element (scikit-image) and the removal of all short vertical runs. Writes ``figures.json`` and
``removal.png``.

References
----------
.. [1] C. Dalitz, M. Droettboom, B. Pranzas and I. Fujinaga, "A comparative study of staff removal
   algorithms", IEEE TPAMI 30(5), 2008.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from neumary.erase import darkness, erase_lines
from neumary.pipeline import find_staves_of
from neumary.settings import ReadSettings
from neumary.strips import STRIP_SPACE, cut_strip
from neumary.types import U8, Bool, Scan, Strip
from neumary_models import zoo
from neumary_synth.render import Rendered, render_page
from neumary_training.shards import page_seed

KINDS: Final = ("square", "songbook", "pointed", "five-line")
WAYS: Final = ("neumary.erase", "level opening", "short vertical runs")
_SEED: Final = 6  # pages of its own
_SURE: Final = 128  # coverage from which a drawn pixel counts as ink of its layer
_NONE: Final = 16  # coverage up to which it counts as free of it
_OPENING_SPACES: Final = 2.5  # longer than a head is broad
_AROUND_SPACES: Final = 0.7  # counted so far beyond the outer lines
_SHOWN: Final = 6


def without_lines(ink: U8, threshold: float) -> dict[str, Bool]:
    """Ink left by the two common ways, from ink strengths and the level of ink.

    Raises nothing; a strip without ink stays as it is.
    """
    from skimage.morphology import opening

    dark = ink > threshold
    lines = opening(dark, np.ones((1, round(_OPENING_SPACES * STRIP_SPACE)), dtype=bool))
    runs = _run_lengths(dark)
    lengths = np.bincount(runs[dark])
    usual = int(lengths[1:].argmax()) + 1 if len(lengths) > 1 else 1
    return {WAYS[1]: dark & ~lines, WAYS[2]: dark & (runs > 1.5 * usual)}


def _run_lengths(dark: Bool) -> npt.NDArray[np.intp]:
    """For every dark pixel the length of the vertical run it belongs to."""
    out = np.zeros(dark.shape, dtype=np.intp)
    edges = np.diff(np.pad(dark.astype(np.int8), ((1, 1), (0, 0))), axis=0)
    for col in range(dark.shape[1]):
        first, end = np.flatnonzero(edges[:, col] == 1), np.flatnonzero(edges[:, col] == -1)
        for a, b in zip(first.tolist(), end.tolist(), strict=True):
            out[a:b, col] = b - a
    return out


def strips_found(rendered: Rendered, model: zoo.LoadedModel) -> Iterator[Strip]:
    """Staves pulled straight as in use."""
    ink, found = find_staves_of(Scan("p", rendered.rgb, "p.png", ""), ReadSettings(), model)[:2]
    for staff in found.staves:
        if len(staff.lines) > 1:
            yield cut_strip(ink, staff)


def count(strip: Strip, masks: dict[str, U8]) -> tuple[dict[str, npt.NDArray[np.int64]], dict[str, U8]]:
    """Music ink, of it lost; line ink, of it left, for each way; and what each way leaves, to look at."""
    from skimage.filters import threshold_otsu

    def layer(name: str) -> U8:
        near = cv2.remap(masks[name], strip.page_cols, strip.page_rows, cv2.INTER_LINEAR)
        return np.asarray(near, dtype=np.uint8)

    ink = darkness(strip.rgb)
    threshold = float(threshold_otsu(ink))  # type: ignore[no-untyped-call]
    music, line = layer("music"), layer("line")
    other = np.maximum(layer("text"), layer("decoration"))
    dark = (ink > threshold) & (other <= _NONE)
    reach = _AROUND_SPACES * STRIP_SPACE
    dark[: round(min(strip.line_rows) - reach)] = False  # other staves' lines show there
    dark[round(max(strip.line_rows) + reach) :] = False
    signs = dark & (music >= _SURE)
    lines = dark & (line >= _SURE) & (music <= _NONE)
    left = {WAYS[0]: erase_lines(strip) > threshold, **without_lines(ink, threshold)}
    counts = {
        name: np.array([signs.sum(), (signs & ~still).sum(), lines.sum(), (lines & still).sum()])
        for name, still in left.items()
    }
    shown = {
        "seen": 255 - ink,
        **{name: np.where(own, 0, 255).astype(np.uint8) for name, own in left.items()},
    }
    return counts, shown


def shares(counts: npt.NDArray[np.int64]) -> dict[str, float]:
    """Of the summed counts of `count`."""
    music, lost, line, left = (int(x) for x in counts)
    return {
        "music ink lost": round(lost / max(music, 1), 4),
        "line ink left": round(left / max(line, 1), 4),
        "pixel error": round((lost + left) / max(music + line, 1), 4),
    }


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Line removal against drawn layers and two baselines.")
    parser.add_argument("--pages", type=int, default=24)
    parser.add_argument("--out", type=Path, default=Path("build/removal"))
    options = parser.parse_args()
    model = zoo.load(threads=1)
    totals = {name: np.zeros(4, dtype=np.int64) for name in WAYS}
    tiles: list[U8] = []
    for index in range(options.pages):
        rendered = render_page(page_seed(_SEED, "test", index), KINDS[index % len(KINDS)])
        for n, strip in enumerate(strips_found(rendered, model)):
            counts, shown = count(strip, rendered.masks)
            for name in WAYS:
                totals[name] += counts[name]
            if n == 0 and len(tiles) < _SHOWN:
                tiles.append(np.vstack([picture[:, 200:1000] for picture in shown.values()]))
    figures = {name: shares(total) for name, total in totals.items()}
    options.out.mkdir(parents=True, exist_ok=True)
    (options.out / "figures.json").write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")
    width = max(tile.shape[1] for tile in tiles)
    level = [
        cv2.copyMakeBorder(t, 0, 12, 0, width - t.shape[1], cv2.BORDER_CONSTANT, value=255) for t in tiles
    ]
    cv2.imwrite(str(options.out / "removal.png"), np.vstack(level))
    print(json.dumps(figures, indent=1))


if __name__ == "__main__":
    main()
