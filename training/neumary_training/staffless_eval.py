"""Held-out figures of the staffless-sign network, and the calibration fitted on them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import Any, Final

import numpy as np
import torch
from scipy.optimize import linear_sum_assignment

from neumary.staffless import FreeCalibration, FreeCandidate, find_free_signs, overlaps
from neumary_models.staffless_outputs import STAFFLESS_NAMES
from neumary_training.evaluate import _platt, _temperature, reliability
from neumary_training.staffless_data import FreePage

LEAST_IOU: Final = 0.3
_LETTER: Final = STAFFLESS_NAMES.index("letter")


@torch.no_grad()
def score_page(net: torch.nn.Module, page: FreePage, device: torch.device) -> np.ndarray:
    """Raw score maps of a whole page, float32 (CHANNELS_OUT, H / 2, W / 2)."""
    height, width = page.picture.shape[:2]
    picture = torch.from_numpy(page.picture).to(device).permute(2, 0, 1)[None].float()
    picture = torch.nn.functional.pad((255.0 - picture) / 255.0, (0, -width % 16, 0, -height % 16))
    with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
        scores = net(picture)[0].float().cpu().numpy()
    cut: np.ndarray = scores[:, : height // 2, : width // 2]
    return cut


def match(candidates: Sequence[FreeCandidate], truth: np.ndarray) -> list[tuple[int, int]]:
    """One-to-one pairs (candidate, true sign) that overlap by an IoU of at least 0.3, best overall."""
    if not candidates or not len(truth):
        return []
    boxes = np.array([c.box for c in candidates])
    true = truth[:, :4].astype(np.float64)
    area = (boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])
    true_area = (true[:, 2] - true[:, 0]) * (true[:, 3] - true[:, 1])
    shared = np.stack([overlaps(box, true) for box in boxes])
    iou = shared / (area[:, None] + true_area[None] - shared)
    rows, cols = linear_sum_assignment(np.where(iou >= LEAST_IOU, -iou, 1.0))
    return [(int(r), int(c)) for r, c in zip(rows, cols, strict=True) if iou[r, c] >= LEAST_IOU]


def evaluate_free(
    net: torch.nn.Module, pages: Sequence[FreePage], device: torch.device
) -> tuple[dict[str, Any], dict[str, float], list[tuple[float, float, int]]]:
    """Fit the calibration on even pages and measure on odd ones.

    Returns
    -------
    metrics : dict
    calibration : dict
        Fields of `neumary.staffless.FreeCalibration`.
    curve : list of (float, float, int)
        Reliability: mean stated confidence, share right, count, by bin.
    """
    raw = [score_page(net, page, device) for page in pages]
    truths = [page.signs for page in pages]
    calibration = _fit(raw[::2], truths[::2])
    metrics = measure_free(raw[1::2], truths[1::2], calibration)
    curve = metrics.pop("reliability")
    return metrics, asdict(calibration), curve


def _fit(raw: Sequence[np.ndarray], truths: Sequence[np.ndarray]) -> FreeCalibration:
    heat, there, names, true = [], [], [], []
    for scores, truth in zip(raw, truths, strict=True):
        candidates = find_free_signs(scores, least_p=0.03)
        paired = dict(match(candidates, truth))
        for i, candidate in enumerate(candidates):
            heat.append(np.log(candidate.p_sign / (1 - candidate.p_sign + 1e-9)))
            there.append(i in paired)
            if i in paired:
                names.append(np.log(candidate.names + 1e-9))
                true.append(int(truth[paired[i], 4]))
    slope, offset = _platt(np.array(heat), np.array(there, dtype=float))
    plain = FreeCalibration(slope, offset, _temperature(np.array(names), np.array(true)))
    levels = [0.2, 0.3, 0.4, 0.5, 0.6]
    scored = [measure_free(raw, truths, replace(plain, believe_p=p))["sign_f1"] for p in levels]
    return replace(plain, believe_p=levels[int(np.argmax(scored))])


def measure_free(
    raw: Sequence[np.ndarray], truths: Sequence[np.ndarray], calibration: FreeCalibration
) -> dict[str, Any]:
    """Figures of a network on pages with truth; see the keys."""
    found = true = hits = names = letters = letter_hits = episema = extra = 0
    confidence, right = [], []
    by_name = np.zeros((len(STAFFLESS_NAMES), 3), dtype=int)  # true, found, named right
    for scores, truth in zip(raw, truths, strict=True):
        candidates = find_free_signs(scores, calibration)
        pairs = dict(match(candidates, truth))
        found, true, hits = found + len(candidates), true + len(truth), hits + len(pairs)
        extra += len(candidates) if not len(truth) else 0
        for name in truth[:, 4].astype(int):
            by_name[name, 0] += 1
            letters += name == _LETTER
        for i, candidate in enumerate(candidates):
            meant = int(truth[pairs[i], 4]) if i in pairs else -1
            same = meant >= 0 and int(candidate.names.argmax()) == meant
            confidence.append(candidate.p_sign * float(candidate.names.max()))
            right.append(float(same))
            if meant >= 0:
                names += same
                letter_hits += same and meant == _LETTER
                episema += (candidate.p_episema > 0.5) == bool(truth[pairs[i], 5])
                by_name[meant, 1:] += (1, same)
    bins = reliability(np.array(confidence), np.array(right))
    return {
        "sign_f1": 2 * hits / max(1, found + true),
        "sign_recall": hits / max(1, true),
        "sign_precision": hits / max(1, found),
        "name_accuracy": names / max(1, hits),
        "letter_recall": letter_hits / max(1, letters),
        "episema_accuracy": episema / max(1, hits),
        "found_on_pages_without_signs": extra,
        "signs": true,
        "calibration_error": sum(n * abs(p - share) for p, share, n in bins) / max(1, len(right)),
        "named_right": {
            name: f"{by_name[i, 2]}/{by_name[i, 0]}"
            for i, name in enumerate(STAFFLESS_NAMES)
            if by_name[i, 0]
        },
        "reliability": bins,
    }
