"""Logs of one match against a loop: which rallies are one, which are kept, and what is said."""

import numpy as np
import pandas as pd
import pytest

from sidewall.log import check_log

PLAYERS = ("Elm", "Fir"), ("Elm", "Oak")
#: Of the rallies that two logs hold, at least half must be alike, in a hundred.
ALIKE = 50


def hard_logs(rng):
    """Logs of match M1 as sets of rallies: (game, rally) to shots, striker of the serve, winner."""
    base = {(game, rally): (int(rng.integers(1, 4)), rng.random() < 0.5)
            for game in (1, 2) for rally in range(1, 6)}  # fmt: skip
    logs = []
    for _ in range(int(rng.integers(2, 5))):
        pair = PLAYERS[int(rng.random() < 0.15)]
        other = rng.random() < 0.25
        log = {}
        for key, (shots, swap) in base.items():
            if rng.random() < rng.choice([0.4, 0.9]):
                shots_of = 1 + shots % 3 if other or rng.random() < 0.03 else shots
                log[key] = (shots_of, pair[swap], pair[1 - swap])
        logs.append((pair, log or {(1, 1): (2, *pair)}))
    return logs


def table_of(pair, log):
    rows = []
    for (game, rally), (shots, server, other) in log.items():
        for shot in range(1, shots + 1):
            row = {"match": "M1", "game": game, "rally": rally, "shot": shot}
            row |= {
                "player": server if shot % 2 else other,
                "opponent": other if shot % 2 else server,
            }
            row |= {"side": "forehand", "stroke": "serve" if shot == 1 else "drive", "gap_cm": 30}
            rows.append(row | {"ending": "winner" if shot == shots else ""})
    return pd.DataFrame(rows)


def winner(one):
    shots, server, other = one
    return server if shots % 2 else other


def alike(one, other):
    if set(one[0]) != set(other[0]):
        return False
    both = one[1].keys() & other[1].keys()
    equal = sum(
        (one[1][k][:2], winner(one[1][k])) == (other[1][k][:2], winner(other[1][k])) for k in both
    )
    return 100 * equal >= ALIKE * len(both)


@pytest.mark.parametrize("seed", range(120, 132))
def test_logs_of_one_match(seed):
    logs = hard_logs(np.random.default_rng(seed))
    tables = [table_of(*log) for log in logs]
    check = check_log(tables)
    labels = [f"table {at + 1}" for at in range(len(logs))]
    groups = []
    for at, log in enumerate(logs):
        for group in groups:
            if any(alike(log, logs[other]) for other in group):
                group.append(at)
                break
        else:
            groups.append([at])
    kept, refused, notes, names = [], [], [], []
    for group in groups:
        name = "M1" if len(groups) == 1 else f"{labels[group[0]]}: M1"
        names.append(name)
        first, parts = {}, []
        for at in group:
            line, new = 2, False
            for key, (shots, *_) in logs[at][1].items():
                for shot in range(shots):
                    if key in first:
                        why = f"match {name!r} has this rally in {labels[first[key]]} too"
                        kind = "with its rally" if shot else "rally"
                        refused.append((labels[at], line + shot, "rally", str(key[1]), why, kind))
                    else:
                        kept.append((name, labels[at], line + shot, *key, shot + 1))
                new |= key not in first
                line += shots
            first |= {key: at for key in logs[at][1] if key not in first}
            parts += [labels[at]] if new else []
        if len(parts) > 1:
            notes.append(
                f"Match {name!r} stands in {', '.join(parts)}, with other rallies in each, and is "
                "read as one. If these are several, give each its own name. The score is not "
                "known where an earlier log holds what went before."
            )
    if len(groups) > 1:
        notes.append(
            f"Match 'M1' stands in {', '.join(labels)} with different play, and is read as "
            f"{len(groups)} matches: {', '.join(map(repr, names))}. If it is one match, leave all "
            "but one of the logs out."
        )
    shots = check.shots
    found = shots[["match", "log", "line", "game", "rally", "shot"]].astype(object)
    assert sorted(found.itertuples(index=False, name=None)) == sorted(kept)
    in_order = shots.groupby("match", observed=True, sort=False)[["game", "rally", "shot"]]
    assert all(rows.apply(tuple, axis=1).is_monotonic_increasing for _, rows in in_order)
    columns = ["log", "line", "column", "value", "reason", "kind"]
    problems = check.problems[columns].itertuples(index=False, name=None) if refused else []
    assert list(problems) == sorted(refused, key=lambda one: labels.index(one[0]))
    assert [
        note for note in check.notes if note.startswith("Match 'M1'") or "stands in" in note
    ] == [*notes]
    assert check.logs == {label: len(table) for label, table in zip(labels, tables, strict=True)}
    assert (check.rows_in, check.rows_used) == (sum(map(len, tables)), len(kept))
    assert check.rows_refused == len(refused)
