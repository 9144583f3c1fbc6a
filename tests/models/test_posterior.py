"""All that is read off the draws of models of hard logs, one ball, draw and table row at a time.

The draws themselves are tested elsewhere; here every chance, mix, count and table follows from
them by plain loops over the used shots.
"""

from collections import Counter
from itertools import product

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit, ndtri

import sidewall as sw
from sidewall.errors import DataError
from sidewall.models.answers import (
    CROSSES,
    NOT_KNOWN,
    rule_of,
    shots_to_settle,
    threshold_of,
)
from sidewall.models.carried import Carried, CarriedSums
from sidewall.models.correction import Correction, MissedSums
from sidewall.models.counted import usable_shots
from sidewall.models.posterior import at_gaps, crossings
from sidewall.rallies.strengths import Strengths
from sidewall.rallies.value import BallValue, gap_scale, outcomes

CHOICES, SIDES = ("attack", "reset"), ("forehand", "backhand")


def without(table, player, **cell):
    """The log in which a player's shots of a cell have no choice."""
    mine = table["player"] == player
    for name, word in cell.items():
        mine &= table[name] == word
    return table.assign(choice=table["choice"].mask(mine))


@pytest.fixture(scope="module")
def by_ball(hard_log):
    """Three players with shots of their own, everything told apart; Elm never attacks a volley
    on the backhand.
    """
    table = hard_log(201, 360)
    blank = table["family"].isna() & table["stroke"].ne("serve")
    table = table.assign(family=table["family"].mask(blank, "volley"))
    table["depth"] = table["depth"].fillna("back")
    table = without(table, "Elm", side="backhand", family="volley", choice="attack")
    return sw.TightnessModel(draws=60, situation=("depth", "balance"), seed=5).fit(table)


@pytest.fixture(scope="module")
def by_winner(hard_log):
    """By rally; strokes and families taken together, and nothing of the situation."""
    table = hard_log(202, 240).drop(columns="contact")
    model = sw.TightnessModel(outcome="rally", situation=(), strokes=False, draws=50)
    return model.fit(table.drop(columns=["family", "rally_id"]))


@pytest.fixture(scope="module", params=["ball", "winner"])
def hard(request, by_ball, by_winner):
    return {"ball": by_ball, "winner": by_winner}[request.param]


