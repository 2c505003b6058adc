"""All kinds of notation, read end to end on rendered pages: is the kind told, do ranges hold.

    python -m neumary_training.early_eval --work runs/early --pages 100 [--kinds two-line ...]

Pages as read are kept in the work folder, by the model's hash. A page's true kind is that of its
truth: a page drawn with letters of which the picture shows none is one of neumes without lines.
At the end stands a table of all kinds, by what they were taken for.

Degrees are few, so there are three ranges of 90 %. The *smallest that reaches* 90 % holds more: where
the best degree alone is right in 96 of 100 notes, no set of degrees holds less. The one *nearest* to
90 % leaves out a last degree that would lead further beyond 90 % than is lacking without it. The one
of *exactly* 90 % takes the last degree in part (`range_fit.held_in_part`); it alone must hold in 90
of 100 notes whatever the kind, and tells whether the probabilities are honest. Notes are matched to
written ones within 0.6 staff space, one to one.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import cv2

from neumary.models import load_model
from neumary.pipeline import read_page
from neumary.settings import make_settings
from neumary.store import load_page, save_page
from neumary.types import Page, Scan
from neumary_models import zoo
from neumary_models.labels import HEADS
from neumary_synth.render import render_page
from neumary_training.range_cases import nearest_pairs
from neumary_training.range_fit import held, held_in_part, held_nearest
from neumary_training.shards import page_seed

SEED: Final = 17
KIND_OF: Final = {
    "two-line": "coloured-lines",
    "one-line": "coloured-lines",
    "letters": "letters",
    "staffless": "staffless",
    "layered": "layered",
    "square": "square",
    "pointed": "pointed",
    "five-line": "square",
    "songbook": "square",
}
"""Kind of notation of each kind of rendered page, if the picture shows what it is told by."""
_PITCHED_BY_LINES: Final = frozenset({"square", "pointed"})


@dataclass(slots=True)
class Tally:
    """Counts over the pages of one kind."""

    pages: int = 0
    told: int = 0  # pages whose kind is right
    lined: int = 0  # the same, square and pointed counted as one
    kinds: Counter[str] = field(default_factory=Counter)
    written: int = 0
    found: int = 0
    made_up: int = 0
    ranged: int = 0
    best: int = 0
    inside: int = 0
    nearest: int = 0  # inside the range nearest to 90 %
    stated: float = 0.0
    in_part: float = 0.0  # inside a range of exactly 90 %
    exact: int = 0  # notes given an exact pitch
    exact_wrong: int = 0
    contour: int = 0

    def line(self, kind: str) -> str:
        """For people."""
        pages, ranged = max(1, self.pages), max(1, self.ranged)
        parts = (
            f"{kind}: {self.pages} pages, kind right {self.told / pages:.3f}",
            f"square and pointed as one {self.lined / pages:.3f} {dict(self.kinds.most_common())}",
            f"notes {self.written}, found {self.found / max(1, self.written):.3f}, made up {self.made_up}",
            f"ranged {self.ranged}: best {self.best / ranged:.3f}",
            f"in the 90 % range {self.inside / ranged:.3f}",
            f"stated {self.stated / ranged:.3f}",
            f"in the nearest to 90 % {self.nearest / ranged:.3f}",
            f"in one of exactly 90 % {self.in_part / ranged:.3f}",
            f"exact {self.exact}, of those wrong {self.exact_wrong}",
            f"contour {self.contour}",
        )
        return ", ".join(parts)


def page_kind_read(page: Page) -> str:
    """Kind of most staves of a page, true or read; "none" without staves."""
    kinds = Counter(staff.kind for staff in page.staves)
    return kinds.most_common(1)[0][0] if kinds else "none"


def count(tally: Tally, truth: Page, read: Page) -> None:
    """Add one page."""
    told, right = page_kind_read(read), page_kind_read(truth)
    tally.pages += 1
    tally.told += told == right
    both = {told, right}
    tally.lined += len(both) == 1 or both == _PITCHED_BY_LINES
    tally.kinds[told] += 1
    meant, current = truth.current(), read.current()
    written = [g for g in truth.glyphs if g.layer == "melody" and meant[g.id].label in HEADS]
    found = [g for g in read.glyphs if g.layer == "melody" and current[g.id].label in HEADS]
    tally.written += len(written)
    tally.made_up += len(found)
    for glyph, k in nearest_pairs(truth, written, [(g.row, g.col) for g in found]):
        tally.found += 1
        tally.made_up -= 1
        pitch, known = current[found[k].id].pitch, meant[glyph.id].pitch
        degree = known.degree if known is not None else None
        if pitch is None or pitch.certainty == "contour":
            tally.contour += 1
        elif pitch.certainty == "exact":
            tally.exact += 1
            tally.exact_wrong += pitch.degree != degree
        elif degree is not None:
            odds = {d: p for d, _, p in pitch.alternatives}
            best, inside, stated = held(odds, degree)
            tally.ranged += 1
            tally.best += best
            tally.inside += inside
            tally.stated += stated
            tally.nearest += held_nearest(odds, degree)
            tally.in_part += held_in_part(odds, degree)


def confusion(tallies: Mapping[str, Tally]) -> str:
    """A table of how many pages of each kind were taken for which notation."""
    taken = sorted({kind for tally in tallies.values() for kind in tally.kinds})
    rows = [["drawn", "pages", "right", *taken], ["---"] * (3 + len(taken))]
    for kind, tally in tallies.items():
        share = f"{tally.told / max(1, tally.pages):.3f}"
        rows.append([kind, str(tally.pages), share, *(str(tally.kinds[other] or "-") for other in taken)])
    return "\n".join("| " + " | ".join(row) + " |" for row in rows)


def measure(kind: str, pages: int, work: Path, split: str = "test", first: int = 0) -> Tally:
    """Read the pages of a kind, or take them from the work folder, and count."""
    cv2.setNumThreads(1)
    model = load_model(zoo.DEFAULT, threads=1)
    folder = work / f"{kind}-{split}-{zoo.digest(model.hashes)[:12]}"
    folder.mkdir(parents=True, exist_ok=True)
    tally = Tally()
    for index in range(first, first + pages):
        target, true = folder / f"{index:04d}.json", folder / f"{index:04d}.truth.json"
        if not target.exists():
            rendered = render_page(page_seed(SEED, split, index), kind)
            scan = Scan(page_id=f"p{index:04d}", rgb=rendered.rgb, source="p.png", sha256="0")
            save_page(rendered.page, true)
            save_page(read_page(scan, make_settings(), model), target)
        truth = load_page(true)
        if truth.staves:  # a page may have room for text only
            count(tally, truth, load_page(target))
    return tally


def main(arguments: Sequence[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Read early kinds of notation end to end.")
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--pages", type=int, default=100)
    parser.add_argument("--first", type=int, default=0, help="number of the first page of the split")
    parser.add_argument("--split", default="test", choices=("test", "held-out"))
    parser.add_argument("--kinds", nargs="+", default=list(KIND_OF), choices=list(KIND_OF))
    given = parser.parse_args(arguments)
    tallies = {}
    for kind in given.kinds:
        tallies[kind] = measure(kind, given.pages, given.work, given.split, given.first)
        print(tallies[kind].line(kind), flush=True)
    print("\n" + confusion(tallies))


if __name__ == "__main__":
    main()
