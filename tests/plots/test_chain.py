from __future__ import annotations

import re

import numpy as np
import pytest
from matplotlib import pyplot as plt
from matplotlib.patches import Circle, FancyArrowPatch

from sidewall.errors import DataError, NotFittedError
from sidewall.plots import plot_chain
from sidewall.plots.style import luminance
from sidewall.rallies import BallStates, LooseBall, RallyChain
from sidewall.simulate import draw_players, round_robin, simulate_shots

STATES = BallStates(bands_m=(0.3, 0.6))
TIGHT, LOOSE = "backhand ground 0-30 cm", "backhand ground 60+ cm"


@pytest.fixture(scope="module")
def shots():
    players = draw_players(["Rowan", "Hazel", "Alder", "Cedar"], np.random.default_rng(2))
    return simulate_shots(players, round_robin(4, 3), rng=3)


@pytest.fixture(scope="module")
def chain(shots):
    return RallyChain(STATES).fit(shots)


def draw(chain, *given, **more):
    return plot_chain(chain, *given, **({"draws": 20} | more))


def words(ax):
    return [text.get_text() for text in ax.texts]


def circles(ax):
    """Circles of balls and ends, by the words inside, not by their place alone."""
    found = [patch for patch in ax.patches if isinstance(patch, Circle)]
    return {tuple(np.round(circle.center, 6)): circle for circle in found}


def arrows(ax):
    found = [patch for patch in ax.patches if isinstance(patch, FancyArrowPatch)]
    return {tuple(arrow.get_label().removeprefix("_").split(" -> ")): arrow for arrow in found}


def circle_of(ax, side, band_row):
    """Circles on one side of the court from front to back."""
    here = [c for c in circles(ax).values() if (c.center[0] < 3.0) == (side == "backhand")]
    balls = sorted((c for c in here if c.center[1] > 1.2), key=lambda c: c.center[1])
    return balls[band_row]


def test_a_circle_a_ball_as_far_from_the_wall_as_its_balls(chain, shots):
    court, _ = draw(chain)
    mean = shots[(shots["side"] == "backhand") & (shots["contact"] == "after_bounce")]
    mean = mean[mean["gap_m"] < 0.3]["gap_m"].mean()
    tightest = circle_of(court, "backhand", -1)
    assert tightest.center[0] == pytest.approx(mean, abs=0.02)
    forehand = circle_of(court, "forehand", -1)
    assert 6.4 - 0.3 < forehand.center[0] < 6.4


def test_volleys_stand_in_front_of_the_short_line(chain):
    court, _ = draw(chain)
    rows = [circle_of(court, "backhand", k).center[1] for k in range(6)]
    assert max(rows[:3]) < 5.49 < min(rows[3:])


def test_circles_do_not_overlap_and_stay_readable(chain):
    for made in (chain, RallyChain().fit(chain.moves().table)):
        court, _ = draw(made)
        found = list(circles(court).values())
        for i, one in enumerate(found):
            assert one.radius > 0.15
            for two in found[i + 1 :]:
                apart = np.hypot(*np.subtract(one.center, two.center))
                assert apart >= one.radius + two.radius - 1e-6


def test_the_oftener_a_ball_is_met_the_larger(chain):
    court, _ = draw(chain)
    largest = max(circles(court).values(), key=lambda c: c.radius)
    assert chain.visits_.idxmax() == TIGHT
    assert largest is circle_of(court, "backhand", -1)


def test_worth_is_written_and_shaded(chain):
    court, _ = draw(chain)
    worth = chain.win_probability_
    tight, loose = circle_of(court, "backhand", -1), circle_of(court, "backhand", 3)
    assert worth[LOOSE] > worth[TIGHT]
    assert luminance(loose.get_facecolor()[:3]) < luminance(tight.get_facecolor()[:3]) - 0.05
    inside = {t.get_position(): t.get_text() for t in court.texts}
    assert inside[tuple(loose.center)] == f"{100 * worth[LOOSE]:.0f}"


@pytest.mark.parametrize(("strongest", "least"), [(2, 0.1), (1, 0.0), (3, 0.2)])
def test_arrows_are_the_likeliest_of_each_ball(chain, strongest, least):
    court, _ = draw(chain, strongest=strongest, least=least)
    drawn = arrows(court)
    expected = set()
    for state, row in chain.transition_.drop(columns="let").iterrows():
        top = row.sort_values(ascending=False, kind="stable").head(strongest)
        expected |= {(state, end) for end, chance in top.items() if chance >= least}
    assert set(drawn) == expected


def test_weak_arrows_fade(chain):
    drawn = arrows(draw(chain, strongest=4, least=0.02)[0])
    chances = {pair: chain.transition_.loc[pair] for pair in drawn}
    weak, strong = min(chances, key=chances.get), max(chances, key=chances.get)
    assert drawn[weak].get_alpha() < 0.6 * drawn[strong].get_alpha()
    assert drawn[weak].get_linewidth() < 0.6 * drawn[strong].get_linewidth()