class Plain:
    """A fitted model's used shots in lists, and chances by loops over them."""

    def __init__(self, model):
        self.model, self.levels = model, model.situation_
        self.shots = []
        for shot in model.used_.to_dict("records"):
            told = [shot[c] if shot[c] in levels else None for c, levels in self.levels.items()]
            shot["cell"], shot["told"] = (shot["side"], shot["family"]), tuple(told)
            shot["kind"] = (*shot["told"], shot["choice"], shot["stroke"])
            shot["gap"] = round(shot["gap_m"] / 0.005) * 0.005
            self.shots.append(shot)
        self.cells = list(product(SIDES, model.families_))
        self.names = sorted({shot["player"] for shot in self.shots})
        self.grids = []
        for cell in self.cells:
            met = [shot["gap"] for shot in self.shots if shot["cell"] == cell]
            top = np.log1p(np.quantile(met, 0.99) / 0.25)
            self.grids.append(np.array([0.25 * np.expm1(top * k / 48) for k in range(49)]))
        self.known = {}

    def mine(self, player, cell):
        """Shots of a player, or of all, in a cell."""
        return [s for s in self.shots if s["cell"] == cell and player in (None, s["player"])]

    def weights(self, player, cell, choice, where, stroke):
        """Kinds of shot of a cell and choice, and the weight of each."""
        own, club = (
            Counter(
                key
                for s in self.mine(who, cell)
                for key in ((), s["told"], (*s["told"], s["choice"]), s["kind"])
            )
            for who in (player, None)
        )
        if not self.levels:  # the cell and its only situation are one
            own[()] //= 2
            club[()] //= 2
        kinds = sorted({s["kind"] for s in self.mine(None, cell)}, key=str)
        found = {}
        for kind in kinds:
            *told, chosen, struck = kind
            fits = all(told[k] == level for k, level in where.items())
            if chosen != choice or not fits or stroke not in (None, struck):
                continue
            ball = tuple(told)
            share = (own[ball] + 20 * club[ball] / club[()]) / (own[()] + 20)
            if stroke is None:
                n, of = own[kind], own[(*ball, choice)]
                share *= (n + 20 * club[kind] / club[(*ball, choice)]) / (of + 20)
            found[kind] = share
        total = sum(found.values())
        return {kind: share / total for kind, share in found.items()}

    def words(self, choice, cell, kind):
        """Words of a kind of shot."""
        key = choice, cell, kind
        if key not in self.known:
            *told, _, struck = kind
            row = {"side": cell[0], "stroke": struck, **dict(zip(self.levels, told, strict=True))}
            self.known[key] = self.model.curves_[choice].columns.words(pd.DataFrame([row]))[0]
        return self.known[key]

    def columns(self, cell, choice, gaps, words):
        """Common and own columns at some gaps, of one kind of ball or of one each."""
        side = {"forehand": -0.5, "backhand": 0.5}[cell[0]]
        volley = {"ground": -0.5, "volley": 0.5}.get(cell[1], 0.0)
        n = len(gaps)
        words = np.broadcast_to(words, (n, np.shape(words)[-1]))
        ball = np.asarray(gaps), np.full(n, side), np.full(n, volley), words
        columns = self.model.curves_[choice].columns
        return columns.common(*ball), columns.own(*ball)

    def eta(self, player, cell, choice, gaps, words, common, own):
        """Log odds of one kind of ball at some gaps, but for the lead; gaps first."""
        of_all, of_own = self.columns(cell, choice, gaps, words)
        found = of_all @ common.T
        return found if player is None else found + of_own @ own.T

    def missed(self, choice, gap):
        """What the value misses, a draw at a time; nothing by rally."""
        if self.model.outcome == "rally":
            return 0.0
        level, slope = self.model.corrections_.T[[0, 1] if choice == "reset" else [2, 3]]
        return level + slope * float(gap_scale(gap))

    def lead(self, player):
        """Lead of a player, its mean and its draws."""
        if player is None:
            return 0.0, 0.0
        k = self.names.index(player)
        return self.model.lead_[k], self.model.lead_[k] + self.model.lead_draws_[:, k]

    def win(self, player, cell, choice, gaps, where=None, stroke=None):
        """Draws of the chance, (draws, gaps): of the mean ball, and how the mix differs."""
        where = where or {}
        key = player, cell, choice, tuple(gaps), tuple(where.items()), stroke
        if key in self.known:
            return self.known[key]
        draws = self.model.curves_[choice].draws
        weight = self.weights(player, cell, choice, where, stroke)
        k = None if player is None else self.names.index(player)
        own = None if player is None else draws.own[k].astype(float)
        mean = draws.common.mean(axis=0), None if own is None else own.mean(axis=0)
        lead, drawn = self.lead(player)
        words = {kind: self.words(choice, cell, kind) for kind in weight}
        usual = sum(weight[kind] * words[kind] for kind in weight)
        if not weight:
            return np.full((len(draws.common), len(gaps)), np.nan)
        chance = expit(self.eta(player, cell, choice, gaps, usual, draws.common, own) + drawn)
        bend = -expit(self.eta(player, cell, choice, gaps, usual, *mean) + lead)
        for kind, share in weight.items():
            bend += share * expit(self.eta(player, cell, choice, gaps, words[kind], *mean) + lead)
        for k, gap in enumerate(gaps):
            chance[k] += self.missed(choice, gap) + bend[k]
        self.known[key] = np.clip(chance.T, 0.0, 1.0)
        return self.known[key]

    def gain(self, player, cell, gaps, where=None, stroke=None):
        attack = self.win(player, cell, "attack", gaps, where, stroke)
        return attack - self.win(player, cell, "reset", gaps, where)

    def counts(self, player, cell, where=None, stroke=None):
        """Attacks and resets asked about."""
        found = []
        for choice in CHOICES:
            some = [s for s in self.mine(player, cell) if s["choice"] == choice]
            some = [s for s in some if all(s["told"][k] == w for k, w in (where or {}).items())]
            struck = stroke if choice == "attack" else None
            found.append(sum(struck in (None, s["stroke"]) for s in some))
        return tuple(found)

    def rallies(self, player, cell):
        return len({s["rally_id"] for s in self.mine(player, cell)})

    def between(self, cell, gap):
        """Variance of the gain between players of the club at a gap."""
        total = 0.0
        for choice in CHOICES:
            fitted = self.model.curves_[choice]
            weight = self.weights(None, cell, choice, {}, None)
            usual = sum(w * self.words(choice, cell, kind) for kind, w in weight.items())
            z = self.columns(cell, choice, [gap], usual)[1][0]
            spread = np.mean(fitted.draws.spread**2, axis=0)
            p = self.win(None, cell, choice, [gap])[:, 0].mean()
            of = fitted.columns.groups.own
            total += (p * (1 - p)) ** 2 * sum(x * x * spread[g] for x, g in zip(z, of, strict=True))
        return total

    def share(self, player, cell, gap, where, stroke):
        """How much of an answer is the player's own, at the nearest gap of the grid."""
        grid = self.grids[self.cells.index(cell)]
        at = min(grid, key=lambda g: abs(g - gap))
        away = self.gain(player, cell, [at], where, stroke)[:, 0]
        away = away - self.gain(None, cell, [at], where, stroke)[:, 0]
        return min(max(1 - np.var(away) / self.between(cell, at), 0.0), 1.0)


