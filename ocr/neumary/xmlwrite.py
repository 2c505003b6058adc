"""Small pieces for writing XML, shared by the MEI and the PAGE writer."""

from __future__ import annotations

import re
from typing import Any, Final, TypeAlias

from lxml import etree

Element: TypeAlias = Any  # etree._Element; lxml ships no types

XML_ID: Final = "{http://www.w3.org/XML/1998/namespace}id"
_NOT_XML: Final = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def clean(text: str) -> str:
    """Replace the characters that XML 1.0 cannot hold."""
    if text.isascii() and text.isprintable():  # nearly always, and much quicker to tell
        return text
    return _NOT_XML.sub("\ufffd", text)


def sub(
    parent: Element, name: str, text: str = "", attributes: dict[str, str] | None = None, /, **more: str
) -> Element:
    """Add an element, in its parent's namespace, with its text and attributes cleaned."""
    given = {key: clean(value) for key, value in {**(attributes or {}), **more}.items()}
    space, brace, _ = parent.tag.rpartition("}")
    element = etree.SubElement(parent, f"{space}{brace}{name}", given)
    if text:
        element.text = clean(text)
    return element


def xml_id(kind: str, name: str) -> str:
    """Make an id that XML allows and that no other kind of thing can have.

    Parameters
    ----------
    kind : str
        First letter of the program's own ids: "g" sign, "s" staff, "n" neume, "y" syllable,
        "m" mark.
    name : str
        The id in the page.

    Returns
    -------
    str
        The program's own ids (letter and digits) as they are; anything else escaped.
    """
    number = name[len(kind) :]
    if name.startswith(kind) and number.isascii() and number.isdigit():
        return name
    escaped = "".join(char if char.isascii() and char.isalnum() else f".{ord(char):x}." for char in name)
    return f"{kind}.{escaped}"


def clip(low: int, high: int, size: int) -> tuple[int, int]:
    """Clip an extent (px) to the leaf; at least one pixel of it is kept."""
    low = min(max(low, 0), max(size - 1, 0))
    return low, max(min(high, size), low + 1)


def serialise(root: Element) -> bytes:
    """Give the document as indented UTF-8."""
    etree.indent(root)
    return bytes(etree.tostring(root, xml_declaration=True, encoding="UTF-8")) + b"\n"
