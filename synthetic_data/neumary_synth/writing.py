"""A page written from top to bottom: ruling, pictures, text blocks, staves, later additions."""

from __future__ import annotations

import numpy as np

from neumary_synth import decor
from neumary_synth.faint_ruling import left_to_write, rule_faintly
from neumary_synth.layout import Scribe
from neumary_synth.marring import mar_staves
from neumary_synth.plan import Plan
from neumary_synth.sheets import FlatPage
from neumary_synth.staffless_page import AccentScribe


def write_page(plan: Plan, rng: np.random.Generator) -> FlatPage:
    """Write a whole page after its plan.

    Parameters
    ----------
    plan : Plan
    rng : numpy Generator

    Returns
    -------
    FlatPage
        All inks and the truth, flat and unaged.
    """
    page = FlatPage(plan.height, plan.width, plan.space_px, plan.leaf)
    decor.draw_ruling(page, rng, plan)
    made = AccentScribe if plan.kind == "staffless" else Scribe
    scribe: Scribe | AccentScribe = made(plan, rng, page)
    for picture in plan.pictures:
        decor.draw_picture(page, rng, picture, plan.space_px)
    for text in left_to_write(rng.spawn(1)[0], plan):
        scribe.write_text(text)
    for slot, following in zip(plan.staves, [*plan.staves[1:], None], strict=False):
        scribe.write_staff(slot, following)
    rule_faintly(page, rng.spawn(1)[0], plan)
    mar_staves(page, rng, plan)
    decor.draw_extras(page, rng, plan, scribe.script)
    return page
