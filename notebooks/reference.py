"""Make the reference of the package, with a gallery: a picture of every plot function.

``python notebooks/reference.py folder`` needs the extra ``docs``. The pictures are drawn from
few draws, to show what there is and not to be read for their numbers.
"""

from __future__ import annotations

import html
import inspect
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib import pyplot as plt

import sidewall as sw
from sidewall import plots
from sidewall.decisions import decisions
from sidewall.plots import plot_calibration_ranks
from sidewall.trust import check_ranks

PLAYER: Final = "Rowan"
COMBINATION: Final = sw.Combination.built_in("length then volley")
STYLE: Final = (
    "body{font:16px/1.4 sans-serif;margin:1rem;max-width:75rem}"
    "main{display:grid;gap:1.5rem;grid-template-columns:repeat(auto-fill,minmax(20rem,1fr))}"
    "img{max-width:100%;border:1px solid #ccc}figure{margin:0}"
)


def club() -> tuple[pd.DataFrame, sw.TightnessModel]:
    """The log of the made-up club, and a quick fit to it."""
    folder = sw.simulate.synthetic_data_folder()
    tables = {name: folder / f"{name}.csv" for name in ("players", "matches")}
    shots = sw.read_shots(folder / "ladder.csv", on_refused="ignore", **tables)
    return shots, sw.TightnessModel(draws=200).fit(shots)


def drill() -> pd.DataFrame:
    """Balls hit at the back left target."""
    rng = np.random.default_rng(1)
    places = {"bounce_x": rng.uniform(0.0, 1.2, 60), "bounce_y": rng.normal(8.3, 0.5, 60)}
    return sw.read_practice(pd.DataFrame({"session": "May", **places, "target": "back left"}))


def pictures(shots: pd.DataFrame, model: sw.TightnessModel) -> dict[str, Callable[[], Any]]:
    """How each plot function is called, by its name."""
    chain = sw.RallyChain(sw.BallStates(bands_m=(0.3, 0.6))).fit(shots)
    margin = sw.TinMargin().fit(shots)
    twice = shots[shots["match"].isin(shots["match"].cat.categories[:2])]
    again = sw.simulate.second_charter(twice, seed=1)
    before, after = sw.matches_by_date(shots, PLAYER, "2026-01-25")
    ranks = check_ranks(np.random.default_rng(1).integers(0, 100, 400), 99)
    return {
        "plot_agreement": lambda: sw.plot_agreement(sw.Agreement(draws=100).fit(twice, again)),
        "plot_aim": lambda: sw.plot_aim(margin, PLAYER, "drive", "backhand"),
        "plot_calibration": lambda: sw.plot_calibration(model.diagnostics(folds=2)),
        "plot_calibration_ranks": lambda: plot_calibration_ranks(ranks),
        "plot_chain": lambda: sw.plot_chain(chain, PLAYER, draws=50),
        "plot_comfort": lambda: sw.plot_comfort(model, PLAYER),
        "plot_court": sw.plot_court,
        "plot_decisions": lambda: sw.plot_decisions(decisions(shots, model), PLAYER),
        "plot_effects": lambda: sw.plot_effects(COMBINATION.effect(shots)),
        "plot_front_wall": sw.plot_front_wall,
        "plot_front_wall_hits": lambda: sw.plot_front_wall_hits(margin, PLAYER, "drive"),
        "plot_funnel": lambda: sw.plot_funnel(COMBINATION, shots, PLAYER),
        "plot_match_win_probability": sw.plot_match_win_probability,
        "plot_overlap": lambda: sw.plot_overlap(sw.choice_overlap(shots, PLAYER)),
        "plot_placement": lambda: sw.plot_placement(shots, PLAYER, "back left"),
        "plot_practice": lambda: sw.plot_practice(drill(), "back left"),
        "plot_progress": lambda: sw.plot_progress(
            sw.compare_periods(shots, PLAYER, before, after, measures=["on target"])
        ),
        "plot_rally": lambda: sw.plot_rally(chain, "w1m1", 1, 1, shots=shots),
        "plot_repeat": lambda: sw.plot_repeat(sw.RepeatOrVary().fit(shots), PLAYER),
        "plot_sequence": lambda: sw.plot_sequence(COMBINATION),
        "plot_shot_map": lambda: sw.plot_shot_map(model, PLAYER, "forehand", "ground"),
        "plot_threshold": lambda: sw.plot_threshold(model, PLAYER),
        "plot_thresholds_by": lambda: sw.plot_thresholds_by(model, PLAYER, "balance"),
        "plot_transitions": lambda: sw.plot_transitions(chain, PLAYER, draws=50),
        "plot_work_list": lambda: sw.plot_work_list(
            sw.work_list(shots, model, PLAYER, draws=100)
        ),
        "plot_worth": lambda: sw.plot_worth(sw.PlacementWorth().fit(shots), PLAYER),
        "plot_zone_map": lambda: sw.plot_zone_map(shots, PLAYER),
    }


def first_line(name: str) -> str:
    """What a plot function draws, in its own words."""
    doc = inspect.getdoc(getattr(plots, name)) or ""
    return doc.split("\n\n")[0].replace("\n", " ")


def gallery(folder: Path) -> Path:
    """Draw every picture into a folder, and write the page that shows them."""
    mpl.use("agg")
    folder.mkdir(parents=True, exist_ok=True)
    calls, figures = pictures(*club()), []
    if missing := set(plots.__all__) - set(calls):
        sys.exit(f"The gallery has no call of {', '.join(sorted(missing))}; add it to pictures().")
    for name, draw in calls.items():
        drawn = draw()
        (drawn if isinstance(drawn, plt.Axes) else drawn.flat[0]).figure.savefig(
            folder / f"{name}.png", dpi=110
        )
        plt.close("all")
        words = html.escape(first_line(name))
        figures.append(
            f'<figure id="{name}"><a href="{name}.png"><img src="{name}.png" alt="{words}"></a>'
            f"<figcaption><code>{name}</code><br>{words}</figcaption></figure>"
        )
    page = folder / "gallery.html"
    page.write_text(
        f'<!doctype html><html lang="en"><meta charset="utf-8"><title>Pictures</title>'
        f'<meta name="viewport" content="width=device-width"><style>{STYLE}</style>'
        f'<h1>Pictures</h1><p><a href="sidewall.html">Reference</a></p>'
        f"<main>{''.join(figures)}</main></html>",
        encoding="utf-8",
    )
    return page


def reference(folder: Path) -> None:
    """Write the pages of the package and its parts from their docstrings."""
    from pdoc import pdoc, render  # noqa: PLC0415 - the gallery can do without

    render.configure(docformat="numpy", show_source=False, search=False)
    pdoc("sidewall", output_directory=folder)


if __name__ == "__main__":
    target = Path(sys.argv[1])
    reference(target)
    gallery(target)