@pytest.fixture(scope="module")
def plains(by_ball, by_winner):
    return {"ball": Plain(by_ball), "winner": Plain(by_winner)}


@pytest.fixture
def plain(hard, plains):
    return plains["ball" if hard.strokes else "winner"]


def words_of(share):
    if np.isnan(share):
        return ""
    if share < 1 / 3:
        return "mostly the club's so far"
    return "half the player's own" if share < 2 / 3 else "mostly the player's own"


def asks(model, by):
    """What is told, where (position of the column and level), and the stroke."""
    options = []
    for name in by:
        if name == "stroke":
            options.append([(name, s) for s in model.curves_["attack"].columns.strokes])
        else:
            options.append([(name, level) for level in model.situation_[name]])
    for told in product(*options):
        at = {list(model.situation_).index(n): w for n, w in told if n != "stroke"}
        yield dict(told), at, dict(told).get("stroke")


BY = [("ball", ()), ("ball", ("stroke",)), ("ball", ("depth",)), ("winner", ())]


def test_players_cells_and_grids_are_those_of_the_used_shots(hard, plain):
    assert hard.players_ == plain.names == ["Birch", "Cedar", "Elm"]
    assert hard.cells_ == plain.cells
    for one, other in zip(hard.posterior_.grids, plain.grids, strict=True):
        np.testing.assert_allclose(one, other, atol=1e-9)
    rows = [(*plain.counts(p, c), plain.rallies(p, c)) for p in plain.names for c in plain.cells]
    index = pd.MultiIndex.from_tuples(
        [(p, *c) for p in plain.names for c in plain.cells], names=["player", "side", "family"]
    )
    expected = pd.DataFrame(rows, index, ["n_attack", "n_reset", "n_rallies"])
    pd.testing.assert_frame_equal(hard.cell_counts(), expected)
    widest = pd.Series([g[-1] for g in plain.grids], pd.MultiIndex.from_tuples(plain.cells))
    pd.testing.assert_series_equal(hard.gap_max_m(), widest.rename("gap_m"))
    for k, unit in enumerate((["match"], ["match", "game"])):
        met = {(s["player"], *(s[name] for name in unit)) for s in plain.shots}
        there = hard.counted_.players
        assert (hard.matches_, hard.games_)[k].tolist() == [
            sum(one[0] == name for one in met) for name in there
        ]


