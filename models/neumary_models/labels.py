"""The closed list of sign labels, and what each means in the open standards.

One table ties a label to its SMuFL glyph name (W3C SMuFL 1.4, ranges "Medieval
and Renaissance plainchant ..."), and to the MEI 5.1 element and attributes that
encode it. Network outputs follow the order of `LABELS`; the list is stored with
every set of weights, so it may grow but never be reordered.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Label:
    """One sign label.

    Attributes
    ----------
    name : str
        Our word for the sign, the trade's standard term.
    group : str
        "head" (a sung note), "clef", "accidental", "custos" or "division".
    smufl : str
        SMuFL glyph name of the printed sign nearest to it; "" where SMuFL has none.
    mei : str
        MEI 5.1 element that holds it.
    letter : str
        For clefs, the pitch letter of the line it stands on (upper case); else "".
    """

    name: str
    group: str
    smufl: str
    mei: str
    letter: str = ""


LABELS: Final[tuple[Label, ...]] = (
    Label("punctum", "head", "chantPunctum", "nc"),
    Label("virga", "head", "chantPunctumVirga", "nc"),
    Label("inclinatum", "head", "chantPunctumInclinatum", "nc"),
    Label("oblique", "head", "chantLigaturaDesc3rd", "nc"),  # one label per pitched end
    Label("quilisma", "head", "chantQuilisma", "nc"),
    Label("oriscus", "head", "chantOriscusAscending", "nc"),
    Label("stropha", "head", "chantStrophicus", "nc"),
    Label("liquescent", "head", "chantPunctumDeminutum", "nc"),
    Label("clef_c", "clef", "chantCclef", "clef", "C"),
    Label("clef_f", "clef", "chantFclef", "clef", "F"),
    Label("clef_a", "clef", "", "clef", "A"),
    Label("clef_b", "clef", "", "clef", "B"),
    Label("clef_d", "clef", "", "clef", "D"),
    Label("clef_e", "clef", "", "clef", "E"),
    Label("clef_g", "clef", "medRenGClefCMN", "clef", "G"),
    Label("flat", "accidental", "medRenFlatSoftB", "accid"),
    Label("natural", "accidental", "medRenNatural", "accid"),
    Label("custos", "custos", "chantCustosStemUpPosMiddle", "custos"),
    Label("division", "division", "chantDivisioMinima", "divLine"),
)

BY_NAME: Final[dict[str, Label]] = {label.name: label for label in LABELS}
NAMES: Final[tuple[str, ...]] = tuple(label.name for label in LABELS)
HEADS: Final[frozenset[str]] = frozenset(x.name for x in LABELS if x.group == "head")
CLEFS: Final[frozenset[str]] = frozenset(x.name for x in LABELS if x.group == "clef")

LAYERS: Final[tuple[str, ...]] = ("parchment", "line", "music", "text", "decoration", "bleed")
"""What a pixel of a leaf can be; the network's second output and the renderer's masks."""
