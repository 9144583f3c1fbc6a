"""Rallies against a plain loop: what is refused, where and why, what is filled in and what noted.

The logs are small and hard: matches of three names, rows in any order, numbers with holes and
twice, endings and winners that lack, stand twice or contradict one another, clocks that run back.
"""

from collections import Counter
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from sidewall.log import check_log

ENDINGS = ("winner", "tin", "out", "down", "stroke", "no_let", "let")
TO_OTHER = ("tin", "out", "down")
PAIRS = {"M1": ("Elm", "Fir"), "M2": ("Fir", "Oak"), "M3": ("Yew", "Ash")}


def hard_log(rng):
    """A log as charted, and then spoilt in about every tenth row."""
    rows = []
    for match in rng.permutation(list(PAIRS))[: int(rng.integers(1, 4))]:
        one, two = PAIRS[match]
        number, starts = 0, rng.random() < 0.5
        for game in range(1, int(rng.integers(2, 4))):
            number = 0 if starts else number
            if rng.random() < 0.1:
                continue  # nor this game
            for _ in range(int(rng.integers(1, 5))):
                number += 1
                if rng.random() < 0.1:
                    continue  # a rally that nobody logged
                long = int(rng.integers(1, 5))
                clock = int(rng.integers(0, 50))
                for shot in range(1, long + 1):
                    row = {"match": str(match), "game": game, "rally": number, "shot": shot}
                    row |= {"player": (two, one)[shot % 2], "side": "forehand", "gap_cm": 30}
                    row |= {"stroke": "serve" if shot == 1 else "drive", "ending": ""}
                    row |= {"rally_won_by": "", "opponent": "", "t": ""}
                    if rng.random() < 0.5:
                        row["t"] = clock + shot
                    if shot == long:
                        row["ending"] = str(rng.choice(ENDINGS))
                        fixed = row["ending"] in ("winner", "let", *TO_OTHER)
                        if rng.random() < (0.2 if fixed else 0.85):
                            row["rally_won_by"] = str(rng.choice([one, two]))
                    rows.append(row)
                # a habit: the ending or the winner on every row, or on some
                for name in ("ending", "rally_won_by"):
                    share = rng.choice([0, 0.5, 1], p=[0.84, 0.03, 0.13])
                    for row in rows[len(rows) - long :]:
                        row[name] = rows[-1][name] if rng.random() < share else row[name]
    if not rows:
        return hard_log(rng)
    spoil = {
        "match": [*PAIRS, ""],
        "game": [0, 1, 2, 3, 4],
        "rally": [0, 1, 2, 3, 7],
        "shot": [0, 1, 2, 3, 4],
        "player": ["Elm", "Fir", "Fir", "Oak", ""],
        "stroke": ["serve", "drive"],
        "ending": ["", *ENDINGS],
        "rally_won_by": ["", "Elm", "Fir", "Oak", "Nobody"],
        "opponent": ["Elm", "Fir", "Oak"],
        "t": [0, 3],
    }
    often = rng.choice([0.005, 0.01, 0.02])
    for row in rows:
        for name, words in spoil.items():
            if rng.random() < often:
                row[name] = words[int(rng.integers(len(words)))]
    if rng.random() < 0.5:
        swap = rng.integers(len(rows), size=2)
        rows[swap[0]], rows[swap[1]] = rows[swap[1]], rows[swap[0]]
    return rows


