from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot as plt

from sidewall.errors import DataError, NotFittedError
from sidewall.features import rally_table
from sidewall.plots import plot_rally
from sidewall.rallies import BallStates, RallyChain
from sidewall.simulate import draw_players, round_robin, simulate_shots


@pytest.fixture(scope="module")
def shots():
    players = draw_players(["Rowan", "Hazel", "Alder", "Cedar"], np.random.default_rng(2))
    return simulate_shots(players, round_robin(4, 3), rng=3)


@pytest.fixture(scope="module")
def chain(shots):
    return RallyChain(BallStates(bands_m=(0.3, 0.6))).fit(shots)


@pytest.fixture(scope="module")
def rally(shots):
    """A decided rally of eight to twelve shots."""
    table = rally_table(shots)
    return table[table["shots"].between(8, 12) & table["winner"].notna()].iloc[0]


def draw(chain, rally, **more):
    return plot_rally(chain, rally["match"], rally["game"], rally["rally"], **more)


def lines(ax, prefix):
    found = [line for line in ax.lines if line.get_label().startswith(f"_{prefix}")]
    return sorted(found, key=lambda line: line.get_ydata()[0])


def dots(ax):
    return [float(line.get_xdata()[0]) for line in lines(ax, "before")]


def written(ax, row):
    """Words in the margins of a row, from left to right."""
    here = [t for t in ax.texts if hasattr(t, "xyann") and t.xy[1] == row and t.xyann[1] == 0]
    here.sort(key=lambda t: (t.xyann[0] > 0, t.xyann[0]))
    return [t.get_text() for t in here]


def own_shots(chain, rally):
    table = chain.shot_values(measure="pair")
    at = [table[key].astype(str) == str(rally[key]) for key in ("match", "game", "rally")]
    return table[at[0] & at[1] & at[2]]


def test_dots_are_the_servers_chance_before_every_shot(chain, rally):
    table = own_shots(chain, rally)
    serves = (table["player"] == rally["server"]).to_numpy()
    before = table["value_before"].to_numpy()
    assert dots(draw(chain, rally)) == pytest.approx(100 * np.where(serves, before, 1 - before))
    turned = dots(draw(chain, rally, player=str(rally["receiver"])))
    assert turned == pytest.approx(100 * np.where(serves, 1 - before, before))


def test_it_ends_at_one_or_none(chain, rally):
    for player in (str(rally["server"]), str(rally["receiver"])):
        ax = draw(chain, rally, player=player)
        (end,) = lines(ax, "end")
        assert list(end.get_xdata()) == [100.0 if player == rally["winner"] else 0.0]
        assert list(end.get_ydata()) == [rally["shots"]]
        path = lines(ax, "shot")
        assert [line.get_xdata()[0] for line in path] == dots(ax)
        assert path[-1].get_xdata()[1] == end.get_xdata()[0]
        assert written(ax, rally["shots"])[0].startswith(f"{rally['winner']} wins: ")


def test_every_row_names_striker_stroke_chance_interval_and_n(chain, rally):
    ax = draw(chain, rally)
    intervals = lines(ax, "interval")
    for k, (_, shot) in enumerate(own_shots(chain, rally).iterrows()):
        number, name, told, chance, n = written(ax, k)
        assert (number, name) == (str(k + 1), shot["player"])
        stroke = str(shot["stroke"]).replace("_", " ")
        if k == 0:
            assert told == "serve"
        else:
            assert stroke in told
            assert told.startswith(str(shot["side"]))
            assert ("volley" in told) == (shot["contact"] == "volley")
            assert told.endswith(f"{100 * shot['gap_m']:.0f} cm")
        low, high = sorted(intervals[k].get_xdata())
        assert low < dots(ax)[k] < high
        assert chance == f"{dots(ax)[k]:.0f} ({low:.0f}–{high:.0f})"
        assert n == f"{chain.visits_[shot['state']]:,}"


def test_grey_tells_the_players_apart(chain, rally):
    ax = draw(chain, rally)
    first, second = lines(ax, "before")[:2]
    assert first.get_marker() != second.get_marker()
    assert first.get_markerfacecolor() != second.get_markerfacecolor()
    first, second = lines(ax, "shot")[:2]
    assert first.get_linestyle() != second.get_linestyle()


def test_a_let_has_no_result(chain, shots):
    table = rally_table(shots)
    let = table[table["ending"] == "let"].iloc[0]
    ax = draw(chain, let)
    assert written(ax, let["shots"]) == ["let: played again"]
    assert not lines(ax, "end")


def test_a_ball_without_a_gap_has_a_chance_and_no_count(shots, rally):
    key = [(shots[name] == rally[name]) for name in ("match", "game", "rally")]
    holed = shots.copy()
    holed.loc[key[0] & key[1] & key[2] & (shots["shot"] == 3), "gap_m"] = np.nan
    chain = RallyChain(BallStates(bands_m=(0.3,))).fit(holed)
    ax = draw(chain, rally)
    before = own_shots(chain, rally)["value_before"].iloc[2]
    assert dots(ax)[2] == pytest.approx(100 * before)  # shot 3 is the server's
    *_, chance, n = written(ax, 2)
    assert chance.startswith(f"{100 * before:.0f} (")
    assert n == "–"


def test_another_log(chain, shots, rally):
    key = [(shots[name] == rally[name]) for name in ("match", "game", "rally")]
    alone = shots[key[0] & key[1] & key[2]].assign(rally=99)
    again = pd.Series({**rally, "rally": 99})
    assert dots(draw(chain, again, shots=alone)) == pytest.approx(dots(draw(chain, rally)))


def test_nothing_is_cut_off_and_no_words_overlap(chain, rally):
    ax = draw(chain, rally)
    ax.figure.canvas.draw()
    boxes = [t.get_window_extent() for t in ax.texts if t.get_text()]
    for i, one in enumerate(boxes):
        assert not any(one.overlaps(two) for two in boxes[i + 1 :])
        assert one.x0 >= 0
        assert one.x1 <= ax.figure.bbox.width


def test_axes_given_have_a_title(chain, rally):
    _, ax = plt.subplots()
    assert draw(chain, rally, ax=ax) is ax
    assert ax.get_title(loc="left").startswith(f"{rally['server']} against {rally['receiver']}")


def test_refusals(chain, rally):
    match, game, number = rally["match"], rally["game"], rally["rally"]
    with pytest.raises(NotFittedError):
        plot_rally(RallyChain(), match, game, number)
    with pytest.raises(DataError, match="no match 'final'"):
        plot_rally(chain, "final", game, number)
    with pytest.raises(DataError, match="has no game 9"):
        plot_rally(chain, match, 9, number)
    with pytest.raises(DataError, match="has no rally 999"):
        plot_rally(chain, match, game, 999)
    with pytest.raises(DataError, match="'Yew' was not in this rally"):
        draw(chain, rally, player="Yew")
