import math
import warnings
from io import StringIO
from itertools import product

import numpy as np
import pandas as pd
import pytest
from scipy.stats import f, norm, t
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from sidewall.court import Court
from sidewall.errors import DataError, LogError, RefusedRowsWarning, UnitError
from sidewall.placement import (
    Circle,
    Target,
    balls_needed,
    check_practice,
    compare_practice,
    court_targets,
    practice_table,
    read_practice,
)
from sidewall.placement.practice import share_difference

TEXT = """Session,Ball,Target,Bounce x (cm),bounce_y,Result,stroke
week 1,1,Back left,40,7.5,,drive
week 1,2,back left,95,7.9,,drive
week 1,3,back left,,,tin,drive
week 1,4,BACK LEFT,30,8.0,out,drive
week 2,1,back left,20,7.7,,length
"""


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "drill.csv"
    path.write_text(TEXT, encoding="utf-8")
    return path


def test_a_drill_is_read(path):
    balls = read_practice(path)
    assert balls["on_target"].tolist() == [1.0, 0.0, 0.0, 0.0, 1.0]
    assert balls["error_out_m"].tolist()[:2] == pytest.approx([0.0, 0.55])
    assert balls["error_out_m"].isna().tolist() == [False, False, True, True, False]
    assert balls["stroke"].tolist() == ["drive"] * 5
    assert balls["line"].tolist() == [2, 3, 4, 5, 6]


def test_what_stands_under_headings_of_their_own_is_left_alone():
    notes = "Weather," + TEXT.replace("\n", "\ndry,")[: -len("dry,")]
    frame = pd.read_csv(StringIO(notes), dtype=str, keep_default_na=False)
    pd.testing.assert_frame_equal(
        read_practice(frame), read_practice(frame.drop(columns="Weather"))
    )
    folded = check_practice(frame).folded
    assert ("Weather", "(column)", "not used", 5) in [*folded.itertuples(index=False, name=None)]


def test_players_are_those_that_the_log_names(tmp_path, path):
    assert "player" not in read_practice(path)
    names = ["Player", "Rowan", "Hazel", "rowan", "Hazel", "Rowan"]
    lines = [f"{name},{line}" for name, line in zip(names, TEXT.splitlines(), strict=True)]
    (tmp_path / "named.csv").write_text("\n".join(lines), encoding="utf-8")
    balls = read_practice(tmp_path / "named.csv")
    assert balls["player"].tolist() == ["Rowan", "Hazel", "Rowan", "Hazel", "Rowan"]


def test_a_target_may_be_given_by_its_place():
    frame = pd.DataFrame(
        {
            "session": ["a", "a", "b"],
            "target_x": 6.0,
            "target_y": 8.0,
            "target_radius_cm": 50,
            "bounce_x": [5.8, 5.0, 6.0],
            "bounce_y": [8.1, 8.0, 8.5],
        }
    )
    balls = read_practice(frame)
    assert balls["on_target"].tolist() == [1.0, 0.0, 1.0]
    assert balls["error_out_m"].tolist() == pytest.approx([0.2, 1.0, 0.0])  # off the right wall
    assert set(balls["target"]) == {"6, 8 m, radius 0.5 m"}


@pytest.mark.parametrize(
    ("change", "column", "reason"),
    [
        (("40,7.5", "400,75"), "bounce_y", "off the court"),
        (("Back left,40", "corner,40"), "Target", "'corner' is no known target"),
        (("40,7.5,,", ",,,"), "Bounce x (cm)", "the bounce is not given"),
        (("week 1,1", ",1"), "Session", "blank"),
        (("week 1,2", "week 1,1"), "Ball", "was there before"),
        ((",tin,", ",winner let,"), "Result", "is no known ending"),
        ((",tin,", ",stroke,"), "Bounce x (cm)", "the bounce is not given"),
        (("7.9,,", "7.9,let,"), "Result", "has no such ending"),
        (("40,7.5", "wide,7.5"), "Bounce x (cm)", "is no number"),
    ],
)
def test_wrong_rows_are_refused_with_reason_and_mend(tmp_path, change, column, reason):
    path = tmp_path / "drill.csv"
    path.write_text(TEXT.replace(*change, 1), encoding="utf-8")
    check = check_practice(path)
    assert check.rows_in == 5 == check.rows_used + check.rows_refused
    assert check.rows_refused == 1
    problem = check.problems[check.problems["reason"].str.contains(reason, regex=False)].iloc[0]
    assert problem["column"] == column
    assert problem["mend"]
    with pytest.warns(RefusedRowsWarning, match="1 of 5 rows refused"):
        read_practice(path)


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        (("Bounce x (cm)", "across"), LogError, "required column missing: bounce_x"),
        (("Bounce x (cm)", "bounce_x_boards"), UnitError, "floorboards"),
        (("Target", "Aim"), LogError, "what was aimed at"),
        (("stroke\n", "bounce_y_cm\n"), LogError, "both stand for bounce_y"),
    ],
)
def test_a_log_that_cannot_be_read_says_why(tmp_path, change, error, words):
    path = tmp_path / "drill.csv"
    path.write_text(TEXT.replace(*change, 1), encoding="utf-8")
    with pytest.raises(error, match=words):
        read_practice(path)