@pytest.mark.parametrize(("of", "by"), BY)
def test_thresholds_row_by_row(plains, of, by):
    plain = plains[of]
    hard = plain.model
    level, rows = 0.8, []
    for player, cell in product(plain.names, plain.cells):
        grid = plain.grids[plain.cells.index(cell)]
        own = plain.counts(player, cell)

        def answer(where, stroke, player=player, cell=cell, grid=grid, own=own):
            if min(own) < 5:
                more = (5 - min(own)) * sum(own) / max(min(own), 1)
                return threshold_of(np.array([np.inf, -np.inf]), 0.9), np.nan, more or np.inf
            gain = plain.gain(player, cell, grid, where, stroke)
            found = threshold_of(crossings(gain, grid), level)
            at = found.gap_m if found.status == CROSSES else np.median(grid)
            more = shots_to_settle(gain, level) * sum(own) if found.status == NOT_KNOWN else 0.0
            return found, plain.share(player, cell, at, where, stroke), more

        for told, where, stroke in asks(hard, by):
            row = {"player": player, "side": cell[0], "family": cell[1], **told}
            n = own
            if told:
                n, club = (plain.counts(who, cell, where, stroke) for who in (player, None))
                tells = min(n) >= 5 and min(club) >= 20
                row["basis"] = "own level" if tells else "as in general"
                found, share, more = answer(where, stroke) if tells else answer({}, None)
            else:
                found, share, more = answer({}, None)
            row |= {"status": found.status, "threshold_m": found.gap_m}
            row |= {"threshold_low_m": found.low_m, "threshold_high_m": found.high_m}
            row |= {"n_attack": n[0], "n_reset": n[1], "n_rallies": plain.rallies(player, cell)}
            row |= {"more_shots": more, "gap_max_m": grid[-1]}
            rows.append(row | {"own": share, "own_words": words_of(share)})
    expected = pd.DataFrame(rows)
    pd.testing.assert_frame_equal(hard.thresholds(level, by), expected, rtol=1e-5, atol=1e-6)
    if by == ():
        assert hard.thresholds().equals(hard.thresholds(0.95, ()))
        one = hard.thresholds(level, player="Cedar")
        mine = expected[expected["player"] == "Cedar"].reset_index(drop=True)
        pd.testing.assert_frame_equal(one, mine, rtol=1e-5, atol=1e-6)
    if by == ("depth",):
        assert set(expected["basis"]) == {"own level", "as in general"}


@pytest.mark.parametrize(("of", "by"), BY)
def test_rules_row_by_row(plains, of, by):
    plain = plains[of]
    hard = plain.model
    level, rows = 0.8, []
    for player, cell in product(plain.names, plain.cells):
        grid = plain.grids[plain.cells.index(cell)]
        club = crossings(plain.gain(None, cell, grid), grid)
        prior = np.array(
            [np.exp(-0.5 * ((min(max(x, 0), grid[-1]) - 0.5) / 0.15) ** 2) for x in club]
        )
        prior = (prior + 1e-12) / (prior + 1e-12).sum()
        met = np.array([s["gap"] for s in plain.mine(player, cell)])
        for told, where, stroke in asks(hard, by):
            n, everybody = (plain.counts(who, cell, where, stroke) for who in (player, None))
            tells = bool(told) and min(n) >= 5 and min(everybody) >= 20
            ask = (where, stroke) if tells else ({}, None)
            gain = plain.gain(player, cell, grid, *ask)
            found = rule_of(gain, grid, met, level, prior)
            at = found.gap_m if np.isfinite(found.gap_m) else np.median(grid)
            share = plain.share(player, cell, at, *ask)
            row = {"player": player, "side": cell[0], "family": cell[1], **told}
            row |= {"basis": "own level" if tells else "as in general"} if told else {}
            row |= {"rule_m": max(found.gap_m, 0.0), "cost": found.cost}
            row |= {"cost_at_most": found.cost_at_most, "n_attack": n[0], "n_reset": n[1]}
            rows.append(row | {"own": share, "own_words": words_of(share)})
    expected = pd.DataFrame(rows)
    pd.testing.assert_frame_equal(hard.rule(level, by), expected, rtol=1e-5, atol=1e-6)
    if by == ():
        assert hard.rule().equals(hard.rule(0.95, ()))


@pytest.mark.parametrize(("of", "by"), BY)
def test_curves_row_by_row(plains, of, by):
    plain = plains[of]
    hard = plain.model
    level, gaps, rows = 0.7, np.array([0.0, 0.33, 1.4]), []
    normal = 0.05 * ndtri((np.arange(9) + 0.5) / 9)
    for player, cell in product(plain.names, plain.cells):
        for told, where, stroke in asks(hard, by):
            attack = plain.win(player, cell, "attack", gaps, where, stroke)
            reset = plain.win(player, cell, "reset", gaps, where)
            gain, n = attack - reset, len(attack)
            easier = [0.01 + 0.02 * d / (n - 1) for d in range(n)]
            surely = [np.mean([gain[d, k] > easier[d] for d in range(n)]) for k in range(3)]
            never = [np.mean(gain[:, k] < 0) for k in range(3)]
            for k, gap in enumerate(gaps):
                row = {"player": player, "side": cell[0], "family": cell[1], **told, "gap_m": gap}
                for name, drawn in (("attack", attack), ("reset", reset), ("gain", gain)):
                    low, high = np.quantile(drawn[:, k], [0.15, 0.85])
                    row |= {name: drawn[:, k].mean(), f"{name}_low": low, f"{name}_high": high}
                row["p_attack_better"] = np.mean(gain[:, k] > 0)
                near = [min(max(gap + off, gaps[0]), gaps[-1]) for off in normal]
                one, other = (np.mean(np.interp(near, gaps, s)) for s in (surely, never))
                row["p_attack_sure"] = one if surely[k] >= 0.5 else 1 - other
                rows.append(row)
    expected = pd.DataFrame(rows)
    pd.testing.assert_frame_equal(hard.curves(gaps, level, by), expected, rtol=1e-5, atol=1e-6)
    if by == ():
        usual = hard.curves()
        assert usual.equals(hard.curves(level=0.95, by=()))
        for (_, side, family), own in usual.groupby(["player", "side", "family"], sort=False):
            top = plain.grids[plain.cells.index((side, family))][-1]
            steps = int(np.ceil(top / 0.02 - 1e-9))
            np.testing.assert_allclose(own["gap_m"], [0.02 * k for k in range(steps)], atol=1e-12)


