"""Heads to neumes, and the neumes' names.

A neume begins where the classifier sees a beginning or a gap is wide; heads that stand one
above the other belong together. Names come from the contour, with the shapes as further
evidence: stems, lozenges and obliques vary by hand, so the contour decides first.

The name table follows the W3C SMuFL 1.4 plainchant composition table, the *Catholic
Encyclopedia* (1911) vol. 10 s.v. "Neum", and for compounds the naming rule of the trade:
*flexus* adds a lower note, *resupinus* a higher one after a fall, *sub-(bi, tri)punctis* two
or three falling puncta, *prae-(bi, tri)punctis* rising ones before (rule: common practice).

So that every contour has a name, the rule is carried on where the trade stops: longer falls count on
(*subquadripunctis* ...), several rises after a fall are *bis, ter ... resupinus*, and a repeated note joins
two names by a hyphen: *pes-clivis* rises, repeats its upper note and falls (apposition; wording our
own, no source). A name says the contour but for the length of a scandicus, climacus or strophicus in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby, pairwise
from typing import Final

from neumary.gamut import STACKED_SPACES, Sign, signs_by_staff
from neumary.types import Glyph, Neume, Reading, Staff

WIDE_GAP_SPACES: Final = 1.6
"""White between two heads' boxes that always parts neumes; a design figure, no source."""

_OCTAVE_SPACES: Final = 3.5
_SAME_SPACES: Final = 0.3  # heights closer than this are the same where no step is known

MEI_TYPES: Final[dict[str, str]] = {
    "apostropha": "apostropha",
    "bistropha": "bistropha",
    "climacus": "climacus",
    "clivis": "clivis",
    "oriscus": "oriscus",
    "pes": "pes",
    "pes subbipunctis": "pessubpunctis",
    "porrectus": "porrectus",
    "porrectus flexus": "porrectusflexus",
    "pressus maior": "pressusmaior",
    "pressus minor": "pressusminor",
    "punctum": "punctum",
    "quilisma": "quilisma",
    "scandicus": "scandicus",
    "strophicus": "strophicus",
    "torculus": "torculus",
    "torculus resupinus": "torculusresupinus",
    "tristropha": "tristropha",
    "virga": "virga",
    "virga strata": "virgastrata",
}
"""Our name to MEI 5.1 neume/@type (the standard's suggested list, complete)."""

_MEI_NEAREST: Final[dict[str, str]] = {
    "punctum inclinatum": "punctum",
    "liquescens": "punctum",
    "epiphonus": "pes",
    "pes quassus": "pes",
    "cephalicus": "clivis",
    "ancus": "climacus",
    "virga subtripunctis": "climacus",
    "pinnosa": "torculus",
    "porrectus liquescens": "porrectus",
    "scandicus liquescens": "scandicus",
    "salicus": "scandicus",
    "virga praetripunctis": "scandicus",
    "pes subtripunctis": "pessubpunctis",
}
"""Names the list lacks, with the type of the neume they are a form of."""

_SINGLE: Final[dict[str, str]] = {
    "punctum": "punctum",
    "virga": "virga",
    "inclinatum": "punctum inclinatum",
    "oblique": "punctum",  # one end of a ligature stroke whose other end was not seen
    "quilisma": "quilisma",
    "oriscus": "oriscus",
    "stropha": "apostropha",
    "liquescent": "liquescens",
}

_REPEATED: Final[dict[tuple[str, int], str]] = {
    ("virga", 2): "bivirga",
    ("virga", 3): "trivirga",
    ("stropha", 2): "bistropha",
    ("stropha", 3): "tristropha",
    # print sets repeated notes as plain squares close together (common practice)
    ("punctum", 2): "bistropha",
    ("punctum", 3): "tristropha",
}

_LIQUESCENT: Final[dict[str, str]] = {
    "pes": "epiphonus",
    "clivis": "cephalicus",
    "climacus": "ancus",
    "torculus": "pinnosa",
}
"""Liquescence shrinks the last note and renames; other neumes take the word "liquescens"."""

_MOST_REPEATED: Final = 3  # the trade counts repeated notes no further

_COUNT: Final = ("", "", "bi", "tri", "quadri", "quinque", "sex", "septem", "octo")
_TIMES: Final = ("", "", "bis ", "ter ", "quater ", "quinquies ", "sexies ", "septies ", "octies ")


