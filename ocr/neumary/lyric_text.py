"""The text of the lyrics, from a file somebody else made: plain text, PAGE XML or ALTO."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from lxml import etree

from neumary.errors import UsageError
from neumary.latin import syllabify
from neumary.types import Box

WordPos = Literal["", "i", "m", "t", "s"]
_BREAK: Final = "-‐¬=⸗"  # at a line's end: the word goes on in the next line


@dataclass(frozen=True, slots=True)
class TextLine:
    """A line of text.

    Attributes
    ----------
    text : str
    box : Box or None
        Where it stands on the image, px; None in plain text.
    """

    text: str
    box: Box | None = None


@dataclass(frozen=True, slots=True)
class Word:
    """A word, or the part of one that stands in a line, as sung.

    Attributes
    ----------
    syllables : tuple of str
    positions : tuple of str
        MEI data.WORDPOS of each: i, m, t, or s for the only one.
    line : int
        Index of its line.
    """

    syllables: tuple[str, ...]
    positions: tuple[WordPos, ...]
    line: int


def load_text(path: Path) -> list[TextLine]:
    """Read the text of a page.

    Parameters
    ----------
    path : Path
        Plain text in UTF-8, one line per staff or running; or PAGE XML or ALTO of the same image, whose
        text lines are matched by place.

    Returns
    -------
    list of TextLine
        In the file's order, without empty ones.

    Raises
    ------
    UsageError
        If the file cannot be read, or is neither UTF-8 text nor PAGE nor ALTO.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise UsageError(f"The text {path} cannot be opened: {error.strerror}.", "Check its name.") from error
    if data.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"<"):
        return _from_xml(data, path)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UsageError(f"The text {path} is not in UTF-8: {error}.", "Save it in UTF-8.") from error
    return [TextLine(line.strip()) for line in text.splitlines() if line.strip()]


def text_of_page(path: Path, page_id: str) -> list[TextLine]:
    """Find and read the text of one page.

    Parameters
    ----------
    path : Path
        A file (see `load_text`), or a folder of files called ``<page-id>.txt``, ``.xml`` or ``.alto.xml``.
    page_id : str

    Returns
    -------
    list of TextLine
        Empty if the folder has no text for this page.
    """
    if not path.is_dir():
        return load_text(path)
    names = (f"{page_id}{suffix}" for suffix in (".txt", ".xml", ".alto.xml"))
    return next((load_text(path / name) for name in names if (path / name).is_file()), [])


def text_sha256(path: Path) -> str:
    """Hash a text or a folder of texts, in hex: the same words, the same hash.

    Raises
    ------
    UsageError
        If there is nothing there.
    """
    digest = hashlib.sha256()
    try:
        if not path.is_dir():
            return hashlib.sha256(path.read_bytes()).hexdigest()
        for file in sorted(path.iterdir()):
            if file.suffix in (".txt", ".xml") and file.is_file():
                digest.update(file.name.encode("utf-8", "surrogateescape") + b"\0")
                digest.update(hashlib.sha256(file.read_bytes()).digest())
    except OSError as error:
        raise UsageError(f"The text {path} cannot be opened: {error.strerror}.", "Check its name.") from error
    return digest.hexdigest()


def _from_xml(data: bytes, path: Path) -> list[TextLine]:
    try:
        root = etree.fromstring(data, etree.XMLParser(resolve_entities=False, no_network=True))
    except etree.XMLSyntaxError as error:
        raise UsageError(f"{path} is damaged XML: {error}.", "Export it again.") from error
    kind = etree.QName(root).localname
    if kind == "alto":
        lines = [_alto_line(element) for element in root.iter("{*}TextLine")]
    elif kind == "PcGts":
        lines = [_page_line(element) for element in root.iter("{*}TextLine")]
    else:
        raise UsageError(f"{path} is XML of the kind {kind!r}.", "Give plain text, PAGE XML or ALTO.")
    return [line for line in lines if line.text]


def _alto_line(element: etree._Element) -> TextLine:
    text = " ".join(string.get("CONTENT", "") for string in element.iter("{*}String"))
    edges = [element.get(name) for name in ("VPOS", "HPOS", "HEIGHT", "WIDTH")]
    if None in edges:
        return TextLine(text.strip())
    top, left, height, width = (round(float(edge)) for edge in edges)
    return TextLine(text.strip(), Box(top, left, top + max(height, 0), left + max(width, 0)))


def _page_line(element: etree._Element) -> TextLine:
    text = element.findtext("{*}TextEquiv/{*}Unicode") or " ".join(
        word.findtext("{*}TextEquiv/{*}Unicode") or "" for word in element.iter("{*}Word")
    )
    coords = element.find("{*}Coords")
    pairs = re.findall(r"(-?\d+),(-?\d+)", "" if coords is None else coords.get("points", ""))
    if not pairs:
        return TextLine(text.strip())
    cols, rows = [int(col) for col, _ in pairs], [int(row) for _, row in pairs]
    return TextLine(text.strip(), Box(min(rows), min(cols), max(rows) + 1, max(cols) + 1))


def to_words(lines: list[TextLine]) -> list[Word]:
    """Part lines into words and syllables.

    Parameters
    ----------
    lines : list of TextLine

    Returns
    -------
    list of Word
        Signs without letters are left out. A hyphen at a line's end ties its last word to
        the next line's first.
    """
    words: list[Word] = []
    goes_on = False
    for number, line in enumerate(lines):
        tokens = [token for token in line.text.split() if any(map(_is_letter, token))]
        broken = bool(line.text) and line.text.rstrip()[-1:] in _BREAK
        for place, token in enumerate(tokens):
            syllables = tuple(syllabify(token.strip(_BREAK)))
            before = goes_on and place == 0
            after = broken and place == len(tokens) - 1
            words.append(Word(syllables, _positions(len(syllables), before, after), number))
        if tokens:
            goes_on = broken
    return words


def _is_letter(char: str) -> bool:
    return unicodedata.category(char).startswith("L")


def _positions(count: int, before: bool, after: bool) -> tuple[WordPos, ...]:
    """Positions of a word's syllables, where it may go on before and after the line."""
    found: list[WordPos] = []
    for place in range(count):
        first, last = place == 0 and not before, place == count - 1 and not after
        found.append("s" if first and last else "i" if first else "t" if last else "m")
    return tuple(found)