class Expected:
    """What a careful person would say of the rows; lines are from 2."""

    def __init__(self, rows):
        self.rows = rows
        self.problems, self.own = [], set()
        self.refused_rallies = set()
        for at, row in enumerate(rows):
            for name in ("match", "player"):
                if row[name] == "":
                    self.add(at, name, "blank")
            for name in ("game", "rally", "shot"):
                if row[name] == 0:
                    self.add(at, name, "'0' is no whole number from 1")
        first = {}
        keys = ("game", "rally", "shot")
        order = [at for at, row in enumerate(rows) if row["match"] and row["game"] * row["rally"]]
        for at in order:
            first.setdefault(rows[at]["match"], len(first))
        order.sort(key=lambda at: (first[rows[at]["match"]], *(rows[at][k] for k in keys), at))
        self.rallies = []
        for at in order:
            mine = [rows[at][k] for k in ("match", "game", "rally")]
            if not self.rallies or mine != self.of(self.rallies[-1][0]):
                self.rallies.append([])
            self.rallies[-1].append(at)
        for rally in self.rallies:
            for before, at in pairwise(rally):
                if rows[before]["shot"] == rows[at]["shot"] > 0:
                    told = f"the same shot of the same rally stands on line {before + 2}"
                    self.add(at, "shot", told)
        self.pairs()
        row_refused = {at for at in range(len(rows)) if at in self.own}
        self.refused_rallies = {k for k, r in enumerate(self.rallies) if row_refused & set(r)}
        for k, rally in enumerate(self.rallies):
            if k not in self.refused_rallies:
                self.check(k, rally)
        for k, rally in enumerate(self.rallies):
            if k in self.refused_rallies:
                at_fault = next(at for at in rally if at in self.own)
                for at in rally:
                    if at not in self.own:
                        why = "its rally cannot be used without a contradiction or a hole"
                        self.problems.append(
                            (at + 2, "", why, f"mend line {at_fault + 2}", "with its rally")
                        )

    def of(self, at):
        return [self.rows[at][k] for k in ("match", "game", "rally")]

    def add(self, at, column, reason, kind="row"):
        self.own.add(at)
        self.problems.append((at + 2, column, reason, None, kind))

    def pairs(self):
        """The two names of each match that stand most often, as striker or as opponent."""
        rows = self.rows
        names = [row["player"] for row in rows if row["player"]]
        counts = Counter(names)
        known = sorted(counts, key=lambda name: (-counts[name], names.index(name)))
        others = [row["opponent"] for row in rows if row["opponent"] not in ("", *known)]
        more = Counter(others)
        known += sorted(more, key=lambda name: (-more[name], others.index(name)))
        self.known, self.pair = known, {}
        for match in {row["match"] for row in rows} - {""}:
            of = Counter()
            for row in rows:
                if row["match"] == match:
                    of.update(x for x in (row["player"], row["opponent"]) if x)
            ranked = sorted(of, key=lambda name: (-of[name], known.index(name)))
            third = sum(of[name] for name in ranked[2:])
            two = len(ranked) > 1 and 3 * third <= of[ranked[1]]
            self.pair[match] = tuple(ranked[:2]) if two else None
        for at, row in enumerate(rows):
            pair = self.pair.get(row["match"])
            if not pair or not row["player"]:
                continue
            if row["player"] not in pair:
                self.add(at, "player", "a third name in a match of two players")
            elif row["opponent"] and {row["player"], row["opponent"]} != set(pair):
                told = "the opponent is not the other player of the match"
                self.add(at, "opponent", told)

    def check(self, k, rally):
        """Refuse a rally; what is wrong with its shots goes before what is wrong with its end."""
        rows = [self.rows[at] for at in rally]

        def refuse(wrong, column, reason):
            for at, one in zip(rally, wrong, strict=True):
                if one:
                    self.add(at, column, reason, "rally")
                    self.refused_rallies.add(k)
                    return True
            return False

        pair = self.pair[rows[0]["match"]]
        if refuse([not pair] * len(rows), "player", "the match does not have two players"):
            return
        shots = [row["shot"] for row in rows]
        if refuse([at == 0 and s != 1 for at, s in enumerate(shots)], "shot",
                  "the rally does not begin with shot 1"):  # fmt: skip
            return
        if refuse([s != at for at, s in enumerate(shots, 1)], "shot",
                  "a shot is missing before this one"):  # fmt: skip
            return
        serves = [row["stroke"] == "serve" for row in rows]
        later = [at > 0 for at in range(len(rows))]
        found = [refuse([not serves[0]] + [False] * (len(rows) - 1), "stroke",
                        "shot 1 is not a serve")]  # fmt: skip
        within = [a and b for a, b in zip(serves, later, strict=True)]
        found.append(refuse(within, "stroke", "a serve within a rally"))
        players = [row["player"] for row in rows]
        twice = [at > 0 and one == players[at - 1] for at, one in enumerate(players)]
        found.append(refuse(twice, "player", "the same player twice running"))
        latest, back = None, []
        for row in rows:
            back.append(row["t"] != "" and latest is not None and row["t"] < latest)
            latest = latest if row["t"] == "" else row["t"]
        found.append(refuse(back, "t", "the time runs backwards within the rally"))
        winners, endings = [row["rally_won_by"] for row in rows], [row["ending"] for row in rows]
        # two names that nobody has are one: not known
        codes = [w if w in ("", *self.known) else "?" for w in winners]
        final = codes[-1] or next((w for w in codes if w), "")
        found.append(refuse([w not in ("", *pair) for w in codes], "rally_won_by",
                            "the winner is not one of the two players of the match"))  # fmt: skip
        found.append(refuse([w not in ("", final) for w in codes], "rally_won_by",
                            "two winners in one rally"))  # fmt: skip
        on_all = len(set(endings)) == 1 and endings[0] != ""
        early = [e != "" and at + 1 < len(rows) and not self.habit(endings, e)
                 for at, e in enumerate(endings)]  # fmt: skip
        assert not (on_all and any(early))
        found.append(refuse(early, "ending", "the rally goes on after its ending"))
        if any(found):
            return
        last, end = len(rows) - 1, endings[-1]
        mark = [at == last for at in range(len(rows))]
        if end == "":
            refuse(mark, "ending", "the last shot of the rally has no ending")
            return
        other = pair[0] if players[-1] == pair[1] else pair[1]
        due = players[-1] if end == "winner" else other if end in TO_OTHER else ""
        if end == "let" and final:
            refuse(mark, "rally_won_by", "a let has no winner")
        elif due and final and due != final:
            refuse(mark, "rally_won_by", "the winner contradicts the ending")
        elif end in ("stroke", "no_let") and not final:
            refuse(mark, "rally_won_by", "the last shot of the rally has no winner")

    @staticmethod
    def habit(endings, one):
        return all(endings) and one == endings[-1]

    def winners(self):
        """Winner of each rally that is used, by the line of its last shot; and how it was found."""
        found, derived, moved = {}, 0, 0
        for k, rally in enumerate(self.rallies):
            if k in self.refused_rallies:
                continue
            rows = [self.rows[at] for at in rally]
            pair, end = self.pair[rows[0]["match"]], rows[-1]["ending"]
            given = [row["rally_won_by"] for row in rows if row["rally_won_by"]]
            striker = rows[-1]["player"]
            name = given[0] if given else ""
            if not given and end != "let":
                other = pair[0] if striker == pair[1] else pair[1]
                name = striker if end == "winner" else other
                derived += 1
            moved += bool(given) and rows[-1]["rally_won_by"] == ""
            found[rally[-1] + 2] = name
        return found, derived, moved

    def holes(self):
        """Rows that are used and stand first after numbers that are missing."""
        found, before = [], None
        for rally in self.rallies:
            match, game, number = self.of(rally[0])
            new = before is None or before[0] != match
            old_game, old = (0, 0) if new else before[1:]
            before = (match, game, number)
            used = rally[0] not in self.own and not any(p[0] == rally[0] + 2 for p in self.problems)
            told = []
            if game > old_game + 1:
                told.append(("game", missing("game", "games", old_game + 1, game - 1)))
            if game == old_game and number > old + 1:
                told.append(("rally", missing("rally", "rallies", old + 1, number - 1)))
            if game == old_game + 1 and number not in (1, old + 1):
                on = f", or with {old + 1} where numbers run on" if old else ""
                text = f"rallies are missing: a game begins with rally 1{on}"
                told.append(("rally", text))
            found += [(rally[0] + 2, *one) for one in told if used]
        return found