def test_no_row_left_is_an_error(tmp_path):
    path = tmp_path / "drill.csv"
    path.write_text("session,target,bounce_x,bounce_y\na,nowhere,1,1\n", encoding="utf-8")
    with pytest.raises(LogError, match="1 of 1 rows refused"):
        read_practice(path)


def drill(rng, session, balls, out, spread):
    return pd.DataFrame(
        {
            "session": session,
            "target": "back left",
            "bounce_x": np.clip(0.4 + rng.normal(out, spread, balls), 0, 6.4),
            "bounce_y": np.clip(7.74 + rng.normal(0, 2 * spread, balls), 0, 9.75),
        }
    )


def test_before_and_after():
    rng = np.random.default_rng(3)
    log = pd.concat([drill(rng, "before", 300, 0.3, 0.4), drill(rng, "after", 300, 0.05, 0.2)])
    balls = read_practice(log)
    by = {name: part for name, part in balls.groupby("session", observed=True)}
    table = compare_practice(by["before"], by["after"])
    share, out = table.loc["share on target"], table.loc["error out (m)"]
    assert share["change_low"] > 0
    assert out["change_low"] < out["change"] < out["change_high"] < 0
    spread = table.loc["spread long (m)"]
    assert spread["change_low"] < 0.5 < spread["change_high"]
    assert (table["n_before"] == 300).all()
    sessions = practice_table(balls, ["session"]).set_index("session")
    assert sessions.loc["after", "share"] == pytest.approx(share["after"])
    assert sessions.loc["after", "n_balls"] == 300
    with pytest.raises(DataError, match="no balls after"):
        compare_practice(by["before"], by["after"].head(0))


def test_the_power_is_what_was_asked_for():
    n = balls_needed(0.4, 0.6, power=0.8)
    rng = np.random.default_rng(4)
    a, b = rng.binomial(n, 0.4, 20_000) / n, rng.binomial(n, 0.6, 20_000) / n
    mean = (a + b) / 2
    seen = np.abs(b - a) / np.sqrt(mean * (1 - mean) * 2 / n) > 1.959964
    assert seen.mean() == pytest.approx(0.8, abs=0.02)


def test_more_is_needed_for_less():
    assert balls_needed(0.4, 0.5) > balls_needed(0.4, 0.6)
    assert balls_needed(0.4, 0.6) == balls_needed(0.6, 0.4)
    for wrong in ((0.4, 0.4), (0.0, 0.4), (0.4, 40)):
        with pytest.raises(DataError):
            balls_needed(*wrong)


def test_a_clean_log_warns_of_nothing(path):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        read_practice(path)


@pytest.mark.parametrize("level", [0.8, 0.95])
def test_a_ratio_of_spreads_has_the_interval_of_the_f_test(level):
    """Moore, McCabe & Craig, Introduction to the Practice of Statistics, 7.3; from memory."""
    rng = np.random.default_rng(5)
    before, after = (
        read_practice(drill(rng, session, balls, 0.2, spread))
        for session, balls, spread in (("before", 25, 0.4), ("after", 40, 0.2))
    )
    found = compare_practice(before, after, level=level).loc["spread long (m)"]
    squared = (after["error_long_m"].std() / before["error_long_m"].std()) ** 2
    n = after["error_long_m"].notna().sum(), before["error_long_m"].notna().sum()
    ends = squared / f(n[0] - 1, n[1] - 1).ppf([0.5 + level / 2, 0.5 - level / 2])
    expected = np.sqrt([squared, *ends])
    assert found[["change", "change_low", "change_high"]].to_numpy() == pytest.approx(expected)