def name_neume(contour: str, labels: Sequence[str]) -> str:
    """Name of a neume.

    Parameters
    ----------
    contour : str
        One of U, D, S (up, down, same) per move.
    labels : sequence of str
        Head labels in the order sung; one more than there are moves.

    Returns
    -------
    str
        "" only for moves longer than the rule counts (more than eight one way).

    Raises
    ------
    ValueError
        If contour and labels do not fit together.

    Examples
    --------
    >>> name_neume("UD", ["punctum", "punctum", "punctum"])
    'torculus'
    >>> name_neume("UDUD", ["punctum"] * 5)
    'torculus resupinus flexus'
    >>> name_neume("USD", ["punctum"] * 4)
    'pes-clivis'
    """
    if len(labels) != len(contour) + 1 or set(contour) - set("UDS"):
        raise ValueError(f"contour {contour!r} does not fit {len(labels)} head(s)")
    return _simple(contour, labels) or _apposed(contour, labels)


def _simple(contour: str, labels: Sequence[str]) -> str:
    """Name without apposition."""
    if not contour:
        return _SINGLE.get(labels[0], "")
    name = _special(contour, labels) or _repeated(contour, labels) or _plain(contour, labels)
    if name and labels[-1] == "liquescent":
        return _LIQUESCENT.get(name, f"{name} liquescens")
    return name


def _special(contour: str, labels: Sequence[str]) -> str:
    """Neumes that a sign within them names."""
    kinds = tuple(labels)
    if contour in ("UU", "SU") and kinds[1] == "oriscus":
        return "salicus"
    if contour == "SD" and kinds[1] == "oriscus":
        return "pressus maior"
    if contour == "D" and kinds[0] == "oriscus":
        return "pressus minor"
    if contour in ("S", "U") and kinds == ("virga", "oriscus"):
        return "virga strata"
    if contour == "U" and kinds[0] == "oriscus":
        return "pes quassus"
    if contour == "SD" and set(kinds) <= {"punctum"}:
        return "trigon"
    if contour == "DDD" and kinds == ("virga", "inclinatum", "inclinatum", "inclinatum"):
        return "virga subtripunctis"
    if contour == "UUU" and kinds == ("punctum", "punctum", "punctum", "virga"):
        return "virga praetripunctis"
    return ""


def _repeated(contour: str, labels: Sequence[str]) -> str:
    if set(contour) != {"S"}:
        return ""
    kinds = set(labels) - {"liquescent"}
    kind = kinds.pop() if len(kinds) == 1 else "stropha" if kinds == {"stropha", "punctum"} else ""
    if kind in ("stropha", "punctum") and len(labels) > _MOST_REPEATED:
        return "strophicus"
    return _REPEATED.get((kind, len(labels)), "")


def _apposed(contour: str, labels: Sequence[str]) -> str:
    """Neumes set side by side at one pitch: their names joined, each as long as may be."""
    names = []
    start = 0
    while start < len(labels):
        ends = [k for k in range(start, len(labels)) if k == len(contour) or contour[k] == "S"]
        pieces = ((k, _simple(contour[start:k], labels[start : k + 1])) for k in reversed(ends))
        end, name = next(((k, name) for k, name in pieces if name), (-1, ""))
        if not name:
            return ""
        names.append(name)
        start = end + 1
    return "-".join(names)


def _plain(contour: str, labels: Sequence[str]) -> str:
    """Names by rule, for contours of rises and falls only."""
    if "S" in contour:
        return ""
    runs = [(move, len(list(group))) for move, group in groupby(contour)]
    move, length = runs.pop(0)
    name = {("U", 1): "pes", ("D", 1): "clivis"}.get(
        (move, length), "scandicus" if move == "U" else "climacus"
    )
    if runs and (name == "clivis" or (name == "pes" and runs[0][1] == 1)):
        turn, more = runs.pop(0)
        name = "torculus" if name == "pes" else "porrectus"
        runs = [(turn, more - 1), *runs] if more > 1 else runs
    for move, length in runs:
        if length >= len(_COUNT):
            return ""
        if move == "U":
            name += f" {_TIMES[length]}resupinus"
        else:
            name += " flexus" if length == 1 else f" sub{_COUNT[length]}punctis"
    return name