def test_forehand_against_backhand_row_by_row(hard, plain):
    level, rows = 0.8, []
    for player, family in product(plain.names, hard.families_):
        cells = [(side, family) for side in SIDES]
        own = [s for cell in cells for s in plain.mine(player, cell)]
        ends, win = [], []
        for cell in cells:
            grid = plain.grids[plain.cells.index(cell)]
            at = crossings(plain.gain(player, cell, grid), grid)
            known = min(plain.counts(player, cell)) >= 5
            known = known and threshold_of(at, level).status == CROSSES
            ends.append(np.clip(at, 0, grid[-1]) if known else None)
            total = 0.0
            for choice in CHOICES:
                some = [s for s in own if s["choice"] == choice]
                draws, gaps = hard.curves_[choice].draws, [s["gap"] for s in some]
                words = np.array([plain.words(choice, cell, s["kind"]) for s in some])
                mine = draws.own[plain.names.index(player)].astype(float)
                eta = plain.eta(player, cell, choice, gaps, words, draws.common, mine)
                for gap, one in zip(gaps, expit(eta + plain.lead(player)[1]), strict=True):
                    total += np.clip(one + plain.missed(choice, gap), 0, 1)
            win.append(total / len(own))
        row = {"player": player, "family": family}
        middle = [np.nan if end is None else np.median(end) for end in ends]
        row |= {"threshold_forehand_m": middle[0], "threshold_backhand_m": middle[1]}
        row |= {"threshold_difference_m": middle[1] - middle[0]}
        off = np.nan if None in [type(e) is np.ndarray or None for e in ends] else ends[1] - ends[0]
        low, high = np.quantile(off, [0.1, 0.9])
        row |= {"threshold_difference_low_m": low, "threshold_difference_high_m": high}
        low, high = np.quantile(win[1] - win[0], [0.1, 0.9])
        row |= {"win_forehand": win[0].mean(), "win_backhand": win[1].mean()}
        row |= {"win_difference": (win[1] - win[0]).mean()}
        row |= {"win_difference_low": low, "win_difference_high": high}
        row |= {f"n_{cell[0]}": sum(s["cell"] == cell for s in own) for cell in cells}
        rows.append(row | {"n_rallies": len({s["rally_id"] for s in own})})
    found = hard.comfort(level)
    pd.testing.assert_frame_equal(found, pd.DataFrame(rows), rtol=1e-5, atol=1e-6)
    assert hard.comfort().equals(hard.comfort(0.95))