@pytest.mark.filterwarnings("ignore:Precision loss")
def test_spreads_that_cannot_be_told_are_not_compared():
    rng = np.random.default_rng(6)
    many, one = (read_practice(drill(rng, "a", n, 0.2, 0.3)) for n in (30, 1))
    still = many.assign(error_long_m=0.1)
    ends = ["change", "change_low", "change_high"]
    for before, after in ((many, one), (one, many), (still, many)):
        assert compare_practice(before, after).loc["spread long (m)", ends].isna().all()


ENDINGS = ["", "tin", "out", "down", "winner", "let", "stroke", "wide"]


def hard_drill(seed, by_place):
    """Balls with blanks, slips, repeated numbers, places on edges, and targets nobody knows."""
    rng = np.random.default_rng(seed)
    n = 90
    balls = pd.DataFrame({
        "session": rng.choice(["May", "june", "June", ""], n, p=[0.4, 0.3, 0.25, 0.05]),
        "ball": rng.choice([*map(str, range(1, 60)), ""], n),
        "player": rng.choice(["Elm", "Yew", ""], n),
        "side": rng.choice(["forehand", "backhand", ""], n),
        "stroke": rng.choice(["drive", "lob", ""], n),
        "bounce_x_cm": rng.choice(["0", "80", "320", "640", "", "641"], n,
                                  p=[0.3, 0.2, 0.2, 0.2, 0.08, 0.02]),
        "bounce_y": rng.choice(["0", "8.34", "9.75", "8", "", "9.8"], n,
                               p=[0.2, 0.3, 0.1, 0.3, 0.08, 0.02]),
        "wall_z": rng.choice(["0.5", "", "1.2"], n),
        "ending": rng.choice(ENDINGS, n, p=[0.6, 0.1, 0.1, 0.06, 0.06, 0.03, 0.03, 0.02]),
    })  # fmt: skip
    if by_place:
        balls["target_x"] = rng.choice(["3.2", "3.3", "0.8", ""], n, p=[0.4, 0.3, 0.28, 0.02])
        balls["target_y"] = rng.choice(["8", "8.34", ""], n, p=[0.5, 0.48, 0.02])
        balls["target_radius"] = rng.choice(["0.34", "1", "0", ""], n, p=[0.5, 0.46, 0.02, 0.02])
    else:
        balls["target"] = rng.choice(["back left", "Back Right", "front left", "moon", ""], n,
                                     p=[0.4, 0.4, 0.16, 0.02, 0.02])  # fmt: skip
    return balls


def slow_balls(log, by_place, sessions):
    """Rows that can be used, as they are told, in the order of the sessions."""
    number = lambda text: float(text) if text else np.nan  # noqa: E731
    seen, good = set(), []
    targets = {target.name: target for target in court_targets()}
    for line, row in enumerate(log.to_dict("records")):
        session, ball = row["session"].lower(), row["ball"]
        repeated = bool(ball) and (session, ball) in seen
        seen.add((session, ball))
        x, y = number(row["bounce_x_cm"]) / 100, number(row["bounce_y"])
        fault = row["ending"] in ("tin", "out", "down")
        wrong = not session or not ball or repeated or x > 6.4 or y > 9.75
        wrong |= not fault and (np.isnan(x + y) or row["ending"] not in ("", "winner"))
        if by_place:
            aim_x, aim_y, radius = (number(row[f"target_{end}"]) for end in ("x", "y", "radius"))
            wrong |= np.isnan(aim_x + aim_y) or not radius > 0
            name, right = f"{aim_x:g}, {aim_y:g} m, radius {radius:g} m", aim_x > 3.2
            on = float(math.hypot(x - aim_x, y - aim_y) <= radius)
        elif row["target"].lower() not in targets:
            continue
        else:
            target = targets[row["target"].lower()]
            (aim_x, aim_y), name, right = target.aim_m, target.name, target.wall == "right"
            on = float(target.contains(x, y))
        if wrong:
            continue
        out = aim_x - x if right else x - aim_x
        good.append({
            "session": session, "ball": int(ball), "player": row["player"] or None,
            "side": row["side"] or None, "stroke": row["stroke"] or None,
            "ending": row["ending"] or None, "bounce_x_m": x, "bounce_y_m": y,
            "wall_z_m": number(row["wall_z"]),
            **({"target_x_m": aim_x, "target_y_m": aim_y, "target_radius_m": radius}
               if by_place else {}),
            "target": name, "on_target": 0.0 if fault else on,
            "error_out_m": np.nan if fault else out,
            "error_long_m": np.nan if fault else y - aim_y, "line": line,
        })  # fmt: skip
    return pd.DataFrame(sorted(good, key=lambda one: sessions.index(one["session"])))


