"""Truth about whole staffless signs: one name and one box for each, however many notes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

BoxPx = tuple[float, float, float, float]

LETTER: Final = "letter"
COMPOUND: Final = "compound"


@dataclass(frozen=True, slots=True)
class FreeSign:
    """One staffless sign or significative letter.

    Attributes
    ----------
    name : str
        The trade's name without its additions, "letter" or "compound".
    box : tuple of float
        Ink box (top, left, bottom, right), px.
    size_px : float
        Height of a virga in the same hand and at the same size.
    layer : str
        "melody" where signs stand over words alone; "upper" or "lower" round a staff.
    row : int
        Number of the row of words, or staff, it belongs to.
    notes : int
        How many notes it stands for; 0 for letters.
    episema, liquescent : bool
    text : str
        The letter itself.
    """

    name: str
    box: BoxPx
    size_px: float
    layer: str = "melody"
    row: int = 0
    notes: int = 0
    episema: bool = False
    liquescent: bool = False
    text: str = ""


def named(drawn: str) -> tuple[str, bool, bool, str]:
    """(name, episema, liquescent, letter) of what `draw_staffless` was asked for."""
    episema = drawn.endswith(" with episema")
    name = drawn.removesuffix(" with episema")
    if name.startswith(f"{LETTER} "):
        return LETTER, False, False, name.removeprefix(f"{LETTER} ")
    if name.startswith(COMPOUND):
        return COMPOUND, episema, False, ""
    liquescent = name.startswith("liquescent ") or name in ("cephalicus", "epiphonus")
    return name.removeprefix("liquescent "), episema, liquescent, ""
