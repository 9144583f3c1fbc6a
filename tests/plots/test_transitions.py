from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot as plt
from matplotlib.collections import QuadMesh

from sidewall.errors import DataError, NotFittedError
from sidewall.plots import plot_transitions
from sidewall.plots.style import luminance
from sidewall.rallies import BallStates, RallyChain
from sidewall.simulate import draw_players, round_robin, simulate_shots


@pytest.fixture(scope="module")
def chain():
    players = draw_players(["Rowan", "Hazel", "Alder", "Cedar"], np.random.default_rng(2))
    shots = simulate_shots(players, round_robin(4, 3), rng=3)
    return RallyChain(BallStates(bands_m=(0.3, 0.6))).fit(shots)


def draw(chain, *given, **more):
    return plot_transitions(chain, *given, **({"draws": 20} | more))


def shares(ax):
    """What the cells show."""
    blocks = [c for c in ax.collections if isinstance(c, QuadMesh)]
    (block,) = blocks
    cells = np.ma.filled(block.get_array(), np.nan).reshape(
        block.get_coordinates().shape[0] - 1, -1
    )
    return cells[:, ~np.isnan(cells).all(axis=0)]  # without the gap before the ends


def written(ax):
    """Numbers in the cells."""
    return [t for t in ax.texts if t.get_text() and not hasattr(t, "xyann")]


def names(labels):
    return [label.get_text() for label in labels]


def beside(ax, at):
    """Words that stand so many points behind the rows, from top to bottom."""
    found = [t for t in ax.texts if hasattr(t, "xyann") and t.xyann == (at, 0)]
    return [t.get_text() for t in sorted(found, key=lambda t: t.xy[1])]


@pytest.mark.filterwarnings("error")
def test_a_log_of_serves_alone_leaves_nobody_a_ball():
    players = draw_players(["Rowan", "Hazel"], np.random.default_rng(2))
    shots = simulate_shots(players, round_robin(2, 2), rng=3)
    serves = shots[shots["shot"] == 1].copy()
    serves["ending"] = pd.Categorical(["winner"] * len(serves), shots["ending"].cat.categories)
    serves["rally_won_by"] = serves["player"]
    ax = draw(RallyChain().fit(serves))
    assert shares(ax).shape[1] == 3  # the ends
    assert [c.get_array().size for c in ax.collections if isinstance(c, QuadMesh)] == [
        shares(ax).size
    ]


def test_cells_are_the_transition_rows_without_empty_columns(chain):
    ax = draw(chain)
    shown = shares(ax)
    matrix = chain.transition_
    assert matrix["serve"].sum() == 0
    np.testing.assert_allclose(shown, matrix.drop(columns="serve"))
    np.testing.assert_allclose(shown.sum(axis=1), 1.0)
    assert names(ax.get_xticklabels())[-3:] == ["won", "lost", "let"]
    assert names(ax.get_yticklabels())[:2] == ["serve", "0–30 cm"]


def test_of_one_player(chain):
    ax = draw(chain, "Hazel")
    rows = chain.rows_[chain.players_.index("Hazel")]
    np.testing.assert_allclose(shares(ax), np.delete(rows, 0, axis=1))
    own = chain.pair("Hazel")["n_shots"]
    assert beside(ax, 34) == [f"{n:,}" for n in own]
    assert ax.get_title(loc="left").startswith("Hazel: ")


def test_every_row_says_its_n_and_how_far_off_it_may_be(chain):
    ax = draw(chain, draws=60)
    assert beside(ax, 34) == [f"{n:,}" for n in chain.visits_]
    off = dict(zip(chain.states_, map(int, beside(ax, 62)), strict=True))
    often, seldom = chain.visits_.idxmax(), chain.visits_.idxmin()
    assert 0 < off[often] < off[seldom]
    # half of a 95% interval of the commonest cell, were its counts binomial
    n, p = chain.visits_[seldom], chain.transition_.loc[seldom].max()
    assert off[seldom] == pytest.approx(196 * np.sqrt(p * (1 - p) / n), rel=0.5)


def test_numbers_where_they_can_be_read(chain):
    ax = draw(chain, annotate_from=0.1)
    matrix = chain.transition_.drop(columns="serve").to_numpy()
    inside = written(ax)
    wanted = (matrix[:, :-3] >= 0.1).sum() + (matrix[:, -3:] >= 0.005).sum()
    assert len(inside) == wanted
    for text in inside:
        x, y = text.get_position()
        column = int(x) if x < matrix.shape[1] - 3 else int(x - 1.0)
        assert text.get_text() == f"{100 * matrix[int(y), column]:.0f}"
    _, small = plt.subplots(figsize=(2, 2))
    assert not written(draw(chain, ax=small))


def test_darker_is_likelier_in_grey(chain):
    ax = draw(chain)
    block = next(c for c in ax.collections if isinstance(c, QuadMesh))
    values = np.sort(block.get_array().compressed())
    grey = [luminance(colour[:3]) for colour in block.to_rgba(values)]
    assert (np.diff(grey) <= 1e-12).all()
    assert grey[0] - grey[-1] > 0.2


def test_names_of_a_rule_of_ones_own(chain):
    def rule(table):
        return table["stroke"].astype(object).astype("category")

    own = RallyChain(rule).fit(chain.moves().table)
    ax = draw(own)
    met = list(own.visits_[own.visits_ > 0].index)
    assert names(ax.get_yticklabels()) == met


def test_long_names_and_dollar_signs(chain):
    def rule(table):
        loose = np.where(table["gap_m"] > 0.5, "$" + "n" * 60 + "$", r"$\foo")
        return pd.Series(loose, index=table.index).astype("category")

    ax = draw(RallyChain(rule).fit(chain.moves().table))
    ax.figure.canvas.draw()
    shown = names(ax.get_yticklabels())
    assert [name.replace("\\$", "$") for name in shown] == [r"$\foo", "$" + "n" * 21 + "…"]
    for label in ax.get_yticklabels():
        assert label.get_window_extent().x0 >= 0


def test_words_do_not_overlap(chain):
    ax = draw(chain)
    ax.figure.canvas.draw()
    outside = [t for t in ax.texts if hasattr(t, "xyann")]
    outside += [ax._left_title, *ax.get_xticklabels(), *ax.get_yticklabels()]
    turned = [t.get_window_extent() for t in outside if t.get_text()]
    for i, one in enumerate(turned):
        assert not any(one.overlaps(two) for two in turned[i + 1 :])
        assert one.x0 >= 0
        assert one.x1 <= ax.figure.bbox.width
        assert one.y1 <= ax.figure.bbox.height


def test_refusals(chain):
    with pytest.raises(NotFittedError):
        plot_transitions(RallyChain())
    with pytest.raises(DataError, match=r"'Yew'.*Rowan"):
        draw(chain, "Yew")