@pytest.mark.parametrize("told", [{}, {"balance": "set"}, {"depth": "back", "balance": "set"}])
def test_which_shot_row_by_row(by_ball, plains, told):
    plain, level, rows = plains["ball"], 0.8, []
    where = {list(by_ball.situation_).index(name): word for name, word in told.items()}
    cell = ("backhand", "ground")
    for choice in CHOICES:
        for stroke in by_ball.curves_[choice].columns.strokes:
            win = plain.win("Cedar", cell, choice, [0.62], where, stroke)[:, 0]
            struck = (
                s["choice"] == choice and s["stroke"] == stroke for s in plain.mine("Cedar", cell)
            )
            if not np.isnan(win).any():
                rows.append((choice, stroke, win, sum(struck)))
    every = np.array([row[2] for row in rows])
    first = max(range(len(rows)), key=lambda k: every[k].mean())
    table = []
    for k, (choice, stroke, win, n) in enumerate(rows):
        low, high = np.quantile(win, [0.1, 0.9])
        best = np.mean([draw.argmax() == k for draw in every.T])
        worse = np.quantile(every[first] - win, 0.1) > 0
        words = "best so far" if k == first else "worse" if worse else "no difference known"
        table.append((choice, stroke, win.mean(), low, high, best, n, words))
    names = ["choice", "stroke", "win", "win_low", "win_high", "p_best", "n_shots", "words"]
    expected = pd.DataFrame(sorted(table, key=lambda row: -row[2]), columns=names)
    found = by_ball.which_shot("Cedar", "backhand", "ground", 0.62, level, **told)
    pd.testing.assert_frame_equal(found, expected, rtol=1e-5, atol=1e-6)
    usual = by_ball.which_shot("Cedar", "backhand", "ground")
    assert usual.equals(by_ball.which_shot("Cedar", "backhand", "ground", 0.5, 0.95))


def test_chances_of_given_shots_one_by_one(hard, plain, hard_log):
    """Used shots, a stranger's, and those against an unknown opponent."""
    some = pd.DataFrame(plain.shots[:60] + plain.shots[-60:]).drop(columns=["cell", "told", "kind"])
    some["player"] = some["player"].astype(str).where(np.arange(120) % 7 > 0, "Yew")
    some["opponent"] = some["opponent"].astype(str).where(np.arange(120) % 5 > 0, "Oak")
    strength, expected, own = hard.strengths_.strength_, [], []
    for shot in some.to_dict("records"):
        told = [shot[c] if shot[c] in levels else None for c, levels in hard.situation_.items()]
        cell, choice = (shot["side"], shot["family"]), shot["choice"]
        kind = (*told, choice, shot["stroke"])
        draws = hard.curves_[choice].draws
        known = shot["player"] if shot["player"] in plain.names else None
        k = plain.names.index(known) if known else 0
        every = draws.common, draws.own[k].astype(float)
        mean = every[0].mean(axis=0), every[1].mean(axis=0)
        words = plain.words(choice, cell, kind)
        eta = plain.eta(known, cell, choice, [shot["gap_m"]], words, *mean)[0]
        eta += strength.get(shot["player"], 0.0) - strength.get(shot["opponent"], 0.0)
        chance = expit(eta) + np.mean(plain.missed(choice, shot["gap_m"]))
        expected.append(min(max(chance, 1e-4), 1 - 1e-4))
        eta = plain.eta(
            "Cedar",
            cell,
            choice,
            [shot["gap_m"]],
            words,
            draws.common,
            draws.own[plain.names.index("Cedar")].astype(float),
        )[0]
        chance = expit(eta + plain.lead("Cedar")[1]) + plain.missed(choice, shot["gap_m"])
        own.append(np.clip(chance, 0, 1))
    np.testing.assert_allclose(hard.posterior_.mean_of(some), expected, rtol=1e-5)
    found = hard.predict_proba(some)
    np.testing.assert_allclose(
        found, np.column_stack([1 - np.array(expected), expected]), rtol=1e-5
    )
    at = plain.names.index("Cedar")
    np.testing.assert_allclose(hard.posterior_.of_own(at, some), np.transpose(own), atol=1e-6)
    bare = hard.posterior_.mean_of(some.drop(columns="opponent"))
    for k, shot in enumerate(some.to_dict("records")):
        if shot["player"] in plain.names:
            choice, cell = shot["choice"], (shot["side"], shot["family"])
            told = [shot[c] if shot[c] in lev else None for c, lev in hard.situation_.items()]
            words = plain.words(choice, cell, (*told, choice, shot["stroke"]))
            draws = hard.curves_[choice].draws
            mine = draws.own[plain.names.index(shot["player"])].astype(float).mean(axis=0)
            mean = draws.common.mean(axis=0), mine
            eta = plain.eta(shot["player"], cell, choice, [shot["gap_m"]], words, *mean)[0]
            chance = expit(eta + plain.lead(shot["player"])[0])
            chance += np.mean(plain.missed(choice, shot["gap_m"]))
            assert bare[k] == pytest.approx(min(max(chance, 1e-4), 1 - 1e-4), rel=1e-5)


