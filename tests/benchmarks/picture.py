"""Draw a recorded run of the benchmarks: ``python picture.py RUN.json OUT.png``."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pandas as pd

from sidewall.plots.style import INK, QUIET, dress, look

MARKS = ("o", "s", "^", "D", "v", "P")


def draw(run: Path, out: Path) -> None:
    """Time by size on the left; on the right how much longer the other way takes."""
    mpl.use("Agg")
    from matplotlib import pyplot as plt  # noqa: PLC0415

    kept = json.loads(run.read_text(encoding="utf-8"))
    steps, pairs = (pd.DataFrame(kept[name]) for name in ("steps", "side_by_side"))
    with look():
        figure, (left, right) = plt.subplots(1, 2, figsize=(11.0, 5.2), layout="constrained")
        for mark, (step, one) in zip(MARKS, steps.groupby("step", sort=False), strict=False):
            rows = one.sort_values("shots")
            left.plot(rows["shots"], rows["best_s"], marker=mark, label=step)
        left.set(xscale="log", yscale="log", xlabel="shots", ylabel="seconds, best round")
        left.set_title("time by size of the log", loc="left")
        left.legend(frameon=False, loc="upper center", bbox_to_anchor=(0.5, -0.16), ncols=2)
        dress(left, "both")
        pairs = pairs.sort_values(["pair", "shots"], ascending=False, ignore_index=True)
        ratio = pairs["other_s"] / pairs["ours_s"]
        right.hlines(pairs.index, np.minimum(ratio, 1.0), np.maximum(ratio, 1.0), color=QUIET)
        right.plot(ratio, pairs.index, "o", color=INK)
        for k, value in enumerate(ratio):
            right.annotate(
                f"{value:,.0f}" if value >= 10.0 else f"{value:.2f}",
                (max(value, 1.0), k),
                (6, 0),
                textcoords="offset points",
                va="center",
                color=INK,
            )
        right.set_yticks(
            pairs.index,
            [
                f"{pair.split(' | ')[0]}, {shots:,} shots | {pair.split(' | ')[1]}"
                for pair, shots in zip(pairs["pair"], pairs["shots"], strict=True)
            ],
        )
        right.axvline(1.0, color=INK, linewidth=1)
        right.set(xscale="log", xlabel="time of the other way over ours")
        right.margins(x=0.3)
        right.set_title("the same answer another way", loc="left")
        dress(right, "x")
        figure.savefig(out, dpi=110)


if __name__ == "__main__":
    draw(Path(sys.argv[1]), Path(sys.argv[2]))
