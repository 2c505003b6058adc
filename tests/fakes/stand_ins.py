"""Stand-ins for the pipeline: quick, and each with one fault a night's run may meet.

Worker processes import this module by name, so it lies in a folder of its own that
tests/conftest.py puts on the import path.
"""

from __future__ import annotations

import os
import signal
import time
from typing import Any

import msgspec

from neumary.settings import ReadSettings
from neumary.types import Box, Glyph, Page, Pitch, Provenance, Reading, Remark, Scan, Staff, StaffLine


def read_quickly(scan: Scan, settings: ReadSettings, model: Any) -> Page:
    """A page with one staff and one note, whatever the picture."""
    lines = tuple(
        StaffLine(cols=(10.0, 90.0), rows=(row, row), thickness_px=1, colour="red", seen=1.0)
        for row in (60.0, 50.0, 40.0, 30.0)
    )
    staff = Staff(id="s01", column=0, lines=lines, space_px=10, area=Box(10, 0, 80, 100))
    head = Glyph(id="g0001", staff="s01", row=50, col=40, box=Box(45, 35, 55, 45))
    reading = Reading(
        glyph="g0001", label="punctum", confidence=0.9, step=2, pitch=Pitch(certainty="exact", degree=26)
    )
    return Page(
        page_id=scan.page_id,
        source=scan.source,
        sha256=scan.sha256,
        width=scan.width,
        height=scan.height,
        staves=(staff,),
        glyphs=(head,),
        readings=(reading,),
        warnings=tuple(Remark(code="repaired", text=text) for text in scan.repairs),
        provenance=Provenance(settings=settings.as_dict(), settings_sha256=settings.sha256),
    )


def read_with_custos(scan: Scan, settings: ReadSettings, model: Any) -> Page:
    """As `read_quickly`, with a custos at the end: a3, as every page begins, but c4 on pages "odd..."."""
    page = read_quickly(scan, settings, model)
    degree = 28 if scan.page_id.startswith("odd") else 26
    custos = Glyph(id="g0002", staff="s01", row=50, col=80, box=Box(45, 75, 55, 85))
    pitch = Pitch(certainty="exact", degree=degree)
    reading = Reading(glyph="g0002", label="custos", confidence=0.95, step=2, pitch=pitch)
    return msgspec.structs.replace(page, glyphs=(*page.glyphs, custos), readings=(*page.readings, reading))


def die_on_bad(scan: Scan, settings: ReadSettings, model: Any) -> Page:
    """Killed outright, as by a system out of memory, on pages whose id begins with "bad"."""
    if scan.page_id.startswith("bad"):
        os.kill(os.getpid(), signal.SIGKILL)
    return read_quickly(scan, settings, model)


def raise_on_bad(scan: Scan, settings: ReadSettings, model: Any) -> Page:
    """A fault of the program on pages whose id begins with "bad"."""
    if scan.page_id.startswith("bad"):
        raise ZeroDivisionError("no staff to divide by")
    return read_quickly(scan, settings, model)


def hang_on_bad(scan: Scan, settings: ReadSettings, model: Any) -> Page:
    """Never comes back from pages whose id begins with "bad"."""
    while scan.page_id.startswith("bad"):
        time.sleep(0.1)
    return read_quickly(scan, settings, model)


def read_slowly(scan: Scan, settings: ReadSettings, model: Any) -> Page:
    """Long enough a page for a test to interrupt the run."""
    time.sleep(0.3)
    return read_quickly(scan, settings, model)


def read_steadily(scan: Scan, settings: ReadSettings, model: Any) -> Page:
    """Short pages, so that a kill at any moment meets reading as often as writing."""
    time.sleep(0.02)
    return read_quickly(scan, settings, model)