def slow_problems(log, by_place):
    """What is wrong with each row, by the column that it stands in: ``{(line, column, why)}``."""
    number = lambda text: float(text) if text else np.nan  # noqa: E731
    seen, found = set(), set()
    targets = [target.name for target in court_targets()]
    for line, row in enumerate(log.to_dict("records"), start=2):
        wrong = []
        session, ball, ending = row["session"].lower(), row["ball"], row["ending"]
        wrong += [("session", "blank")] if not session else []
        wrong += [("ball", "blank")] if not ball else []
        if ball and (session, ball) in seen:
            wrong.append(("ball", "this ball of the session was there before"))
        seen.add((session, ball))
        x, y = number(row["bounce_x_cm"]), number(row["bounce_y"])
        wrong += [("bounce_x_cm", "off the court: 0 to 6.4 m")] if x > 640 else []
        wrong += [("bounce_y", "off the court: 0 to 9.75 m")] if y > 9.75 else []
        wrong += [("ending", "'wide' is no known ending")] if ending == "wide" else []
        if by_place:
            ends = [number(row[f"target_{end}"]) for end in ("x", "y", "radius")]
            if np.isnan(ends).any() or ends[2] <= 0:
                wrong.append(("target_x", "the target is not complete"))
        elif row["target"].lower() not in targets:
            what = f"{row['target']!r} is no known target" if row["target"] else "blank"
            wrong.append(("target", what))
        # a bounce is asked for where nothing else was wrong so far
        if np.isnan(x + y) and not wrong and ending not in ("tin", "out", "down"):
            why = "the bounce is not given, and no fault that explains it"
            wrong.append(("bounce_x_cm", why))
        if ending in ("let", "stroke"):
            wrong.append(("ending", "a ball alone has no such ending"))
        found |= {(line, *each) for each in wrong}
    return found


@pytest.mark.parametrize("seed", range(40, 44))
@pytest.mark.parametrize("by_place", [False, True])
def test_what_is_read_and_what_refused_by_loops(seed, by_place):
    log = hard_drill(seed, by_place)
    check = check_practice(log)
    sessions = [name.lower() for name in check.balls["session"].cat.categories]
    assert sorted(sessions) == ["june", "may"]
    wanted = slow_balls(log, by_place, sessions)
    found = check.balls.assign(session=check.balls["session"].astype(str).str.lower())
    words = ["session", "player", "side", "stroke", "ending", "target"]
    found = found.astype({name: object for name in words})
    found["line"] -= found["line"].min() - wanted["line"].min()
    assert set(found) == set(wanted)
    wanted = wanted[list(found)].astype({name: object for name in words})
    for name in words:
        found[name] = found[name].where(found[name].notna(), None)
        wanted[name] = wanted[name].where(wanted[name].notna(), None)
    pd.testing.assert_frame_equal(found, wanted, check_dtype=False)
    assert (check.rows_in, check.rows_used) == (len(log), len(wanted))
    assert check.rows_refused == len(log) - len(wanted) > 5
    told = check.problems[["line", "column", "reason"]].itertuples(index=False, name=None)
    assert sorted(told) == sorted(slow_problems(log, by_place))
    assert check.problems["mend"].str.len().min() > 5


@pytest.mark.parametrize("level", [0.8, 0.95])
def test_changes_by_other_means(level):
    """Shares by another library, means by Welch's formula, spreads by F: all rows and columns."""
    parts = [check_practice(hard_drill(seed, False)).balls for seed in (51, 52)]
    parts[1] = parts[1].iloc[:40]
    found = compare_practice(*parts, level=level)
    hits, n = zip(*((int(part["on_target"].sum()), len(part)) for part in parts), strict=True)
    low, high = confint_proportions_2indep(
        hits[1], n[1], hits[0], n[0], method="newcomb", compare="diff", alpha=1 - level
    )
    shares = hits[0] / n[0], hits[1] / n[1]
    rows = {"share on target": [*shares, *n, shares[1] - shares[0], low, high]}
    errors = {way: [part[f"error_{way}_m"].dropna().to_numpy() for part in parts]
              for way in ("out", "long")}  # fmt: skip
    for way, (a, b) in errors.items():
        v = a.var(ddof=1) / len(a), b.var(ddof=1) / len(b)
        freedom = sum(v) ** 2 / (v[0] ** 2 / (len(a) - 1) + v[1] ** 2 / (len(b) - 1))
        d, half = b.mean() - a.mean(), t.ppf(0.5 + level / 2, freedom) * math.sqrt(sum(v))
        rows[f"error {way} (m)"] = [a.mean(), b.mean(), len(a), len(b), d, d - half, d + half]
    for way, (a, b) in errors.items():
        ratio = b.std(ddof=1) / a.std(ddof=1)
        ends = [ratio / math.sqrt(f.ppf(q, len(b) - 1, len(a) - 1))
                for q in (0.5 + level / 2, 0.5 - level / 2)]  # fmt: skip
        rows[f"spread {way} (m)"] = [a.std(ddof=1), b.std(ddof=1), len(a), len(b), ratio, *ends]
    names = ["before", "after", "n_before", "n_after", "change", "change_low", "change_high"]
    wanted = pd.DataFrame.from_dict(rows, orient="index", columns=names)
    pd.testing.assert_frame_equal(found, wanted, check_names=False, check_dtype=False)
    usual = compare_practice(*parts)
    assert usual.equals(found) == (level == 0.95)


