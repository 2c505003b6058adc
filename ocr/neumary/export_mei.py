"""A whole book as one MEI file: every page's own encoding, joined in reading order.

Each page is written by `neumary.mei` and taken apart again: its ``surface`` goes into the one
``facsimile``, its staves into a ``section`` of their own that begins with ``pb``. Ids get the page's
number before them (``p2.g0001``), because each page counts its signs from one. What is said about
doubt in `neumary.mei` holds here too: a range has its best degree and an ``annot`` with the
alternatives, a note without pitch has neither @pname nor @oct.

Pages are written one after the other, so that a book needs no more memory than a page.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import BinaryIO, Final

from lxml import etree

from neumary.mei import NAMESPACE, to_mei
from neumary.types import Page
from neumary.xmlwrite import XML_ID, Element, clean, sub

_POINTERS: Final = ("facs", "plist", "follows", "corresp", "resp")
_MEI: Final = f"{{{NAMESPACE}}}"


def write_book(title: str, pages: Callable[[], Iterable[Page]], file: BinaryIO) -> None:
    """Write the MEI file of a book.

    Parameters
    ----------
    title : str
    pages : callable
        Gives the pages in reading order; called three times (header, images, music).
    file : file object, binary

    Notes
    -----
    Valid against mei-Neumes-5.1.rng for at least one page.
    """
    with etree.xmlfile(file, encoding="UTF-8") as xml:
        xml.write_declaration()
        with xml.element(_MEI + "mei", nsmap={None: NAMESPACE}, meiversion="5.1"):
            xml.write("\n", _head(title, pages()), "\n")
            with xml.element(_MEI + "music"):
                with xml.element(_MEI + "facsimile"):
                    for number, page in enumerate(pages(), 1):
                        surface = _numbered(page, number).find(f".//{_MEI}surface")
                        surface.set("n", str(number))
                        surface.set("label", clean(page.page_id))
                        _put(xml, surface)
                with xml.element(_MEI + "body"), xml.element(_MEI + "mdiv"), xml.element(_MEI + "score"):
                    for number, page in enumerate(pages(), 1):
                        for element in _score(page, number):
                            _put(xml, element)
    file.write(b"\n")


def _put(xml: Element, element: Element) -> None:
    etree.indent(element)
    element.tail = "\n"
    xml.write(element)


def _score(page: Page, number: int) -> Iterator[Element]:
    """One section; the first page's declaration stands before it, where MEI demands one."""
    score = _numbered(page, number).find(f".//{_MEI}score")
    declared, section = list(score)
    section.set("n", str(number))
    section.set("label", clean(page.page_id))
    pb = section.find(f"{_MEI}pb")
    pb.set("n", str(number))
    if number == 1:
        yield declared
    else:
        pb.addnext(declared)
    yield section


def _numbered(page: Page, number: int) -> Element:
    """Give a page's own document with its ids made unique in the book."""
    root = etree.fromstring(to_mei(page), etree.XMLParser(remove_blank_text=True, huge_tree=True))
    for element in root.iter(etree.Element):
        name = element.get(XML_ID)
        if name is not None:
            element.set(XML_ID, f"p{number}.{name}")
        for pointer in _POINTERS:
            if element.get(pointer):
                targets = (
                    f"#p{number}.{target.removeprefix('#')}" for target in element.get(pointer).split()
                )
                element.set(pointer, " ".join(targets))
    return root


def _head(title: str, pages: Iterable[Page]) -> Element:
    """Title, sources and programs of all pages, each page's own remarks with its name."""
    head = etree.Element(_MEI + "meiHead", nsmap={None: NAMESPACE})
    desc = sub(head, "fileDesc")
    statement = sub(desc, "titleStmt")
    sub(statement, "title", title)
    published = sub(sub(desc, "pubStmt"), "availability")
    sub(sub(published, "useRestrict"), "p", "A draft for a specialist to check, not an edition.")
    notes, source, info = (etree.Element(_MEI + name) for name in ("notesStmt", "sourceDesc", "appInfo"))
    for number, page in enumerate(pages, 1):
        own = _numbered(page, number).find(f"{_MEI}meiHead")
        for responsible in own.iter(f"{_MEI}respStmt"):
            statement.append(responsible)
        for note in own.findall(f"{_MEI}fileDesc/{_MEI}notesStmt/{_MEI}annot"):
            note.text = f"{clean(page.page_id)}: {note.text}"
            notes.append(note)
        source.append(own.find(f".//{_MEI}source"))
        application = own.find(f".//{_MEI}application")
        if not any(_same(application, other) for other in info):
            info.append(application)
    for part in (notes, source):
        if len(part):
            desc.append(part)
    if len(info):
        sub(head, "encodingDesc").append(info)
    etree.indent(head)
    return head


def _same(one: Element, other: Element) -> bool:
    words = [[child.text for child in element] for element in (one, other)]
    return words[0] == words[1] and one.get("version") == other.get("version")