def test_attack_and_reset_of_every_ball_one_by_one(hard, plain, hard_log, monkeypatch):
    """Each in its situation, or the cell's commonest where that was never met, by own strokes."""
    table = hard_log(203, 80)
    balls = table if hard.families_ != ("all strokes",) else table.assign(family="all strokes")
    if hard.outcome == "rally":
        table = table.drop(columns="depth")
    found = {}
    monkeypatch.setattr("sidewall.models.posterior._CHUNK", 7)
    for rows, attack, reset in hard.posterior_.of_shots(table):
        assert len(rows) <= 7
        for k, row in enumerate(rows):
            found[int(row)] = attack[:, k], reset[:, k]
    tried = 0
    for row, shot in enumerate(balls.to_dict("records")):
        cell = (shot["side"], shot["family"])
        if (
            cell not in plain.cells
            or shot["gap_m"] != shot["gap_m"]
            or shot["player"] not in plain.names
        ):
            assert row not in found
            continue
        told = tuple(shot[c] if shot[c] in lev else None for c, lev in hard.situation_.items())
        met = Counter(s["told"] for s in plain.mine(None, cell))
        if told not in met:
            continue
        tried += 1
        own = Counter(
            k
            for s in plain.mine(shot["player"], cell)
            if s["told"] == told
            for k in (s["choice"], s["kind"])
        )
        club = Counter(
            k for s in plain.mine(None, cell) if s["told"] == told for k in (s["choice"], s["kind"])
        )
        for choice, ours in zip(CHOICES, found[row], strict=True):
            words = 0.0
            for kind, n in club.items():
                if isinstance(kind, tuple) and kind[-2] == choice:
                    share = (own[kind] + 20 * n / club[choice]) / (own[choice] + 20)
                    words = words + share * plain.words(choice, cell, kind)
            if not club[choice]:
                words = np.zeros(len(hard.curves_[choice].columns.word_names))
            draws = hard.curves_[choice].draws
            mine = draws.own[plain.names.index(shot["player"])].astype(float)
            eta = plain.eta(
                shot["player"], cell, choice, [shot["gap_m"]], words, draws.common, mine
            )[0]
            chance = expit(eta + plain.lead(shot["player"])[1])
            chance = np.clip(chance + plain.missed(choice, shot["gap_m"]), 0, 1)
            np.testing.assert_allclose(ours, chance, atol=1e-6)
    assert tried > 30


def test_what_a_ball_never_met_stands_for(by_ball, plains):
    plain = plains["ball"]
    mix = by_ball.posterior_.mix
    for cell in plain.cells:
        met = Counter(s["told"] for s in plain.mine(None, cell))
        rows = [dict(zip(by_ball.situation_, told, strict=True)) for told in met]
        rows += [{"depth": "nowhere"}, {"depth": None, "balance": None}]
        table = pd.DataFrame(rows).assign(side=cell[0], family=cell[1])
        found = mix.ball_of(table)
        for told, at in zip(met, found, strict=False):
            own = mix.table.iloc[np.flatnonzero(mix.ball == at)]
            assert {
                tuple(x if x == x else None for x in row)
                for row in own[[*by_ball.situation_]].astype(object).to_numpy()
            } == {told}
        usual = max(met.values())
        for row, at in zip(rows[len(met) :], found[len(met) :], strict=True):
            told = tuple(row.get(name) for name in by_ball.situation_)
            told = tuple(
                w if w in by_ball.situation_[c] else None
                for c, w in zip(by_ball.situation_, told, strict=True)
            )
            own = mix.n[:, mix.ball == at].sum()
            assert own == (met[told] or usual)
    strange = pd.DataFrame({"side": [None, "forehand"], "family": ["ground", None]})
    assert mix.ball_of(strange).tolist() == [-1, -1]


def test_what_is_not_told_apart_or_was_not_met_is_named(by_ball, by_winner):
    with pytest.raises(DataError, match=r"depth 'nowhere' apart; it knows depth: front, middle, b"):
        by_ball.posterior_.situation({"depth": "nowhere"})
    with pytest.raises(DataError, match=r"depth 'back' apart; it knows none"):
        by_winner.posterior_.situation({"depth": "back"})
    assert by_ball.posterior_.situation({}) is None
    both = by_ball.posterior_.situation({"depth": "back", "balance": "set"})
    table = by_ball.posterior_.mix.table
    assert both.tolist() == [
        bool(d == "back" and b == "set")
        for d, b in zip(table["depth"], table["balance"], strict=True)
    ]