def missing(one, many, first, last):
    if first == last:
        return f"{one} {first} is missing before this one"
    return f"{many} {first} to {last} are missing before this one"


SEEDS = range(900, 960)


@pytest.mark.parametrize("seed", SEEDS)
def test_rallies(seed):
    rows = hard_log(np.random.default_rng(seed))
    expected = Expected(rows)
    check = check_log(pd.DataFrame(rows, dtype=object))
    table = check.problems
    found = sorted(
        zip(*(table[name] for name in ("line", "column", "reason", "kind")), strict=True)
    )
    assert found == sorted((p[0], p[1], p[2], p[4]) for p in expected.problems)
    mends = {p[0]: p[3] for p in expected.problems if p[3]}
    others = table[table["kind"] == "with its rally"]
    assert dict(zip(others["line"], others["mend"], strict=True)) == mends
    used = [at + 2 for k, r in enumerate(expected.rallies) if k not in expected.refused_rallies
            for at in r]  # fmt: skip
    assert check.shots["line"].tolist() == used
    assert check.rows_in == len(rows)
    assert check.rows_refused == len(rows) - len(used)
    winners, derived, moved = expected.winners()
    won = check.shots.set_index("line")["rally_won_by"].astype(object)
    assert {line: won[line] if isinstance(won[line], str) else "" for line in winners} == winners
    folded = check.folded[check.folded["column"] == "rally_won_by"]
    counts = dict(zip(folded["read_as"], folded["rows"], strict=True))
    assert counts.get("derived from the ending", 0) == derived
    assert counts.get("as on another row of the rally", 0) == moved
    doubts = check.doubts[check.doubts["reason"].str.contains("missing")]
    told = sorted(zip(doubts["line"], doubts["column"], doubts["reason"], strict=True))
    assert told == sorted(expected.holes())


def test_every_reason_was_met():
    reasons = set()
    for seed in SEEDS:
        expected = Expected(hard_log(np.random.default_rng(seed)))
        reasons |= {p[2].partition(" stands on")[0] for p in expected.problems}
        reasons |= {"hole " + one[1] for one in expected.holes()}
    assert len(reasons) == 22, sorted(reasons)
