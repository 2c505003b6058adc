"""Held-out figures of a network, and the calibration fitted on them.

Works on whole strips through the code used in reading (`neumary.glyphs`), so the
figures include how peaks are found and chosen. Half of the held-out strips fit the
calibration, the other half are reported on.
"""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import Any, Final

import numpy as np
import torch
from scipy.optimize import linear_sum_assignment, minimize

from neumary.glyphs import Calibration, Candidate, choose, find_candidates
from neumary.strips import STRIP_SPACE
from neumary_models.labels import BY_NAME, HEADS, NAMES
from neumary_training.targets import Cropper

MATCH_SPACES: Final = 0.5
"""A sign is found when a candidate's centre lies this near (the trade's usual half space)."""

_AS_GOOD: Final = 0.0005
"""F1 scores nearer than this are alike: one sign in a thousand missed or made up."""


def evaluate(
    net: torch.nn.Module, strips: Cropper
) -> tuple[dict[str, Any], dict[str, float], list[tuple[float, float, int]]]:
    """Fit the calibration on even strips and measure on odd ones.

    Returns
    -------
    metrics : dict
        Detection, labels, steps and calibration error on the odd strips.
    calibration : dict
        Fields of `neumary.glyphs.Calibration`.
    curve : list of (float, float, int)
        Reliability of the odd strips: mean stated confidence, share right, count, by bin.
    """
    raw, truths = _read(net, strips)
    fit = [i for i in range(len(raw)) if i % 2 == 0]
    test = [i for i in range(len(raw)) if i % 2 == 1]
    calibration = fit_calibration([raw[i] for i in fit], [truths[i] for i in fit])
    metrics = measure([raw[i] for i in test], [truths[i] for i in test], calibration)
    curve = metrics.pop("reliability")
    return metrics, asdict(calibration), curve


def evaluate_as_is(net: torch.nn.Module, strips: Cropper, calibration: Calibration) -> dict[str, Any]:
    """Measures on all strips, with a calibration that was fitted elsewhere."""
    metrics = measure(*_read(net, strips), calibration)
    del metrics["reliability"]
    return metrics


