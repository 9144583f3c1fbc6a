"""The posterior of a fitted model: draws of every curve, and the mix it is a mean over.

A *cell* is a side and a way of meeting the ball. Within it a player meets balls in several
places and situations and plays several strokes; a curve "by nothing" is the mean chance over
the player's own mix of them, one mix for all gaps, so that the curve tells what the gap does
and not who met which balls.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from scipy.special import expit, ndtri

from sidewall.arguments import Bools, Floats, Ints
from sidewall.errors import DataError
from sidewall.features.coded import positions
from sidewall.log.vocabulary import CHOICES, SIDES
from sidewall.models.counted import ALL_STROKES, cell_of, sums_by
from sidewall.models.curves import side_and_volley
from sidewall.rallies.value import BEND_M, gap_scale

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel


#: How much easier attacked balls may be than the log says, in rallies (common practice, no
#: source), and the usual error of a charted gap in metres.
UNSEEN: Final = (0.01, 0.03)
GAP_ERROR_M: Final = 0.05
_GRID: Final = 49
_CHUNK: Final = 1_000
#: The club's threshold, as the weak prior has it.
_CLUB_M, _CLUB_SCALE_M = 0.50, 0.15
#: The usual mix stands for so many shots of the player's own.
_MIX_SHOTS: Final = 20.0


class Posterior:
    """Draws of every curve of a fitted model.

    Parameters
    ----------
    model : TightnessModel
    """

    def __init__(self, model: TightnessModel) -> None:
        self.model, self.mix = model, Mix(model)
        self._side, self._volley = side_and_volley(self.mix.table)
        self._words = {
            choice: model.curves_[choice].columns.words(self.mix.table) for choice in CHOICES
        }

    @cached_property
    def n_draws(self) -> int:
        """Number of draws."""
        return len(self.model.curves_["attack"].draws.common)

    @cached_property
    def grids(self) -> list[Floats]:
        """Gaps of every cell, from 0 to the widest met, closer where balls are tight."""
        widest = self.model.gap_max_m().to_numpy()
        return [BEND_M * np.expm1(np.linspace(0, np.log1p(w / BEND_M), _GRID)) for w in widest]

    def win(
        self,
        player: int,
        cell: int,
        choice: str,
        gaps_m: Floats,
        where: Bools | None = None,
        stroke: str | None = None,
    ) -> Floats:
        """Draws of the chance of winning, shape (draws, gaps).

        Player -1 is the club: an average player with the club's mix. `where`, (kinds,), are
        situations in the mix, all by default; without a stroke it is the player's own mix of
        strokes.
        """
        fitted = self.model.curves_[choice]
        weight = self._weights(choice, where, stroke)[player + 1]
        rows = np.flatnonzero((self.mix.cell == cell) & (weight > 0))
        if not len(rows):
            return np.full((self.n_draws, len(gaps_m)), np.nan)
        weight, words = weight[rows], self._words[choice][rows]
        usual = (weight @ words)[None]
        draws = fitted.draws
        own = draws.own[player] if player >= 0 else None
        eta = self._eta(choice, cell, gaps_m, draws.common, own, usual)[:, 0]
        if own is not None:
            eta += (self.model.lead_[player] + self.model.lead_draws_[:, player])[:, None]
        chance = expit(eta) + self.corrected(choice, gaps_m)
        if len(rows) > 1:  # mean chance of the mix less the chance of its mean, about
            common, means = draws.mean
            own = means[player][None] if player >= 0 else None
            every = np.concatenate([words, usual])
            eta = self._eta(choice, cell, gaps_m, common[None], own, every)[0]
            each = expit(eta + (self.model.lead_[player] if player >= 0 else 0.0))
            chance += weight @ each[:-1] - each[-1]
        return np.asarray(np.clip(chance, 0.0, 1.0))

    def _eta(
        self,
        choice: str,
        cell: int,
        gaps_m: Floats,
        common: Floats,
        own: Floats | None,
        words: Floats,
    ) -> Floats:
        """Log odds of some mixes of shots in a cell, shape (draws, mixes, gaps)."""
        columns = self.model.curves_[choice].columns
        of_gap, of_own = self._gap_columns(choice, cell, gaps_m)
        gap, level, slope = columns.split(common)
        eta, level, slope = gap @ of_gap.T, level @ words.T, slope @ words[:, columns.sloping].T
        if own is not None:
            gap, more, steeper = columns.split(own, own=True)
            eta += gap @ of_own.T
            level += more @ words.T
            slope += steeper @ words[:, : len(columns.strokes)].T
        return eta[:, None] + level[:, :, None] + slope[:, :, None] * gap_scale(gaps_m)

    def _gap_columns(self, choice: str, cell: int, gaps_m: Floats) -> tuple[Floats, Floats]:
        """Columns that hang on the gap alone, of all and of one player, kept for a cell's grid."""
        key = choice, cell, gaps_m.tobytes()
        if key not in self._known:
            first = int(np.flatnonzero(self.mix.cell == cell)[0])
            columns, n = self.model.curves_[choice].columns, len(gaps_m)
            ball = gaps_m, np.full(n, self._side[first]), np.full(n, self._volley[first])
            found = columns.common_of_gap(*ball), columns.own_of_gap(*ball)
            if n != _GRID:
                return found
            self._known[key] = found
        return self._known[key]

    def _weights(self, choice: str, where: Bools | None, stroke: str | None) -> Floats:
        key = (choice, None if where is None else where.tobytes(), stroke)
        if key not in self._known:
            self._known[key] = self.mix.weights(CHOICES.index(choice), where, stroke)
        return self._known[key]

    @cached_property
    def _known(self) -> dict[Any, Any]:
        return {}

    def _win(self, choice: str, player: int, ball: tuple[Floats, ...]) -> Floats:
        """Draws of the chance of winning with given shots, shape (draws, n)."""
        fitted = self.model.curves_[choice]
        eta = fitted.draws.common @ fitted.columns.common(*ball).T
        if player >= 0:
            eta += fitted.draws.own[player] @ fitted.columns.own(*ball).T
            eta += (self.model.lead_[player] + self.model.lead_draws_[:, player])[:, None]
        return np.asarray(expit(eta) + self.corrected(choice, ball[0]))

    def corrected(self, choice: str, gaps_m: Floats) -> Floats:
        """What the value misses, shape (draws, gaps); 0 by rally."""
        if not hasattr(self.model, "corrections_"):
            return np.zeros((1, len(gaps_m)))
        level, slope = self.model.corrections_[:, 2 * (choice == "attack") :][:, :2].T
        return level[:, None] + slope[:, None] * gap_scale(gaps_m)

    def _mean_corrected(self, choice: str, gaps_m: Floats) -> Floats:
        if not hasattr(self.model, "corrections_"):
            return np.zeros(len(gaps_m))
        level, slope = self.model.corrections_.mean(axis=0)[2 * (choice == "attack") :][:2]
        return np.asarray(level + slope * gap_scale(gaps_m))

    def _side_and_volley(self, table: pd.DataFrame) -> tuple[Floats, Floats]:
        """As the fit saw them: nothing of the volley where families were put together."""
        side, volley = side_and_volley(table)
        together = self.model.families_ == (ALL_STROKES,)
        return side, np.zeros_like(volley) if together else volley

    def sure(self, gain: Floats, gaps_m: Floats) -> Floats:
        """Share of draws in which attacking is surely better, by gap, shape (gaps,).

        Widened by what no draw holds: attacked balls were easier than the log says by 1 to 3
        rallies in 100, and the charted gap is off by 5 cm (standard deviation).
        """
        easier = np.linspace(*UNSEEN, len(gain))[:, None]
        share = (gain > easier).mean(axis=0)
        reset = (gain < 0.0).mean(axis=0)
        off = GAP_ERROR_M * ndtri((np.arange(9) + 0.5) / 9)
        at = np.clip(gaps_m[:, None] + off, gaps_m[0], gaps_m[-1])
        attack = np.interp(at, gaps_m, share).mean(axis=1)
        return np.asarray(
            np.where(share >= 0.5, attack, 1.0 - np.interp(at, gaps_m, reset).mean(axis=1))
        )

    def gain(
        self,
        player: int,
        cell: int,
        gaps_m: Floats,
        where: Bools | None = None,
        stroke: str | None = None,
    ) -> Floats:
        """Draws of the gain of attacking over resetting, shape (draws, gaps).

        A `stroke` is the attack's; the resets are the player's own mix.
        """
        attack = self.win(player, cell, "attack", gaps_m, where, stroke)
        return attack - self.win(player, cell, "reset", gaps_m, where)

    @cached_property
    def between(self) -> list[Floats]:
        """Variance of the gain between players of the club, over every cell's grid."""
        return [self._between(cell) for cell in range(len(self.grids))]

    def _between(self, cell: int) -> Floats:
        gaps = self.grids[cell]
        here = np.flatnonzero(self.mix.cell == cell)
        side, volley = (np.full(len(gaps), v[here[0]]) for v in (self._side, self._volley))
        total = np.zeros(len(gaps))
        for choice in CHOICES:
            fitted = self.model.curves_[choice]
            words = self._weights(choice, None, None)[0][here] @ self._words[choice][here]
            z = fitted.columns.own(gaps, side, volley, np.tile(words, (len(gaps), 1)))
            spread2 = (fitted.draws.spread**2).mean(axis=0)[fitted.columns.groups.own]
            p = self.win(-1, cell, choice, gaps).mean(axis=0)
            total += (p * (1.0 - p)) ** 2 * (z**2 @ spread2)
        return total

    def weak_prior(self, cell: int) -> Floats:
        """Weights of the draws under the weak prior on the club's threshold."""
        gaps = self.grids[cell]
        at = np.clip(crossings(self.gain(-1, cell, gaps), gaps), 0.0, gaps[-1])
        weight = np.exp(-0.5 * ((at - _CLUB_M) / _CLUB_SCALE_M) ** 2) + 1e-12
        return np.asarray(weight / weight.sum())

    def gaps_met(self, player: int, cell: int) -> Floats:
        """Gaps of the player's own balls in a cell."""
        counted, kinds = self.model.counted_, self.model.counted_.kinds
        mine = self.mix.rows_of(player)
        here = mine[self.mix.cell[self.mix.place[counted.kind[mine]]] == cell]
        gap = kinds["gap_m"].to_numpy()[counted.kind[here]]
        return np.asarray(np.repeat(gap, counted.n[here].astype(np.int64)))

    def situation(self, told: Mapping[str, str]) -> Bools | None:
        """Kinds of shot in a situation; None for no condition."""
        if not told:
            return None
        where = np.ones(len(self.mix.table), dtype=bool)
        for name, level in told.items():
            known = self.model.situation_
            if name not in known or level not in known[name]:
                options = "; ".join(f"{c}: {', '.join(levels)}" for c, levels in known.items())
                raise DataError(
                    f"the model does not tell {name} {level!r} apart; it knows {options or 'none'}"
                )
            where &= (self.mix.table[name] == level).to_numpy()
        return where

    def mean_of(self, table: pd.DataFrame) -> Floats:
        """Posterior mean chance of winning with every shot of a table, shape (n,)."""
        player = positions(table["player"], pd.Index(self.model.players_))
        lead = np.append(self.model.lead_, 0.0)[player]
        if "opponent" in table.columns:
            lead = self.model.strengths_.difference(table)
        side, volley = self._side_and_volley(table)
        gap = table["gap_m"].to_numpy(dtype=float)
        win = np.full(len(table), np.nan)
        for choice in CHOICES:
            rows = np.flatnonzero((table["choice"] == choice).to_numpy())
            fitted = self.model.curves_[choice]
            common, own = fitted.draws.mean
            own = np.concatenate([own, np.zeros((1, own.shape[1]))])
            words = fitted.columns.words(table.iloc[rows])
            described = gap[rows], side[rows], volley[rows], words
            eta = fitted.columns.common(*described) @ common + lead[rows]
            eta += np.einsum("nq,nq->n", fitted.columns.own(*described), own[player[rows]])
            win[rows] = expit(eta) + self._mean_corrected(choice, gap[rows])
        return np.clip(win, 1e-4, 1.0 - 1e-4)

    def of_own(self, player: int, shots: pd.DataFrame) -> Floats:
        """Draws of the chance of winning with given shots of one player, (draws, n)."""
        side, volley = self._side_and_volley(shots)
        gap = shots["gap_m"].to_numpy(dtype=float)
        win = np.full((self.n_draws, len(shots)), np.nan)
        for choice in CHOICES:
            rows = np.flatnonzero((shots["choice"] == choice).to_numpy())
            words = self.model.curves_[choice].columns.words(shots.iloc[rows])
            chance = self._win(choice, player, (gap[rows], side[rows], volley[rows], words))
            win[:, rows] = np.clip(chance, 0.0, 1.0)
        return win

    @cached_property
    def _moved(self) -> dict[str, tuple[dict[str, Floats], tuple[Floats, Floats]]]:
        """Words, side and volley of the mix's rows, were all met on one side."""
        found = {}
        for side in SIDES:
            table = self.mix.table.assign(side=side)
            words = {c: self.model.curves_[c].columns.words(table) for c in CHOICES}
            found[side] = words, self._side_and_volley(table)
        return found

    def on_side(self, player: int, family: str, side: str) -> Floats | None:
        """Draws of the mean chance over a player's balls of a family, all met on one side.

        None where the player met no such ball.
        """
        counted, kinds = self.model.counted_, self.model.counted_.kinds
        words, (sides, volleys) = self._moved[side]
        mine = self.mix.rows_of(player)
        row = self.mix.place[counted.kind[mine]]
        family_of = (self.mix.table["family"] == family).to_numpy()[row]
        mine, row = mine[family_of], row[family_of]
        if not len(mine):
            return None
        gap, n = kinds["gap_m"].to_numpy()[counted.kind[mine]], counted.n[mine]
        total = np.zeros(self.n_draws)
        for k, choice in enumerate(CHOICES):
            at = np.flatnonzero(self.mix.choice[row] == k)
            ball = gap[at], sides[row[at]], volleys[row[at]], words[choice][row[at]]
            total += np.clip(self._win(choice, player, ball), 0.0, 1.0) @ n[at]
        return total / n.sum()

    # -- single shots ---------------------------------------------------------------------

    @cached_property
    def _ball_words(self) -> dict[str, Floats]:
        """Mean words of the player's strokes in every situation, (1 + players, balls, words)."""
        found = {}
        for k, choice in enumerate(CHOICES):
            share = self.mix.shot_shares(k)
            balls = int(self.mix.ball.max(initial=-1)) + 1
            words = np.zeros((len(share), balls, self._words[choice].shape[1]))
            for row in np.flatnonzero(self.mix.choice == k):
                words[:, self.mix.ball[row]] += share[:, row, None] * self._words[choice][row]
            found[choice] = words
        return found

    def of_shots(self, table: pd.DataFrame) -> Iterator[tuple[Ints, Floats, Floats]]:
        """Draws of the chance of winning by attacking and by resetting balls, (draws, rows) each.

        Each ball in its own situation, with the player's own mix of strokes there. Before them come
        positions in the table, some of one player at a time; shots of players that the model does
        not know are left out.
        """
        player = positions(table["player"], pd.Index(self.model.players_))
        ball = self.mix.ball_of(table)
        side, volley = self._side_and_volley(table)
        gap = table["gap_m"].to_numpy(dtype=float)
        usable = (player >= 0) & (ball >= 0) & ~np.isnan(gap)
        for i in range(len(self.model.players_)):
            own = np.flatnonzero(usable & (player == i))
            for at in range(0, len(own), _CHUNK):
                rows = own[at : at + _CHUNK]
                both = []
                for choice in CHOICES:
                    words = self._ball_words[choice][i + 1, ball[rows]]
                    chance = self._win(choice, i, (gap[rows], side[rows], volley[rows], words))
                    both.append(np.clip(chance, 0.0, 1.0))
                yield rows, both[0], both[1]