@pytest.mark.filterwarnings("ignore:Precision loss")
def test_few_balls_and_none_seen():
    """Of none seen nothing is told, of one its place, of two alike no change of the spread."""
    balls = check_practice(hard_drill(53, False)).balls
    seen, fault = balls[balls["error_out_m"].notna()], balls[balls["error_out_m"].isna()]
    one = pd.concat([fault, seen.iloc[:1]])
    table = compare_practice(fault, one)
    assert table["n_before"].tolist() == [len(fault), 0, 0, 0, 0]
    assert table["n_after"].tolist() == [len(one), 1, 1, 1, 1]
    assert table.loc["error out (m)", "after"] == seen["error_out_m"].iloc[0]
    assert table.iloc[1:][["before", "change", "change_low", "change_high"]].isna().all(axis=None)
    assert np.isnan(table.loc["spread out (m)", "after"])
    alike = seen.iloc[[0, 0, 0]]
    table = compare_practice(alike, alike.assign(error_out_m=9.0))
    wanted = 9.0 - seen["error_out_m"].iloc[0]
    assert table.loc["error out (m)", ["change", "change_low", "change_high"]].tolist() == (
        [pytest.approx(wanted)] * 3
    )
    assert table.loc["spread out (m)", ["before", "after"]].tolist() == [0.0, 0.0]
    two = compare_practice(seen.iloc[:2].assign(error_out_m=[0.0, 1.0]),
                           alike.iloc[:2].assign(error_out_m=[2.0, 2.0]))  # fmt: skip
    assert two.loc["spread out (m)", ["change", "change_low"]].tolist() == [0.0, 0.0]
    assert two.loc["error out (m)", "change_low"] < 1.5 == two.loc["error out (m)", "change"]
    for parts, said in (((balls.head(0), balls), "before"), ((balls, balls.head(0)), "after")):
        with pytest.raises(DataError, match=f"there are no balls {said}"):
            compare_practice(*parts)
    for counts in ((0, 0, 1, 2), (1, 2, 0, 0)):
        with pytest.raises(DataError, match="no balls before or none after"):
            share_difference(*counts)
    assert share_difference(1, 1, 0, 1)[0] == -1.0


def test_the_table_of_a_drill_by_loops():
    balls = check_practice(hard_drill(54, False)).balls
    found = practice_table(balls, level=0.9, ellipse_share=0.5)
    rows = []
    for session, target in product(balls["session"].cat.categories,
                                   balls["target"].cat.categories):  # fmt: skip
        group = balls[(balls["session"] == session) & (balls["target"] == target)]
        if not len(group):
            continue
        seen = group.dropna(subset="error_out_m")
        hits = int(group["on_target"].sum())
        low, high = proportion_confint(hits, len(group), 0.1, "wilson")
        rows.append({
            "session": session, "target": target, "n_balls": len(group),
            "faults": len(group) - len(seen), "share": hits / len(group), "share_low": low,
            "share_high": high, "bounces": len(seen),
        })  # fmt: skip
        for way in ("out", "long"):
            error = seen[f"error_{way}_m"]
            half = t.ppf(0.95, len(seen) - 1) * error.sem()
            rows[-1] |= {f"{way}_m": error.mean(), f"{way}_m_low": error.mean() - half,
                         f"{way}_m_high": error.mean() + half,
                         f"{way}_sd_m": error.std()}  # fmt: skip
    wanted = pd.DataFrame(rows)
    found = found.astype({"session": object, "target": object})
    pd.testing.assert_frame_equal(
        found[list(wanted)],
        wanted.astype({"session": object, "target": object}),
        check_dtype=False,
    )
    assert found["n_balls"].sum() == len(balls)
    pd.testing.assert_frame_equal(
        practice_table(balls), practice_table(balls, ("session", "target"), level=0.95,
                                              ellipse_share=0.8)
    )  # fmt: skip


