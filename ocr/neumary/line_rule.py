"""What the colour of a staff line means, where a staff has one or two of them."""

from __future__ import annotations

from typing import Final

from neumary.errors import UsageError

DEFAULT_RULE: Final = "red=F yellow=C grey=C"
"""Pitch letter of each paint (common practice, after medieval theory); grey is a faded paint."""

_PAINTS: Final = ("red", "yellow", "grey", "blue", "black", "brown")


def parse_rule(text: str) -> dict[str, int]:
    """What each paint means, as the degree of its line.

    Parameters
    ----------
    text : str
        Pairs such as ``red=F yellow=C``, letters A to G; see `DEFAULT_RULE`.

    Returns
    -------
    dict of str to int
        Colour name to degree: F = f3, C = c4, the others as `neumary.gamut.CLEF_DEGREES`.

    Raises
    ------
    UsageError
        If a pair is none, or names no paint or letter.

    Examples
    --------
    >>> parse_rule("red=F yellow=C")
    {'red': 24, 'yellow': 28}
    """
    from neumary.gamut import CLEF_DEGREES  # brings numpy, which `-h` does not need

    rule: dict[str, int] = {}
    for pair in text.replace(",", " ").split():
        colour, _, letter = pair.partition("=")
        label = f"clef_{letter.lower()}"
        if colour not in _PAINTS or label not in CLEF_DEGREES:
            raise UsageError(
                f"{pair!r} does not say what a line's colour means.",
                f"Write pairs such as 'red=F yellow=C', of the colours {', '.join(_PAINTS)}.",
            )
        rule[colour] = CLEF_DEGREES[label]
    return rule
