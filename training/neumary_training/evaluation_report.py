"""`EVALUATION.md`: what was measured, weak spots first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any, Final

from neumary.measures import hands_off_share
from neumary.metrics import Outcome, PageScore
from neumary.score import MEASURES, Report, base, shown
from neumary_training.baselines import majority_share
from neumary_training.evaluation_results import GROUPS, Culprit, Evaluation

_BY_KIND: Final = (
    *("staff F1", "line F1", "note F1", "label", "step", "clef F1", "custos F1", "flat F1", "neume F1"),
    *("melody error", "calibration error", "hands-off", "corrections/100"),
)
_LEVELS: Final = (0.5, 0.8, 0.9, 0.95, 0.98, 0.99)
_ERROR: Final = 0.005
_FULL: Final = "full staves"

ADVICE: Final[dict[str, str]] = {
    "staff traced with other lines": "Staff finder: broken, waved and crooked lines; weak ruling; leaf edges.",
    "staff not found": "Staff finder: whole staves lost, or found where there are none.",
    "clef not in the picture, inferred wrongly": "Say a lower confidence for notes under an inferred clef, and "
    "let the next page and the custos speak; the picture alone does not hold the answer.",
    "clef misread or missed": "Training: more clefs in the middle of staves, small as notes and beside them, of all "
    "letters; clefs on grey film.",
    "flat misread or missed": "Training: more flats, near text and between notes.",
    "ink of text, initials or the other side": "Training: notes under and among letters, pen flourishes, rubrics "
    "and blots inside staves.",
    "sign missed beside one that touches": "Training: tighter seconds, obliques over the next head, faint strokes.",
    "wrong name for a note": "Training: draw liquescent tails, oriscus and stropha clearly or not at all; more "
    "lozenge-like puncta.",
    "a note on the wrong step": "Training: seconds pushed apart more strongly; smaller and blurred heads.",
    "sign missed or made up, alone": "Training: faint, flaked and small signs; specks and stains as no sign.",
}
"""What would help against each cause."""


def cause_of(culprit: Culprit) -> str:
    """Name of the cause, a key of `ADVICE`."""
    mistake = culprit.mistake
    if mistake.cause == "staff":
        return "staff not found"
    if mistake.cause == "lines":
        return "staff traced with other lines"
    if mistake.cause == "clef":
        unseen = mistake.under_inferred
        return "clef not in the picture, inferred wrongly" if unseen else "clef misread or missed"
    if mistake.group == "clef":
        return "clef misread or missed"
    if mistake.cause == "flat" or mistake.group == "accidental":
        return "flat misread or missed"
    if culprit.layer in ("text", "decoration", "bleed"):
        return "ink of text, initials or the other side"
    if mistake.cause == "touching":
        return "sign missed beside one that touches"
    if mistake.sort == "label":
        return "wrong name for a note"
    if mistake.sort == "step":
        return "a note on the wrong step"
    return "sign missed or made up, alone"


def figures(found: Evaluation) -> dict[str, Any]:
    """All figures as plain values, for JSON."""
    return {
        "made": found.made,
        "version": found.version,
        "model": found.model,
        "model_sha256": found.model_sha256,
        "pages_per_kind": found.pages,
        "read": {name: report.as_dict() | {"mistakes": []} for name, report in found.read.items()},
        "undecided": {name: report.as_dict() | {"mistakes": []} for name, report in found.undecided.items()},
        "causes": {group: dict(count_causes(found, kinds)) for group, kinds in GROUPS.items()},
        "leaves": [
            {
                "name": leaf.name,
                "facts": list(leaf.facts),
                "measures": {name: f(leaf.score) for name, f in MEASURES.items()} if leaf.score else {},
            }
            for leaf in found.leaves
        ],
    }


def count_causes(found: Evaluation, kinds: Sequence[str]) -> Counter[str]:
    """Mistakes by cause on pages of these kinds."""
    return Counter(cause_of(c) for c in found.culprits if c.kind in kinds)


def write_report(found: Evaluation) -> str:
    """Write the report in Markdown."""
    parts = (
        _head(found),
        _weak(found),
        _advice(found),
        _kinds(found),
        _decision(found),
        _operating(found),
        _wear(found),
        _confusions(found),
        _baselines(found),
        _leaves(found),
        _how(found),
    )
    return "\n\n".join(part for part in parts if part) + "\n"


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


def _head(found: Evaluation) -> str:
    return (
        "# How well it reads\n\n"
        "<!-- Written by `make evaluate`; edit training/neumary_training/evaluation_report.py instead. -->\n\n"
        f"Neumary {found.version}, model `{found.model}` (sha256 `{found.model_sha256[:12]}`), {found.made}. "
        f"{found.pages} rendered pages of each of {len(_single_kinds())} kinds, every page by a hand that was "
        "never trained on, read from its JPEG through the whole pipeline. Intervals are 95 % bootstrap "
        "intervals over pages. Rendered pages are drawn by the program that drew the training pages: they tell "
        "what fails and what got better, not how well an unknown book will be read. For that see the real leaves."
    )


def _single_kinds() -> list[str]:
    return [kind for kinds in GROUPS.values() for kind in kinds]


def _weak(found: Evaluation) -> str:
    lines = ["## Weak spots first", ""]
    kinds = [k for k in _single_kinds() if base("corrections/100", found.read[k].total)]
    ranked = sorted(kinds, key=lambda k: -found.read[k].total.corrections_per_100)
    for kind in ranked[:4]:
        score = found.read[kind].total
        lines.append(
            f"- **{kind}**: {score.corrections_per_100:.0f} corrections per 100 notes; note F1 "
            f"{score.notes.f1:.3f}, staff F1 {score.staves.f1:.3f}."
        )
    text = found.read["text-only"].total
    lines.append(
        f"- Pages of text only ({text.pages}): {text.staves.spurious} false staves, "
        f"{text.notes.spurious} false notes."
    )
    empty = found.read["empty-staves"].total
    lines.append(
        f"- Staves without notes ({empty.pages} pages): {empty.staves.missed} staves missed, "
        f"{empty.staves.spurious} false, {empty.notes.spurious} false notes."
    )
    for name, score in sorted(found.wear.items(), key=lambda item: -item[1].corrections_per_100)[:2]:
        lines.append(
            f"- Among full staves, pages with *{name}*: {score.corrections_per_100:.1f} corrections per 100 notes "
            f"({score.pages} pages)."
        )
    return "\n".join(lines)


def _advice(found: Evaluation) -> str:
    total = found.read[_FULL].total
    notes = total.notes.hit + total.notes.missed
    counts = count_causes(found, GROUPS[_FULL])
    rows = [
        (cause, str(count), f"{100 * count / max(1, notes):.2f}", ADVICE[cause])
        for cause, count in counts.most_common()
    ]
    lines = ["## What mistakes go back to", "", f"Full staves, {notes} notes and the signs between them.", ""]
    lines.append(_table(("cause", "mistakes", "per 100 notes", "what would help"), rows))
    lines += ["", "The three changes that would help most:", ""]
    lines += [
        f"{i}. {ADVICE[cause]} ({count} mistakes)"
        for i, (cause, count) in enumerate(counts.most_common(3), 1)
    ]
    return "\n".join(lines)


def _kinds(found: Evaluation) -> str:
    parts = ["## By kind of page", "", "A dash: nothing on those pages to measure it by."]
    for group, kinds in GROUPS.items():
        columns = [*kinds, group]
        names = [n for n in _BY_KIND if any(base(n, found.read[k].total) for k in kinds)]
        if group == "one or two coloured lines":
            names = [*names, "in range"]
        rows = [(n, *(_span(found.read[k], n) for k in columns)) for n in names]
        parts += ["", f"### {group.capitalize()}", "", _table(("", *kinds, "all of these"), rows)]
    parts += ["", _TERMS]
    return "\n".join(parts)


_TERMS: Final = (
    "*Note F1*: centre within half a space. *Label*: right name among the notes found, punctum and virga "
    "counted as one. *Step*: right line or space among them. *Melody error*: edit distance of the pitch sequence "
    "over its length, every note under a wrong clef counted; where pitch is a range, the best degree counts. "
    "*In range*: the true degree is among those left open. *Clef F1*: letter and line. *Flat F1*: flats and "
    "naturals. *Hands-off*: see below."
)


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
    return "## What the joint decision buys\n\n" + _table(head, rows)


def _operating(found: Evaluation) -> str:
    pages = list(found.read[_FULL].pages.values())
    outcomes = [o for page in pages for o in page.outcomes]
    missed = sum(page.notes.missed for page in pages)
    rows = []
    for level in _LEVELS:
        taken = [o for o in outcomes if o.note_p >= level]
        wrong = sum(not o.note_right for o in taken)
        share = len(taken) / max(1, len(outcomes) + missed)
        rows.append((f"{level:.2f}", f"{100 * share:.1f} %", f"{100 * wrong / max(1, len(taken)):.2f} %"))
    crossed = cross_checked(pages)
    best = hands_off_share([(o.note_p, o.note_right) for o in outcomes], missed=missed)
    return "\n".join(
        [
            "## How much can be taken unseen",
            "",
            "For a lab: every note comes with a confidence, the product of how sure the reader is of its name, of "
            "its line or space, and of the clef it stands under. Choose a level; notes at or above it are taken as "
            "they are, all others are looked at. The higher the level, the fewer wrong notes slip through and the "
            "more there is to look at. Notes the reader missed have no confidence: only a look at the page finds "
            f"them ({missed} of {missed + sum(p.notes.hit for p in pages)} here).",
            "",
            _table(("level", "of all notes taken unseen", "of those wrong"), rows),
            "",
            f"Hands-off share at half a percent of error: **{100 * best:.1f} %** with the level chosen on these very "
            f"pages. Chosen on one half of the pages and used on the other: {100 * crossed[0]:.1f} % taken, "
            f"{100 * crossed[1]:.2f} % of them wrong. The second figure is the one to plan with.",
        ]
    )


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
    words = "Full staves; a page may fall into several classes."
    return f"## By state of the page\n\n{words}\n\n" + _table(("", "pages", *names), rows)


def _confusions(found: Evaluation) -> str:
    table = found.read[_FULL].total.confusion
    cells = [
        (count, true or "(nothing)", read or "(nothing)")
        for true, row in table.items()
        for read, count in row.items()
        if true != read
    ]
    rows = [(true, read, str(count)) for count, true, read in sorted(cells, key=lambda c: -c[0])[:14]]
    return "## Commonest confusions, full staves\n\n" + _table(("there is", "read", "times"), rows)


def _baselines(found: Evaluation) -> str:
    if found.baseline is None:
        return ""
    ours, seen = found.read[_FULL].total, found.undecided[_FULL].total
    names = ("note F1", "label", "step", "clef F1", "custos F1", "flat F1", "melody error")
    rows = [
        ("this reader", *(shown(n, ours) for n in names)),
        ("without the joint decision", *(shown(n, seen) for n in names)),
        ("classical: gradients and nearest neighbour", *(shown(n, found.baseline) for n in names)),
        ("every note a punctum", "-", f"{majority_share(ours):.3f}", *(["-"] * (len(names) - 2))),
    ]
    words = (
        "Full staves, the same pages. The classical reader is given the staves found by ours; it cuts connected ink "
        "free of lines, describes it by oriented gradients and takes the name of the nearest piece of 15 training "
        "pages."
    )
    return f"## Against simple readers\n\n{words}\n\n" + _table(("", *names), rows)


def _leaves(found: Evaluation) -> str:
    if not found.leaves:
        return "## Real leaves\n\nNone were at hand for this run."
    lines = ["## Real leaves", "", "Photographs; never trained on. Few, so these figures are coarse.", ""]
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


def _how(found: Evaluation) -> str:
    return "\n".join(
        [
            "## Having these figures again",
            "",
            f"`make evaluate` (or `python -m neumary_training.evaluation --pages {found.pages}`) draws the same pages "
            "again from their seeds (the test part of `neumary_training.data.page_seed`), reads them and writes this "
            "file. In the output folder lie the pages with their truth, what was read, `figures.json`, "
            "`report.html` and `failures.jpg` with pictures of the worst places. `neumary score OUT/read OUT/truth` "
            "scores them by hand, `--against` compares two runs page by page.",
        ]
    )
