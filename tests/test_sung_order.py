"""The order in which heads of one column are sung."""

from __future__ import annotations

import itertools

import pytest

from neumary.gamut import Sign, sung_order
from neumary.types import Box, Glyph, Reading

SPACE = 20.0
Head = tuple[str, float, float]  # label, column and height in spaces


def _order(heads: list[Head]) -> list[int]:
    signs = []
    for n, (label, col, up) in enumerate(heads):
        row = 400 - up * SPACE
        box = Box(int(row) - 5, int(col * SPACE), int(row) + 5, int(col * SPACE) + 10)
        glyph = Glyph(id=f"g{n}", staff="s01", row=row, col=100 + col * SPACE, box=box)
        signs.append(Sign(glyph, Reading(glyph=glyph.id, label=label, confidence=0.9, step=0)))
    orders = {
        tuple(int(s.glyph.id[1:]) for s in sung_order(given, SPACE))
        for given in itertools.permutations(signs)
    }
    assert len(orders) == 1  # whatever the order they were found in
    return list(orders.pop())


P, OBL = "punctum", "oblique"


@pytest.mark.parametrize(
    "heads",
    [
        [(P, 0.0, 0.0), (P, 0.02, 1.0)],  # pes (SMuFL 1.4: podatus)
        [(P, 0.0, 1.0), (P, 0.3, 0.0)],  # the upper stands clearly left: a clivis
        [(OBL, 0.0, 1.0), (OBL, 1.0, 0.0), (P, 0.75, 1.0)],  # porrectus, whether left of the stroke's end
        [(OBL, 0.0, 1.0), (OBL, 1.0, 0.0), (P, 1.1, 1.0)],  # or right
        [(OBL, 0.0, 0.5), (OBL, 0.3, 0.0)],  # a steep stroke falls all the same
        [(OBL, 0.1, 0.5), (OBL, 0.1, 0.0)],
        [(P, 0.0, 0.0), (P, 0.02, 1.0), (P, 0.3, 0.5)],  # pes and a note hard behind it
    ],
)
def test_heads_are_sung_in_this_order(heads: list[Head]) -> None:
    assert _order(heads) == list(range(len(heads)))


def test_what_leads_into_an_oblique_from_above_is_sung_before_it() -> None:
    assert _order([(P, 0.0, 2.0), (OBL, 0.3, 1.0), (OBL, 1.3, 0.0)]) == [0, 1, 2]