def _read(net: torch.nn.Module, strips: Cropper) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Scores and true signs, strip by strip."""
    count = len(strips.lines)
    truths = [strips.signs[strips.sign_starts[i] : strips.sign_starts[i + 1]] for i in range(count)]
    return [_score(net, strips, index) for index in range(count)], truths


@torch.no_grad()
def _score(net: torch.nn.Module, strips: Cropper, index: int) -> np.ndarray:
    wide = Cropper.__new__(Cropper)
    wide.__dict__.update(strips.__dict__)
    wide.crop_cols = int(np.diff(strips.starts)[index])
    batch = wide.at(np.array([index]), np.array([0]))
    scores: np.ndarray = net(batch.strips)[0].float().cpu().numpy()
    return scores


def match(candidates: list[Candidate], truth: np.ndarray) -> list[tuple[int, int]]:
    """One-to-one pairs (candidate, true sign) nearer than `MATCH_SPACES`, closest overall."""
    if not candidates or not len(truth):
        return []
    at = np.array([(c.row, c.col) for c in candidates])
    gap = np.hypot(at[:, None, 0] - truth[None, :, 1], at[:, None, 1] - truth[None, :, 2]) / STRIP_SPACE
    rows, cols = linear_sum_assignment(np.where(gap <= MATCH_SPACES, gap, 1e3))
    return [(int(r), int(c)) for r, c in zip(rows, cols, strict=True) if gap[r, c] <= MATCH_SPACES]


def fit_calibration(raw: list[np.ndarray], truths: list[np.ndarray]) -> Calibration:
    """Platt scaling for signs, temperatures for the rest, and the best belief level."""
    plain = Calibration()
    heat, is_sign, labels, label_true, shifts, shift_true, starts, starts_true = ([] for _ in range(8))
    for scores, truth in zip(raw, truths, strict=True):
        candidates = choose(find_candidates(scores, plain), 0.02)
        paired = dict(match(candidates, truth))
        for i, candidate in enumerate(candidates):
            heat.append(np.log(candidate.p_sign / (1 - candidate.p_sign + 1e-9)))
            is_sign.append(i in paired)
            if i not in paired:
                continue
            sign = truth[paired[i]]
            labels.append(np.log(candidate.labels + 1e-9))
            label_true.append(int(sign[3]))
            steps = dict(candidate.steps)
            if sign[4] > -90 and int(sign[4]) in steps:
                shifts.append(np.log(np.array([steps.get(int(sign[4]) + k, 1e-4) for k in range(-3, 4)])))
                shift_true.append(3)
            if NAMES[int(sign[3])] in HEADS:
                starts.append(np.log(candidate.starts / (1 - candidate.starts + 1e-9) + 1e-9))
                starts_true.append(float(sign[5] > 0.5))
    slope, offset = _platt(np.array(heat), np.array(is_sign, dtype=float))
    calibration = Calibration(
        heat_slope=slope,
        heat_offset=offset,
        label_temperature=_temperature(np.array(labels), np.array(label_true)),
        shift_temperature=_temperature(np.array(shifts), np.array(shift_true)),
        starts_temperature=1.0 / max(0.2, _platt(np.array(starts), np.array(starts_true))[0]),
    )
    levels = [round(float(p), 2) for p in np.arange(0.2, 0.81, 0.05)]
    reports = {p: measure(raw, truths, replace(calibration, believe_p=p, believe_rare_p=p)) for p in levels}
    return replace(
        calibration,
        believe_p=_level({p: reports[p].get("head_f1", 0.0) for p in levels}),
        believe_rare_p=_level({p: _rare_f1(reports[p]) for p in levels}),
        believe_clef_p=_level({p: reports[p].get("clef_f1", 0.0) for p in levels}),
        believe_custos_p=_level({p: reports[p].get("custos_f1", 0.0) for p in levels}),
    )


def _level(f1: dict[float, float]) -> float:
    """The level of belief nearest to an even chance that is as good as the best, but for chance."""
    return min((p for p in f1 if f1[p] >= max(f1.values()) - _AS_GOOD), key=lambda p: (abs(p - 0.5), p))


def _rare_f1(report: dict[str, Any]) -> float:
    """Mean F1 of the groups that have no level of their own, each counting alike."""
    groups = sorted({label.group for label in BY_NAME.values()} - {"head", "clef", "custos"})
    return float(np.mean([report.get(f"{name}_f1", 0.0) for name in groups]))


def _platt(score: np.ndarray, true: np.ndarray) -> tuple[float, float]:
    if not len(true):  # a network that found nothing has nothing to calibrate
        return 1.0, 0.0

    def loss(x: np.ndarray) -> float:
        z = x[0] * score + x[1]
        return float(np.mean(np.logaddexp(0, z) - true * z)) + 1e-4 * float((x[0] - 1) ** 2)

    found = minimize(loss, np.array([1.0, 0.0]), method="Nelder-Mead").x
    return float(found[0]), float(found[1])


def _temperature(log_p: np.ndarray, true: np.ndarray) -> float:
    if not len(true):
        return 1.0

    def loss(x: np.ndarray) -> float:
        z = log_p / np.exp(x[0])
        z = z - z.max(1, keepdims=True)
        return float(np.mean(np.log(np.exp(z).sum(1)) - z[np.arange(len(true)), true]))

    return float(np.exp(minimize(loss, np.array([0.0]), method="Nelder-Mead").x[0]))


def measure(raw: list[np.ndarray], truths: list[np.ndarray], calibration: Calibration) -> dict[str, Any]:
    """Figures of a network on strips with truth; see the keys."""
    groups: dict[str, list[int]] = {}
    label_right = step_right = paired_total = pitched = 0
    confidence: list[float] = []
    right: list[float] = []
    for scores, truth in zip(raw, truths, strict=True):
        chosen = choose(find_candidates(scores, calibration), calibration)
        pairs = match(chosen, truth)
        partner = dict(pairs)
        for i, j in pairs:
            same = NAMES.index(chosen[i].label) == int(truth[j, 3])
            label_right += same
            paired_total += 1
            if truth[j, 4] > -90:
                pitched += 1
                step_right += chosen[i].steps[0][0] == int(truth[j, 4])
        for i, candidate in enumerate(chosen):
            confidence.append(candidate.p_sign * float(candidate.labels.max()))
            j = partner.get(i, -1)
            right.append(float(j >= 0 and NAMES.index(candidate.label) == int(truth[j, 3])))
            _count(
                groups,
                BY_NAME[candidate.label].group,
                1,
                0,
                j >= 0 and _group(truth[j]) == _group_of(candidate),
            )
        for sign in truth:
            _count(groups, _group(sign), 0, 1, False)
        _count(groups, "sign", len(chosen), len(truth), False)
        groups["sign"][2] += len(pairs)
    report: dict[str, Any] = {f"{name}_f1": _f1(*counts) for name, counts in sorted(groups.items())}
    report["label_accuracy"] = label_right / max(1, paired_total)
    report["step_accuracy"] = step_right / max(1, pitched)
    bins = reliability(np.array(confidence), np.array(right))
    report["calibration_error"] = sum(n * abs(p - share) for p, share, n in bins) / max(1, len(right))
    report["reliability"] = bins
    report["signs"] = int(sum(len(truth) for truth in truths))
    return report


def _group(sign: np.ndarray) -> str:
    return BY_NAME[NAMES[int(sign[3])]].group


def _group_of(candidate: Candidate) -> str:
    return BY_NAME[candidate.label].group


def _count(groups: dict[str, list[int]], name: str, read: int, true: int, hit: bool) -> None:
    counts = groups.setdefault(name, [0, 0, 0])
    counts[0] += read
    counts[1] += true
    counts[2] += int(hit)


def _f1(read: int, true: int, hits: int) -> float:
    return 1.0 if read + true == 0 else 2 * hits / (read + true)


def reliability(confidence: np.ndarray, right: np.ndarray, bins: int = 15) -> list[tuple[float, float, int]]:
    """Mean confidence, share right and count for bins of equal width (Guo et al., ICML 2017)."""
    if not len(confidence):
        return []
    which = np.minimum((confidence * bins).astype(int), bins - 1)
    rows = []
    for k in range(bins):
        inside = which == k
        if inside.any():
            rows.append((float(confidence[inside].mean()), float(right[inside].mean()), int(inside.sum())))
    return rows
