"""Pictures of a run: loss curves, and how far stated probabilities can be trusted."""

from __future__ import annotations

from pathlib import Path

BLUE, ORANGE, GREY = "#0072B2", "#E69F00", "#999999"  # Okabe and Ito, colour-blind safe


def plot_run(history: list[dict[str, float]], curve: list[tuple[float, float, int]], path: Path) -> None:
    """Loss curves and reliability diagram on one picture.

    Parameters
    ----------
    history : list of dict
        Rows of a run's log: parts of the loss each 100 steps, "held_out" at each look.
    curve : list of (float, float, int)
        Mean stated confidence, share right, count; one row a bin.
    path : Path
        PNG to write.
    """
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    figure, (left, right) = plt.subplots(1, 2, figsize=(10, 4))
    rows = [row for row in history if "heat" in row]
    for name in ("heat", "label", "shift", "starts"):
        left.plot([row["step"] for row in rows], [row[name] for row in rows], label=name, linewidth=1)
    checks = [row for row in history if "held_out" in row]
    left.plot(
        [row["step"] for row in checks],
        [row["held_out"] for row in checks],
        "k--",
        label="held out, all parts",
    )
    left.set_yscale("log")
    left.set_xlabel("step")
    left.set_ylabel("loss")
    left.legend(fontsize=8)
    right.plot([0, 1], [0, 1], color=GREY, linewidth=1)
    right.plot([row[0] for row in curve], [row[1] for row in curve], "o-", color=BLUE)
    for stated, true, count in curve:
        right.annotate(str(count), (stated, true), fontsize=7, textcoords="offset points", xytext=(4, -9))
    right.set_xlabel("stated confidence")
    right.set_ylabel("share right (held-out hands)")
    right.set_title("reliability, signs counted beside the points", fontsize=9)
    figure.tight_layout()
    figure.savefig(path, dpi=90, metadata={"Software": None})
    plt.close(figure)
