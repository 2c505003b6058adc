"""The settings of a reading: frozen, stored with every page, and hashed."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Final, Literal, get_args

import msgspec

from neumary.errors import UsageError
from neumary.line_rule import DEFAULT_RULE, parse_rule

if TYPE_CHECKING:
    from neumary.types import NotationKind  # brings numpy, which `-h` does not need

Lines = Literal["auto", "0", "1", "2", "3", "4", "5"]
Notation = Literal["auto", "square", "pointed", "coloured-lines", "letters", "staffless", "layered"]
Repertoire = Literal["chant", "song", "polyphony"]
FlatScope = Literal["auto", "note", "word", "division", "staff", "piece"]
Only = Literal["all", "staves"]

LINES: Final[tuple[str, ...]] = get_args(Lines)
NOTATIONS: Final[tuple[str, ...]] = get_args(Notation)
REPERTOIRES: Final[tuple[str, ...]] = get_args(Repertoire)
FLAT_SCOPES: Final[tuple[str, ...]] = get_args(FlatScope)
ONLY: Final[tuple[str, ...]] = get_args(Only)


class ReadSettings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How a page is to be read. Same scan, settings and model: same bytes.

    Attributes
    ----------
    lines : str
        Lines in a staff, "0" to "5", or "auto" to find out.
    notation : str
        Kind of notation (`neumary.types.NotationKind`), or "auto" to find out.
    repertoire : str
        "chant"; for "song" and "polyphony" chant names and assumptions are withheld.
    flat_scope : str
        How far a flat holds (see `neumary.accidentals`); "auto" goes by the notation.
    line_colours : str
        What the colours of one or two lines mean, such as "red=F yellow=C" (see `neumary.line_rule`).
    decide : bool
        Whether the joint decision may overrule single readings.
    only : str
        "staves" stops after the staff lines; "all" reads everything.
    model : str
        Name of a shipped model, or path of a model file; "" takes the default one.
    text : str
        Path of the lyrics' text, or of a folder of texts (see `neumary.lyric_text`); "" for none.
    text_sha256 : str
        Of that text: other words are another setting.
    """

    lines: Lines = "auto"
    notation: Notation = "auto"
    repertoire: Repertoire = "chant"
    flat_scope: FlatScope = "auto"
    line_colours: str = DEFAULT_RULE
    decide: bool = True
    only: Only = "all"
    model: str = ""
    text: str = ""
    text_sha256: str = ""

    @property
    def line_count(self) -> int | None:
        """Lines in a staff as a number; None for "auto"."""
        return None if self.lines == "auto" else int(self.lines)

    @property
    def notation_asked(self) -> NotationKind | None:
        """The kind of notation the user named; None for "auto"."""
        return None if self.notation == "auto" else self.notation

    def as_dict(self) -> dict[str, str | int | float | bool]:
        """Plain values, as stored in a page's provenance."""
        return dict(msgspec.to_builtins(self))

    @property
    def sha256(self) -> str:
        """Hex hash of the canonical JSON: UTF-8, keys sorted, no spaces."""
        return hashlib.sha256(msgspec.json.encode(self.as_dict(), order="sorted")).hexdigest()


def make_settings(**values: object) -> ReadSettings:
    """Settings from loose values, checked.

    Raises
    ------
    UsageError
        If a name is unknown or a value is not one of those allowed.
    """
    try:
        settings = msgspec.convert(values, ReadSettings)
    except msgspec.ValidationError as error:
        raise UsageError(f"These settings make no sense: {error}.", "See `neumary read -h`.") from None
    parse_rule(settings.line_colours)
    return settings
