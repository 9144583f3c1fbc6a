"""What a log as a whole makes one ask: all is used as it is, and each question is put once.

A mistake that every row shares contradicts nothing within a row or a rally. Limits of counts and
factors here are common practice, no source.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from sidewall.arguments import Array, Bools, Ints
from sidewall.log.raw import shown_cell

#: So many gaps or sides that are all the same, or shots that another match repeats, are no chance.
_ENOUGH: Final = 30
#: So many gaps put the median of a match within about a fifth.
_ENOUGH_OF_MATCH: Final = 50
#: Units are a factor of 2.54 (inches, centimetres) or more apart. A quarter less leaves room for a
#: match that is looser or tighter than the others; such matches are well below twice as loose.
_OTHER_UNIT: Final = 2.0
#: What two matches of one pair never share from end to end.
_PLAY: Final = ("game", "rally", "shot", "player", "opponent", "side", "stroke", "gap_m")
#: So many rallies tell whether winners serve next.
_ENOUGH_RALLIES: Final = 20
#: A shorter word may be an initial or a number that tells two players apart.
_SHORTEST_WORD: Final = 4


@dataclass(frozen=True)
class Remark:
    """What to look at: its place in the table of shots, the column, what is odd, the mend."""

    at: int
    column: str
    reason: str
    mend: str


def remarks(shots: pd.DataFrame) -> list[Remark]:
    """Return what to look at in a checked table of shots, in order of match, game, rally, shot."""
    if shots.empty:
        return []
    found = (_same_gaps, _same_side, _other_scale, _copies, _other_servers, _near_names)
    return [remark for check in found for remark in check(shots)]


def _same_gaps(shots: pd.DataFrame) -> Iterator[Remark]:
    gap = shots["gap_m"].to_numpy()
    known = ~np.isnan(gap)
    for at, count, _, where in _throughout(shots, known, _as_first(gap, known), _ENOUGH):
        yield Remark(
            at,
            "gap",
            f"all {count} gaps of {where} are the same",
            "write the gap of each shot; where nobody measured it, leave it blank and give its "
            "gap_class",
        )


def _same_side(shots: pd.DataFrame) -> Iterator[Remark]:
    side = shots["side"].cat.codes.to_numpy()
    known = side >= 0
    for at, count, _, where in _throughout(shots, known, _as_first(side, known), _ENOUGH):
        yield Remark(
            at,
            "side",
            f"every shot of {where} is a {shots['side'].iloc[at]} ({count} shots)",
            "write the side that each shot was played on",
        )


def _as_first(values: Array, known: Bools) -> Callable[[Ints], Bools]:
    """Whether each value is that which its group begins with."""

    def same(group: Ints) -> Bools:
        at = np.flatnonzero(known)
        first = np.zeros(int(group.max()) + 1, dtype=np.int64)
        first[group[at[::-1]]] = at[::-1]
        return np.asarray(values == values[first[group]])

    return same


def _throughout(
    shots: pd.DataFrame,
    counted: Bools,
    odd: Callable[[Ints], Bools],
    enough: int,
    most: bool = False,
) -> Iterator[tuple[int, int, int, str]]:
    """Where enough rows are counted and all, or `most`, are odd: the log, or else its matches.

    The first odd row of each, the numbers of odd and of counted rows, and what it is called.
    """
    match = shots["match"].cat.codes.to_numpy().astype(np.int64)
    for group in (np.zeros_like(match), match):
        off = counted & odd(group)
        size = int(group.max()) + 1
        total, number = (np.bincount(group[of], minlength=size) for of in (counted, off))
        least = total // 2 + 1 if most else total
        hit = np.flatnonzero((total >= enough) & (number >= least))
        for one in hit.tolist():
            at = int(np.flatnonzero(off & (group == one))[0])
            where = f"match {_match(shots, at)}" if group is match else "the log"
            yield at, int(number[one]), int(total[one]), where
        if len(hit):
            return


def _match(shots: pd.DataFrame, at: int) -> str:
    return shown_cell(shots["match"].iloc[at])


def _other_scale(shots: pd.DataFrame) -> Iterator[Remark]:
    gap = shots["gap_m"].dropna()
    of_match = gap.groupby(shots["match"].cat.codes.loc[gap.index])
    count, median = of_match.size().to_numpy(), of_match.median()
    median = median[count >= _ENOUGH_OF_MATCH]
    if len(median) < 2:
        return
    # Of an even number the larger one, so that half the matches in another unit are told too.
    typical = float(np.quantile(median, 0.5, method="higher"))
    first = shots["match"].cat.codes.loc[gap.index].drop_duplicates()
    others = "the other matches" if len(median) > 2 else "the other match"
    for at, code in zip(first.index.tolist(), first.tolist(), strict=True):
        own = float(median.get(code, typical))
        if min(own, typical) * _OTHER_UNIT > max(own, typical) or own == typical:
            continue
        least, most = sorted((own, typical))
        times = f"{most / least:.3g} times" if least > 0 else "far"
        yield Remark(
            int(at),
            "gap",
            f"match {_match(shots, at)}: its gaps are {times} "
            f"{'smaller' if own < typical else 'larger'} than in {others}",
            "if they were measured in another unit (1 in is 2.54 cm), convert them",
        )


def _copies(shots: pd.DataFrame) -> Iterator[Remark]:
    match = shots["match"].cat.codes.to_numpy()
    # Matches that are the same add up to the same; only such are compared shot for shot.
    parts = (shots["gap_m"].to_numpy(), shots["rally"].to_numpy(), shots["stroke"].cat.codes)
    sums = np.column_stack(
        [np.bincount(match), *(np.bincount(match, weights=np.nan_to_num(one)) for one in parts)]
    )
    seen: dict[bytes, list[pd.DataFrame]] = defaultdict(list)
    twins = pd.DataFrame(sums).duplicated(keep=False).to_numpy() & (sums[:, 0] >= _ENOUGH)
    for code in np.flatnonzero(twins).tolist():
        rows = np.flatnonzero(match == code)
        play = shots[list(_PLAY)].iloc[rows]
        alike = seen[sums[code].tobytes()]
        for other in alike:
            if play.reset_index(drop=True).equals(other.reset_index(drop=True)):
                yield Remark(
                    int(rows[0]),
                    "match",
                    f"match {_match(shots, rows[0])} has shot for shot the play of match "
                    f"{_match(shots, other.index[0])}",
                    "if it is one match under two names, delete one of them",
                )
                break
        else:
            alike.append(play)


def _other_servers(shots: pd.DataFrame) -> Iterator[Remark]:
    names = shots["player"].cat.categories
    place = np.append(names.get_indexer(shots["rally_won_by"].cat.categories), -1)
    begins = shots["shot"].to_numpy() == 1
    last = np.append(np.flatnonzero(begins)[1:], len(shots)) - 1
    winner = place[shots["rally_won_by"].cat.codes.to_numpy()[last]][:-1]
    server = shots["player"].cat.codes.to_numpy()[begins][1:]
    step = [np.diff(shots[name].to_numpy()[begins]) for name in ("game", "rally")]
    follows = np.diff(shots["match"].cat.codes.to_numpy()[begins]) == 0
    follows &= (step[0] == 0) & (step[1] == 1) & (winner >= 0)
    counted, off = np.zeros((2, len(shots)), dtype=bool)
    counted[last[:-1]] = follows
    off[last[:-1]] = follows & (winner != server)
    for at, wrong, total, where in _throughout(
        shots, counted, lambda _: off, _ENOUGH_RALLIES, most=True
    ):
        yield Remark(
            at,
            "ending",
            f"after {wrong} of {total} rallies of {where} the winner does not serve the next one",
            "who wins a rally serves next: check whether winner is mixed up with tin, out and "
            "down, or the two players with one another",
        )


def _near_names(shots: pd.DataFrame) -> Iterator[Remark]:
    names = [str(name) for name in shots["player"].cat.categories]
    player, match = (shots[name].cat.codes.to_numpy() for name in ("player", "match"))
    of_match = pd.unique(match.astype(np.int64) * len(names) + player)
    matches = np.bincount(of_match % len(names), minlength=len(names))
    strokes = np.bincount(player, minlength=len(names))
    for one, other in _pairs(names):
        both = np.isin(of_match // len(names), of_match[of_match % len(names) == one] // len(names))
        if (both & (of_match % len(names) == other)).any():
            continue  # they have played one another, and are two
        # Of two that are as rare, the one who comes later.
        rare, known = sorted((one, other), key=lambda code: (matches[code], strokes[code], -code))
        if matches[rare] == 1:
            at = int(np.flatnonzero(player == rare)[0])
            yield Remark(
                at,
                "player",
                f"{shown_cell(names[rare])} plays in match {_match(shots, at)} alone and is "
                f"written almost as {shown_cell(names[known])}",
                "if they are one player, write the name one way; if they are two, leave it",
            )


def _pairs(names: list[str]) -> list[tuple[int, int]]:
    """Pairs of names that one letter tells apart, by position."""
    # Two such names become one when a letter is left out of either or both.
    shared: dict[str, list[int]] = defaultdict(list)
    folded = [name.casefold() for name in names]
    for at, name in enumerate(folded):
        shorter = {name[:k] + name[k + 1 :] for k, one in enumerate(name) if one.isalpha()}
        for key in shorter | {name}:
            shared[key].append(at)
    pairs = {
        (one, other)
        for alike in shared.values()
        for place, one in enumerate(alike)
        for other in alike[place + 1 :]
    }
    return sorted(pair for pair in pairs if _near(folded[pair[0]], folded[pair[1]]))


def _near(one: str, other: str) -> bool:
    words = one.split(), other.split()
    differ = [pair for pair in zip(*words, strict=False) if pair[0] != pair[1]]
    if len(words[0]) != len(words[1]) or len(differ) != 1:
        return False
    short, long = sorted(differ[0], key=len)
    if len(short) < _SHORTEST_WORD or not (short + long).isalpha():
        return False
    unlike = (k for k, pair in enumerate(zip(short, long, strict=False)) if pair[0] != pair[1])
    at = next(unlike, len(short))
    if len(short) < len(long):
        return short[at:] == long[at + 1 :]
    swapped = short[at : at + 2] == long[at : at + 2][::-1]
    return short[at + 1 :] == long[at + 1 :] or (swapped and short[at + 2 :] == long[at + 2 :])