def test_gaps_met_are_those_of_the_shots(hard, plain):
    for i, player in enumerate(plain.names):
        for j, cell in enumerate(plain.cells):
            found = sorted(hard.posterior_.gaps_met(i, j))
            assert found == pytest.approx(sorted(s["gap"] for s in plain.mine(player, cell)))


@pytest.mark.parametrize("seed", range(6))
def test_reading_between_and_beyond_the_gaps_of_a_grid(seed):
    rng = np.random.default_rng(seed)
    gaps = np.sort(rng.uniform(0, 2, rng.integers(2, 6)))
    gain = rng.standard_normal((3, len(gaps)))
    wanted = np.concatenate([gaps, rng.uniform(0, 2, 9), [0.0, 2.5]])
    found = at_gaps(gain, gaps, wanted)
    for row, own in zip(found, gain, strict=True):
        np.testing.assert_allclose(row, np.interp(wanted, gaps, own), atol=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_shots_that_settle_an_answer_by_a_search(seed):
    """The first of sixty numbers of times at which every gap, or both ends, are clear."""
    rng = np.random.default_rng(seed)
    gain = rng.normal(np.linspace(-0.5, 1.0, 5) + (seed - 2) / 3, 2.0, (200, 5))
    for level in (0.8, 0.95):
        z, expected = ndtri((1 + level) / 2), np.inf
        for k in range(60):
            times = 1.05 * (50 / 1.05) ** (k / 59)
            low = [g.mean() - z * g.std() / times**0.5 for g in gain.T]
            high = [g.mean() + z * g.std() / times**0.5 for g in gain.T]
            if min(low) > 0 or max(high) < 0 or (high[0] < 0 < low[-1]):
                expected = times - 1
                break
        assert shots_to_settle(gain, level) == pytest.approx(expected)


def test_what_a_fit_of_a_hard_log_keeps(hard, hard_log):
    """Shots used and left out, levels, strengths, leads, and what was read off the log at once."""
    table = hard.parts.table
    used, left_out = usable_shots(
        table if hard.strokes else table.assign(family=table["family"].fillna("ground"))
    )
    assert hard.used_["row"].tolist() == used["row"].tolist()
    pd.testing.assert_series_equal(hard.left_out_, left_out)
    assert hard.counted_.shots == len(used)
    strengths = Strengths().fit(table)
    pd.testing.assert_series_equal(hard.strengths_.strength_, strengths.strength_)
    for i, player in enumerate(hard.players_):
        own = used[used["player"] == player]
        lead = strengths.strength_[player] - own["opponent"].map(strengths.strength_.to_dict())
        assert hard.lead_[i] == pytest.approx(lead.astype(float).mean(), abs=1e-9)
    facts = {
        "players": "3: Birch, Cedar, Elm",
        "shots": f"{len(used):,} attacks and resets with a gap",
    }
    facts["left out"] = ", ".join(f"{n:,} {why}" for why, n in left_out.items())
    facts["told apart"] = ", ".join([*["stroke"] * hard.strokes, *hard.situation_])
    assert hard._facts() == {name: words for name, words in facts.items() if words}
    assert hard.horizon_ == (1 if hard.outcome == "value" else "rally")
    if hard.outcome == "rally":
        assert not hasattr(hard, "value_")
        assert not hard.lead_draws_.any()
        assert hard.notes_ == ["contact not charted: strokes of all kinds taken together"]
        return
    value = BallValue(strengths).fit(table)
    pd.testing.assert_series_equal(hard.value_.weights_, value.weights_)
    judged = outcomes(table, value)
    np.testing.assert_allclose(hard.used_["outcome"], judged.outcome[used["row"]], atol=1e-12)
    hard_missed = MissedSums.of(hard.used_)
    assert hard.correction_.contrast_ == pytest.approx(Correction(hard_missed).contrast_)
    carried = Carried(CarriedSums.of(table, value, value.columns(table)))
    assert hard.carried_.p_value_ == pytest.approx(carried.p_value_, rel=1e-6)
    assert hard.corrections_.shape == (60, 4)
    said = [one.words() for one in (hard.correction_, hard.carried_) if one.words()]
    assert [note for note in hard.notes_ if "too seldom" not in note] == said
    # strengths move a lead as their own draws do: less those of the opponents met
    assert hard.lead_draws_.shape == (60, 3)
    assert (hard.lead_draws_.std(axis=0) > 0.01).all()
