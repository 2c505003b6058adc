"""The demonstration: one leaf of a book that never was, drawn afresh, the same every time.

``python -m neumary_synth.demo FOLDER`` prints the path of the picture.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Final

import msgspec

LEAF: Final = "velmoor_antiphoner_f012r"
"""The antiphoner of the canonesses of Velmoor, folio 12 recto. House and book are invented."""

SEED: Final = 8
KIND: Final = "square"
SPACE_PX: Final = 24.0


def draw_leaf(folder: Path) -> Path:
    """Draw the demonstration leaf.

    Parameters
    ----------
    folder : Path
        Made where it is missing.

    Returns
    -------
    Path
        ``<LEAF>.jpg``; its truth lies beside it as ``<LEAF>.page.json``.
    """
    from neumary_synth.render import render_page, write_rendered

    folder.mkdir(parents=True, exist_ok=True)
    drawn = render_page(SEED, KIND, space_px=SPACE_PX)
    named = msgspec.structs.replace(drawn.page, page_id=LEAF)
    return write_rendered(type(drawn)(named, drawn.rgb, drawn.masks), folder)


def main() -> None:
    """Draw the leaf into the folder named on the command line."""
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else "demo")
    try:
        print(draw_leaf(folder))
    except OSError as error:
        sys.exit(f"The demonstration leaf cannot be written to {folder}: {error.strerror}.")


if __name__ == "__main__":
    main()
