"""One frozen configuration per training run, read from a TOML file."""

from __future__ import annotations

import difflib
import tomllib
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any, Literal

Channels = Literal["both", "colour", "line-free"]


@dataclass(frozen=True, slots=True)
class TrainConfig:
    """Every knob of a run. An unknown key in the file is an error.

    Attributes
    ----------
    name : str
        Name of the run and of the model it makes.
    seed : int
        Seeds pages, splits, augmentation and weights.
    train_pages, held_out_pages : int
        Rendered pages; every page has hands of its own, so held-out hands are unseen.
    kinds : dict of str to float
        Page kinds of the renderer and their shares.
    widths : tuple of int
        Channels of the network at 1/2, 1/4, 1/8 and 1/16.
    blocks : tuple of int
        Residual blocks at 1/4, 1/8 and 1/16 on the way down.
    tail : tuple of int
        Channels at 1/2 on the way up.
    crop_cols : int
        Width of a training crop, strip pixels.
    batch : int
        Crops per step.
    steps : int
        Optimiser steps.
    peak_rate : float
        Highest learning rate of the one-cycle schedule.
    weight_decay : float
    heat_sigma_cells : float
        Width of a sign's bump in the heat map, in output cells.
    ends : float
        Share of crops laid at the beginnings of strips, and again at their ends.
    stretch, slant : float
        How much crops are widened, narrowed and slanted anew at every step; 0 leaves them be.
    label_smoothing : float
        Share of a label's certainty spread over all labels (Szegedy et al., CVPR 2016).
    check_every : int
        Steps between looks at the held-out loss.
    patience : int
        Looks without a better held-out loss after which training stops.
    channels : str
        What the network sees beside the line positions: "both", "colour" or "line-free".
    ageing : bool
        False renders clean pages (an ablation).
    """

    name: str = "strip"
    seed: int = 1
    train_pages: int = 2400
    held_out_pages: int = 160
    kinds: dict[str, float] | None = None
    widths: tuple[int, int, int, int] = (16, 32, 64, 128)
    blocks: tuple[int, int, int] = (2, 3, 3)
    tail: tuple[int, int] = (16, 32)
    crop_cols: int = 512
    batch: int = 96
    steps: int = 9000
    peak_rate: float = 2e-3
    weight_decay: float = 1e-2
    heat_sigma_cells: float = 1.3
    ends: float = 0.2
    stretch: float = 0.13
    slant: float = 0.06
    label_smoothing: float = 0.02
    check_every: int = 500
    patience: int = 6
    channels: Channels = "both"
    ageing: bool = True

    def as_dict(self) -> dict[str, Any]:
        """Plain values, for the card and the checkpoint."""
        return asdict(self)


def load_config(path: Path) -> TrainConfig:
    """Read a run's configuration.

    Raises
    ------
    ValueError
        For an unknown key; the message names the nearest known one.
    """
    table = tomllib.loads(path.read_text(encoding="utf-8"))
    known = [f.name for f in fields(TrainConfig)]
    for key in table:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            hint = f"; did you mean '{near[0]}'?" if near else ""
            raise ValueError(f"{path}: unknown setting '{key}'{hint}")
    for key in ("widths", "blocks", "tail"):
        if key in table:
            table[key] = tuple(table[key])
    return TrainConfig(**table)
