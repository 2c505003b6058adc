"""`EVALUATION.md`: what was measured, weak spots first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path
from string import Template
from typing import Any, Final

from neumary.measures import hands_off_share
from neumary.metrics import Outcome, PageScore
from neumary.score import MEASURES, Report, base, shown
from neumary_training.baselines import majority_share
from neumary_training.evaluation_causes import ADVICE, count_causes
from neumary_training.evaluation_results import GROUPS, Evaluation

_BY_KIND: Final = (
    *("staff F1", "line F1", "note F1", "label", "step", "clef F1", "clef changes", "custos F1"),
    *("flat F1", "division F1", "neume F1", "syllable"),
    *("melody error", "calibration error", "hands-off", "corrections/100"),
)
_LEVELS: Final = (0.5, 0.8, 0.9, 0.95, 0.98, 0.99)
_ERROR: Final = 0.005
_FULL: Final = "full staves"

_TEMPLATE: Final = Path(__file__).with_name("evaluation_template.md")


def figures(found: Evaluation) -> dict[str, Any]:
    """All figures as plain values, for JSON."""
    return {
        "made": found.made,
        "version": found.version,
        "model": found.model,
        "model_sha256": found.model_sha256,
        "renderer_sha256": found.renderer_sha256,
        "pages_per_kind": found.pages,
        "read": {name: report.as_dict() | {"mistakes": []} for name, report in found.read.items()},
        "undecided": {name: report.as_dict() | {"mistakes": []} for name, report in found.undecided.items()},
        "causes": {
            group: dict(count_causes(c for c in found.culprits if c.kind in kinds))
            for group, kinds in GROUPS.items()
        },
        "leaves": [
            {
                "name": leaf.name,
                "facts": list(leaf.facts),
                "measures": {name: f(leaf.score) for name, f in MEASURES.items()} if leaf.score else {},
            }
            for leaf in found.leaves
        ],
    }


def write_report(found: Evaluation) -> str:
    """Write the report in Markdown."""
    pages = list(found.read[_FULL].pages.values())
    outcomes = [o for page in pages for o in page.outcomes]
    notes = found.read[_FULL].total.notes
    causes = count_causes(c for c in found.culprits if c.kind in GROUPS[_FULL])
    share, error = cross_checked(pages)
    hands_off = hands_off_share([(o.note_p, o.note_right) for o in outcomes], missed=notes.missed)
    return Template(_TEMPLATE.read_text(encoding="utf-8")).substitute(
        version=found.version,
        model=found.model,
        model_sha256=found.model_sha256[:12],
        renderer=found.renderer_sha256[:12],
        made=found.made,
        pages=found.pages,
        n_kinds=sum(len(kinds) for kinds in GROUPS.values()),
        weak=_weak(found),
        notes=notes.hit + notes.missed,
        causes=_causes(causes, notes.hit + notes.missed),
        three="\n".join(f"{i}. {ADVICE[name]}." for i, (name, _) in enumerate(causes.most_common(3), 1)),
        kinds=_kinds(found),
        decision=_decision(found),
        missed=notes.missed,
        true_notes=notes.hit + notes.missed,
        levels=_levels(outcomes, notes.missed),
        hands_off=f"{100 * hands_off:.1f}",
        crossed_share=f"{100 * share:.1f}",
        crossed_error=f"{100 * error:.2f}",
        wear=_wear(found),
        confusions=_confusions(found),
        baselines=_baselines(found),
        leaves=_leaves(found),
    )


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    align = ["---", *(["---:"] * (len(head) - 1))]
    return "\n".join("| " + " | ".join(row) + " |" for row in (head, align, *rows))


def _span(report: Report, name: str) -> str:
    """A measure with its interval."""
    value = shown(name, report.total)
    if value == "-" or name not in report.intervals:
        return value
    low, high = report.intervals[name]
    return f"{value} ({low:.3f} to {high:.3f})"


def _weak(found: Evaluation) -> str:
    kinds = [k for ks in GROUPS.values() for k in ks if base("corrections/100", found.read[k].total)]
    lines = []
    for kind in sorted(kinds, key=lambda k: -found.read[k].total.corrections_per_100)[:4]:
        score = found.read[kind].total
        lines.append(
            f"- **{kind}**: {score.corrections_per_100:.0f} corrections per 100 notes; "
            f"note F1 {score.notes.f1:.3f}, staff F1 {score.staves.f1:.3f}."
        )
    for kind in GROUPS["no notes"]:
        score = found.read[kind].total
        lines.append(
            f"- **{kind}** ({score.pages} pages): {score.staves.spurious} false staves, "
            f"{score.staves.missed} missed, {score.notes.spurious} false notes."
        )
    for name, score in sorted(found.wear.items(), key=lambda item: -item[1].corrections_per_100)[:2]:
        lines.append(
            f"- Full staves, pages *{name}* ({score.pages}): "
            f"{score.corrections_per_100:.1f} corrections per 100 notes."
        )
    return "\n".join(lines)


def _causes(counts: Counter[str], notes: int) -> str:
    rows = [
        (cause, str(count), f"{100 * count / max(1, notes):.2f}", ADVICE[cause])
        for cause, count in counts.most_common()
    ]
    return _table(("cause", "mistakes", "per 100 notes", "what would help"), rows)


def _kinds(found: Evaluation) -> str:
    parts = []
    for group, kinds in GROUPS.items():
        names = [n for n in _BY_KIND if any(base(n, found.read[k].total) for k in kinds)]
        if group == "one or two coloured lines":
            names = [*names, "in range"]
        rows = [
            (n, *(shown(n, found.read[k].total) for k in kinds), _span(found.read[group], n)) for n in names
        ]
        parts.append(f"### {group.capitalize()}\n\n" + _table(("", *kinds, "all of these"), rows))
    return "\n\n".join(parts)


def _decision(found: Evaluation) -> str:
    rows = []
    for name in (*GROUPS[_FULL], _FULL, "one or two coloured lines"):
        a, b = found.undecided[name], found.read[name]
        rows.append(
            (
                name,
                _span(a, "melody error"),
                _span(b, "melody error"),
                _span(b, "clefs once"),
                shown("corrections/100", a.total),
                shown("corrections/100", b.total),
            )
        )
    head = (
        "",
        "melody error, signs as seen",
        "with the joint decision",
        "each clef error counted once",
        "corrections/100 as seen",
        "decided",
    )
    return _table(head, rows)


def _levels(outcomes: Sequence[Outcome], missed: int) -> str:
    rows = []
    for level in _LEVELS:
        taken = [o for o in outcomes if o.note_p >= level]
        wrong = sum(not o.note_right for o in taken)
        share = len(taken) / max(1, len(outcomes) + missed)
        rows.append((f"{level:.2f}", f"{100 * share:.1f} %", f"{100 * wrong / max(1, len(taken)):.2f} %"))
    return _table(("level", "of all notes taken unseen", "of those wrong"), rows)


def cross_checked(pages: Sequence[PageScore], error: float = _ERROR) -> tuple[float, float]:
    """Share taken and error rate with the level chosen on the other half of the pages.

    Parameters
    ----------
    pages : sequence of PageScore
    error : float
        Error rate the level is chosen for.

    Returns
    -------
    (float, float)
        Of all true and read notes the share taken; of those taken the share that is wrong.
    """
    taken = wrong = total = 0
    for part in (0, 1):
        level = choose_level([o for page in pages[part::2] for o in page.outcomes], error)
        others = [o for page in pages[1 - part :: 2] for o in page.outcomes]
        total += len(others) + sum(page.notes.missed for page in pages[1 - part :: 2])
        accepted = [o for o in others if o.note_p >= level]
        taken += len(accepted)
        wrong += sum(not o.note_right for o in accepted)
    return taken / max(1, total), wrong / max(1, taken)


def choose_level(outcomes: Sequence[Outcome], error: float) -> float:
    """Lowest confidence down to which at most this share is wrong; above 1 where there is none."""
    level, wrong = 2.0, 0
    ranked = sorted(outcomes, key=lambda o: -o.note_p)
    for i, outcome in enumerate(ranked, 1):
        wrong += not outcome.note_right
        last_of_equals = i == len(ranked) or ranked[i].note_p < outcome.note_p
        if last_of_equals and wrong <= error * i:
            level = outcome.note_p
    return level


def _wear(found: Evaluation) -> str:
    names = ("note F1", "label", "step", "clef F1", "melody error", "corrections/100")
    rows = [(name, str(score.pages), *(shown(n, score) for n in names)) for name, score in found.wear.items()]
    return _table(("", "pages", *names), rows)


def _confusions(found: Evaluation) -> str:
    table = found.read[_FULL].total.confusion
    cells = [
        (count, true or "(nothing)", read or "(nothing)")
        for true, row in table.items()
        for read, count in row.items()
        if true != read
    ]
    rows = [(true, read, str(count)) for count, true, read in sorted(cells, key=lambda c: -c[0])[:14]]
    return _table(("there is", "read", "times"), rows)


def _baselines(found: Evaluation) -> str:
    if found.baseline is None:
        return "Left out of this run."
    ours, seen = found.read[_FULL].total, found.undecided[_FULL].total
    names = ("note F1", "label", "step", "clef F1", "custos F1", "flat F1", "melody error")
    rows = [
        ("this reader", *(shown(n, ours) for n in names)),
        ("without the joint decision", *(shown(n, seen) for n in names)),
        ("classical: gradients and nearest neighbour", *(shown(n, found.baseline) for n in names)),
        ("every note a punctum", "-", f"{majority_share(ours):.3f}", *(["-"] * (len(names) - 2))),
    ]
    return _table(("", *names), rows)


def _leaves(found: Evaluation) -> str:
    if not found.leaves:
        return "None were at hand for this run."
    lines = ["Photographs; never trained on. Few, so these figures are coarse.", ""]
    for leaf in found.leaves:
        lines.append(f"- `{leaf.name}`: {'; '.join(leaf.facts) or 'no truth beside it'}.")
    for leaf in found.leaves:
        if leaf.score is None or leaf.undecided is None:
            continue
        names = [name for name in MEASURES if base(name, leaf.score)]
        rows = [(n, str(base(n, leaf.score)), shown(n, leaf.score), shown(n, leaf.undecided)) for n in names]
        lines += ["", f"`{leaf.name}`, sign by sign:", ""]
        lines.append(_table(("", "of", "as read", "without the joint decision"), rows))
    return "\n".join(lines)