def at_gaps(gain: Floats, gaps_m: Floats, wanted_m: Floats) -> Floats:
    """Draws over a grid of gaps, read at other gaps on straight lines, (draws, wanted)."""
    at = np.interp(wanted_m, gaps_m, np.arange(len(gaps_m)))
    low = np.minimum(at.astype(int), len(gaps_m) - 2)
    return np.asarray(gain[:, low] + (gain[:, low + 1] - gain[:, low]) * (at - low))


def crossings(gain: Floats, gaps_m: Floats) -> Floats:
    """Gap at which each draw's gain turns positive for good; -inf always, inf never."""
    below = gain <= 0
    last = gain.shape[1] - 1 - np.argmax(below[:, ::-1], axis=1)
    nowhere = ~below.any(axis=1)
    at = np.minimum(last, gain.shape[1] - 2)
    rows = np.arange(len(gain))
    low, high = gain[rows, at], gain[rows, at + 1]
    with np.errstate(invalid="ignore", divide="ignore"):
        found = gaps_m[at] - low / (high - low) * (gaps_m[at + 1] - gaps_m[at])
    found = np.where(below[:, -1], np.inf, found)
    return np.where(nowhere, -np.inf, found)


class Mix:
    """Which shots a player plays, and in which situations: the weights of a mean curve.

    `table` has a row a kind of shot, whatever its gap; `place` is the row of every counted kind.
    """

    def __init__(self, model: TightnessModel) -> None:
        counted = model.counted_
        self._families, self._situation = model.families_, model.situation_
        names = ["side", "family", "choice", "stroke", *model.situation_]
        kinds = counted.kinds[names]
        code = np.zeros(len(kinds), dtype=np.int64)
        for name in names:
            code = code * (len(kinds[name].cat.categories) + 1) + kinds[name].cat.codes + 1
        _, first, self.place = np.unique(code, return_index=True, return_inverse=True)
        self.table = kinds.iloc[first].reset_index(drop=True)
        playing, players = np.unique(counted.player, return_inverse=True)
        self._bounds = np.searchsorted(counted.player, np.append(playing, playing[-1] + 1))
        size = len(self.table)
        n = sums_by(
            players * size + self.place[counted.kind], counted.n, len(model.players_) * size
        )
        self.n = n.reshape(-1, size)
        self.cell = cell_of(self.table["side"], self.table["family"], model.families_)
        self.choice = self.table["choice"].cat.codes.to_numpy()
        self._counts: dict[tuple[bytes | None, str | None], Ints] = {}
        self._balls, self.ball = np.unique(self._ball_code(self.table), return_inverse=True)

    def _ball_code(self, table: pd.DataFrame) -> Ints:
        code = cell_of(table["side"], table["family"], self._families)
        for name, levels in self._situation.items():
            word = np.zeros(len(table), dtype=np.int64)  # a column that is missing is blank
            if name in table.columns:
                word = positions(table[name], pd.Index(list(levels))) + 1
            code = np.where(code < 0, -1, code * (len(levels) + 1) + word)
        return code

    def rows_of(self, player: int) -> Ints:
        """Rows of the counted shots that are a player's."""
        return np.arange(self._bounds[player], self._bounds[player + 1])

    def ball_of(self, table: pd.DataFrame) -> Ints:
        """Position of each ball's situation; of the cell's commonest where it was never met."""
        if self._families == (ALL_STROKES,):
            table = table.assign(family=ALL_STROKES)
        code = self._ball_code(table)
        at = np.searchsorted(self._balls, code)
        found = np.where(self._balls[np.minimum(at, len(self._balls) - 1)] == code, at, -1)
        cell = cell_of(table["side"], table["family"], self._families)
        n = np.bincount(self.ball, self.n.sum(axis=0))
        of_cell = np.zeros(len(n), dtype=np.int64)
        of_cell[self.ball] = self.cell
        usual = np.full(int(self.cell.max(initial=0)) + 2, -1)
        for c in np.unique(of_cell):
            usual[c] = np.flatnonzero(of_cell == c)[np.argmax(n[of_cell == c])]
        return np.where(found >= 0, found, usual[cell])

    def shot_shares(self, choice: int) -> Floats:
        """Share of every kind of shot within its situation and one choice, (1 + players, kinds)."""
        mine = np.where(self.choice == choice, self._n, 0.0)
        return _drawn(mine, _sums(mine, self.ball)[:, self.ball])

    @property
    def _n(self) -> Floats:
        return np.concatenate([self.n.sum(axis=0, keepdims=True), self.n])

    def counts(self, where: Bools | None, stroke: str | None) -> Ints:
        """Own attacks and resets, shape (2, players, cells); a stroke is the attack's."""
        key = None if where is None else where.tobytes(), stroke
        if key not in self._counts:
            found = []
            for choice in range(2):
                kept = self.choice == choice
                if where is not None:
                    kept = kept & where
                if stroke is not None and choice == 0:
                    kept = kept & (self.table["stroke"] == stroke).to_numpy()
                cells = _sums(np.where(kept, self.n, 0.0), self.cell, 2 * len(self._families))
                found.append(cells)
            self._counts[key] = np.stack(found).astype(np.int64)
        return self._counts[key]

    def enough(
        self, player: int, cell: int, where: Bools | None, stroke: str | None
    ) -> tuple[tuple[int, int], tuple[int, int]]:
        """Attacks and resets of a player in a cell, and of all players."""
        counts = self.counts(where, stroke)[:, :, cell]
        mine, everybody = counts[:, player], counts.sum(axis=1)
        return (int(mine[0]), int(mine[1])), (int(everybody[0]), int(everybody[1]))

    def of_stroke(self, player: int, cell: int, choice: str, stroke: str) -> int:
        """Own shots of a stroke in a cell."""
        kept = (self.cell == cell) & (self.choice == CHOICES.index(choice))
        return int(self.n[player][kept & (self.table["stroke"] == stroke).to_numpy()].sum())

    def weights(self, choice: int, where: Bools | None = None, stroke: str | None = None) -> Floats:
        """Share of every kind of shot within its cell and one choice, (1 + players, kinds).

        The club comes first. A player's shares are drawn toward the club's, which stands for 20
        shots: first that of the situation within the cell, then that of the shot within choice and
        situation. Situations outside `where`, (kinds,), weigh nothing; a `stroke` takes the place
        of the player's own strokes.
        """
        n, ball, cell = self._n, self.ball, self.cell
        of_ball = _sums(n, ball)
        cell_of_ball = np.zeros(of_ball.shape[1], dtype=np.int64)
        cell_of_ball[ball] = cell
        share = _drawn(of_ball, _sums(of_ball, cell_of_ball)[:, cell_of_ball])
        if stroke is None:
            shot = self.shot_shares(choice)
        else:
            shot = ((self.choice == choice) & (self.table["stroke"] == stroke)).to_numpy(float)
        weight = share[:, ball] * shot
        if where is not None:
            weight = np.where(where, weight, 0.0)
        total = _sums(weight, cell)[:, cell]
        return np.divide(weight, total, out=np.zeros_like(weight), where=total > 0)


def _sums(values: Floats, code: Ints, size: int = 0) -> Floats:
    out = np.zeros((len(values), max(int(code.max(initial=-1)) + 1, size)))
    np.add.at(out.T, code, values.T)
    return out


def _drawn(part: Floats, whole: Floats) -> Floats:
    """Own shares drawn toward the first row's."""
    club = np.divide(part[:1], whole[:1], out=np.zeros_like(part[:1]), where=whole[:1] > 0)
    return (part + _MIX_SHOTS * club) / (whole + _MIX_SHOTS)