def mei_type(name: str) -> str:
    """MEI neume/@type of a name: the standard's word, or that of the neume it is a form of.

    "" where neither exists (compounds the standard does not list).
    """
    return MEI_TYPES.get(name) or _MEI_NEAREST.get(name, "")


def name_of_mei_type(mei: str) -> str:
    """Our name of an MEI neume/@type; "" for a word that is not on the standard's list."""
    return {value: key for key, value in MEI_TYPES.items()}.get(mei, "")


def contour_of(signs: Sequence[Sign], space_px: float) -> str:
    """Contour of heads in the order sung: by pitch, else by step, else by height.

    Parameters
    ----------
    signs : sequence of Sign
        Heads of one neume.
    space_px : float
        Staff space, px.
    """
    return "".join(_move(a, b, space_px) for a, b in pairwise(signs))


def _move(a: Sign, b: Sign, space_px: float) -> str:
    rise = _rise(a, b, space_px)
    return "U" if rise > 0 else "D" if rise < 0 else "S"


def _rise(a: Sign, b: Sign, space_px: float) -> float:
    p, q = a.reading.pitch, b.reading.pitch
    if p is not None and q is not None and p.degree is not None and q.degree is not None:
        return (q.degree - p.degree) or (q.alter - p.alter)
    if a.reading.step is not None and b.reading.step is not None:
        return b.reading.step - a.reading.step
    rise = (a.glyph.row - b.glyph.row) / space_px
    return rise if abs(rise) >= _SAME_SPACES else 0.0


def group_neumes(
    staves: Sequence[Staff],
    glyphs: Sequence[Glyph],
    readings: Sequence[Reading],
    *,
    names: bool = True,
) -> list[Neume]:
    """Group heads to neumes, staff by staff, each layer apart.

    Parameters
    ----------
    staves : sequence of Staff
        In reading order.
    glyphs, readings : sequence of Glyph, of Reading
        The last reading of a glyph holds; pitches, where filled, give the contour.
    names : bool
        False withholds names (repertoire that is no chant).

    Returns
    -------
    list of Neume
        In reading order, ids "n0001" and on; the melody of a staff before its other layers.
    """
    layers = ["melody", *sorted({g.layer for g in glyphs} - {"melody"})]
    by_layer = {layer: signs_by_staff(staves, glyphs, readings, layer) for layer in layers}
    neumes: list[Neume] = []
    for staff in staves:
        for layer in layers:
            for heads in _groups(by_layer[layer][staff.id], staff.space_px):
                contour = contour_of(heads, staff.space_px)
                neumes.append(
                    Neume(
                        id=f"n{len(neumes) + 1:04d}",
                        staff=staff.id,
                        glyphs=tuple(s.glyph.id for s in heads),
                        name=name_neume(contour, [s.label for s in heads]) if names else "",
                        contour=contour,
                    )
                )
    return neumes


def _groups(signs: Sequence[Sign], space_px: float) -> list[list[Sign]]:
    groups: list[list[Sign]] = []
    before: Sign | None = None
    for i, sign in enumerate(signs):
        if not sign.is_head:
            # accidentals and custodes may stand inside a neume's span; clefs and divisions part
            if sign.is_clef or sign.label == "division":
                before = None
            continue
        if before is None or _begins(before, signs[i:], space_px):
            groups.append([])
        groups[-1].append(sign)
        before = sign
    return groups


def _begins(before: Sign, ahead: Sequence[Sign], space_px: float) -> bool:
    """Whether a neume begins at the first sign ahead, given the head before it."""
    sign = ahead[0]
    if _stacked(before, sign, space_px):
        return False
    gap = sign.glyph.box.left - before.glyph.box.right
    # of a stack, whichever head shows the beginning counts: which is sung first is not its shape
    seen = max(s.reading.starts_neume for s in ahead[:2] if s is sign or _stacked(sign, s, space_px))
    return seen >= 0.5 or gap > WIDE_GAP_SPACES * space_px


def _stacked(a: Sign, b: Sign, space_px: float) -> bool:
    """One above the other, and not farther apart than an octave."""
    if not b.is_head or abs(a.glyph.col - b.glyph.col) >= STACKED_SPACES * space_px:
        return False
    return abs(a.glyph.row - b.glyph.row) <= _OCTAVE_SPACES * space_px