def test_one_balls_arrows_say_their_chance_and_interval(chain):
    court, _ = draw(chain, start=LOOSE)
    drawn = arrows(court)
    assert {start for start, _ in drawn} == {LOOSE}
    assert len(drawn) > 2
    said = [re.fullmatch(r"(\d+)% \((\d+)–(\d+)\)", text) for text in words(court)]
    said = sorted(int(found[1]) for found in said if found)
    assert said == sorted(round(100 * chain.transition_.loc[pair]) for pair in drawn)


def test_the_table_says_worth_length_interval_and_n(chain):
    _, table = draw(chain)
    values = chain.state_values(draws=20)
    said = words(table)
    for _, row in values.iterrows():
        win = [100 * row[f"win_probability{end}"] for end in ("", "_low", "_high")]
        assert "{:.0f} ({:.0f}–{:.0f})".format(*win) in said
        left = [row[f"expected_shots{end}"] for end in ("", "_low", "_high")]
        assert "{:.1f} ({:.1f}–{:.1f})".format(*left) in said
        assert f"{int(row['n_shots']):,}" in said
    assert "Backhand volley" in said
    assert said.count("30–60 cm") == 4


def test_of_one_player(chain):
    court, table = draw(chain, "Hazel")
    own = chain.pair("Hazel")
    for state in (TIGHT, LOOSE):
        assert f"{own.loc[state, 'n_shots']:,}" in words(table)
    written = [text for text in words(table) if "–" in text and "(" in text and "." not in text]
    for words_of_row, (_, row) in zip(written, own.iterrows(), strict=True):
        at, low, high = map(int, re.findall(r"\d+", words_of_row))
        assert at == round(100 * row["win_probability"])
        assert low <= at <= high
        assert low < high
    assert court.figure._suptitle.get_text().startswith("Hazel: where")
    assert (
        f"{own['n_shots'].sum():,} shots of the player's own"
        in court.figure._supxlabel.get_text().replace("\n", " ")
    )


def test_names_that_tell_no_place_stand_on_a_ring(shots):
    def rule(table):
        before = table["stroke"].shift(1).astype(object)
        return before.where(table["shot"] > 1, "start").astype("category")

    chain = RallyChain(rule).fit(shots)
    court, table = draw(chain)
    met = chain.visits_[chain.visits_ > 0].index
    assert set(met) <= set(words(court))
    assert set(met) <= set(words(table))
    away = [np.hypot(*c.center) for c in circles(court).values() if np.hypot(*c.center) > 1]
    assert np.ptp(away) == pytest.approx(0)
    assert len(away) == len(met)
    assert "to scale" not in court.figure._supxlabel.get_text()


def test_without_contact_and_with_tight_or_loose(shots):
    chain = RallyChain(BallStates(loose=LooseBall())).fit(shots.drop(columns="contact"))
    court, table = draw(chain)
    assert {"Backhand, all strokes", "tight", "loose"} <= set(words(table))
    assert not any("olley" in text for text in [*words(court), *words(table)])


def test_axes_given_are_drawn_into(chain):
    _, ax = plt.subplots()
    assert draw(chain, ax=ax) is ax
    assert ax.get_title(loc="left")
    _, pair = plt.subplots(1, 2)
    court, table = draw(chain, ax=pair)
    assert court is pair[0]
    assert table is pair[1]
    with pytest.raises(DataError, match="3 given"):
        draw(chain, ax=plt.subplots(1, 3)[1])


def test_the_table_below_for_a_narrow_screen(chain):
    court, table = draw(chain, table="below")
    court.figure.canvas.draw()
    assert table.get_position().y1 < court.get_position().y0
    with pytest.raises(DataError, match="'above'"):
        draw(chain, table="above")


@pytest.mark.parametrize("table", ["beside", "below"])
def test_words_stay_inside_and_table_cells_apart(chain, table):
    court, rows = draw(chain, table=table)
    figure = court.figure
    figure.canvas.draw()
    boxes = [t.get_window_extent() for t in rows.texts]
    for i, one in enumerate(boxes):
        assert not any(one.overlaps(two) for two in boxes[i + 1 :])
    for box in [*boxes, *(t.get_window_extent() for t in court.texts)]:
        assert box.x0 >= 0
        assert box.x1 <= figure.bbox.width


def test_refusals(chain):
    with pytest.raises(NotFittedError):
        plot_chain(RallyChain())
    with pytest.raises(DataError, match=r"'Yew'.*Rowan"):
        draw(chain, "Yew")
    with pytest.raises(DataError, match="no ball 'lob'"):
        draw(chain, start="lob")