@pytest.mark.parametrize("before", [0.05, 0.3, 0.5])
@pytest.mark.parametrize("after", [0.1, 0.45, 0.9])
@pytest.mark.parametrize(("power", "level"), [(0.8, 0.95), (0.9, 0.8)])
def test_so_many_balls_and_not_one_less(before, after, power, level):
    """With so many the normal power is what was asked for, with one less it is below."""
    n = balls_needed(before, after, power=power, level=level)
    mean = (before + after) / 2

    def chance(balls):
        alike = math.sqrt(2 * mean * (1 - mean) / balls)
        apart = math.sqrt((before * (1 - before) + after * (1 - after)) / balls)
        return norm.sf((norm.ppf(0.5 + level / 2) * alike - abs(after - before)) / apart)

    assert chance(n) >= power
    assert n == 1 or chance(n - 1) < power
    assert balls_needed(before, after) == balls_needed(before, after, power=0.8, level=0.95)


def test_columns_that_are_not_used_are_named_by_heading_or_place(tmp_path):
    path = tmp_path / "drill.csv"
    path.write_text(
        "session,target,,bounce_x_m,bounce_y,Mood\nMay,back left,7,0.2,8.0,good\n"
        "May,back left,8,0.2,8.0,\n", encoding="utf-8")  # fmt: skip
    check = check_practice(path)
    told = [*check.folded.itertuples(index=False, name=None)]
    assert told == [("(column 3)", "(column)", "not used", 2), ("Mood", "(column)", "not used", 1)]
    assert check.balls["bounce_x_m"].tolist() == [0.2, 0.2]
    assert check.balls["ending"].isna().all()
    assert list(check.balls) == [
        "session", "ending", "bounce_x_m", "bounce_y_m", "target", "on_target", "error_out_m",
        "error_long_m", "line",
    ]  # fmt: skip
    path.write_text("session,target,bounce_x,bounce_y\n", encoding="utf-8")
    with pytest.raises(LogError, match="there are headings but no rows"):
        read_practice(path)
    for gone in ("target_x", "target_y", "target_radius"):
        kept = [name for name in ("target_x", "target_y", "target_radius") if name != gone]
        path.write_text(f"session,bounce_x,bounce_y,{kept[0]},{kept[1]}\na,1,1,1,1\n")
        with pytest.raises(LogError, match="does not say what was aimed at"):
            read_practice(path)
    for gone in ("session", "bounce_x", "bounce_y"):
        frame = pd.DataFrame({"session": "a", "bounce_x": [1], "bounce_y": [1], "target": "x"})
        with pytest.raises(LogError, match=f"required column missing: {gone}. The headings found"):
            read_practice(frame.drop(columns=gone))


def test_other_headings_and_a_court_of_ones_own():
    frame = pd.DataFrame({"drill": ["a"], "target_name": ["wide"], "bounce_x": [7.0],
                          "bounce_y": [2.0], "Height": [1.0], "tin": [0.43], "Fault": ["tin"],
                          "wing": ["forehand"], "Ball no": [3], "Player name": ["Elm"],
                          "stroke_type": ["drop"]})  # fmt: skip
    wide, court = Target("wide", Circle(7.0, 2.0, 0.5)), Court(width_m=7.62)
    row = read_practice(frame, targets=[wide], court=court).iloc[0]
    assert (row["session"], row["target"], row["bounce_x_m"]) == ("a", "wide", 7.0)
    assert (row["wall_z_m"], row["tin_height_m"], row["ending"]) == (1.0, 0.43, "tin")
    assert (row["side"], row["ball"], row["player"], row["stroke"]) == (
        "forehand",
        3,
        "Elm",
        "drop",
    )
    assert row["on_target"] == 0.0
    with pytest.raises(LogError, match="1 of 1 rows refused"):
        read_practice(frame, targets=[wide])
    for name, most in (("Height", court.clear_height_m), ("tin", court.service_line_m)):
        for value, known in ((most, True), (most + 0.01, False)):
            check = check_practice(frame.assign(**{name: value}), targets=[wide], court=court)
            assert check.rows_used == known
