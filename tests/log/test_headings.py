import pandas as pd
import pytest

from sidewall.errors import LogError, UnitError
from sidewall.log import check_log
from sidewall.log.columns import COLUMNS, column_table, understand

REQUIRED = ["match", "game", "rally", "shot", "player", "side", "stroke", "gap_cm", "ending"]


@pytest.mark.parametrize(
    ("heading", "name", "unit"),
    [
        ("Player", "player", None),
        ("hitter", "player", None),
        ("Won by", "rally_won_by", None),
        ("RALLY-WON-BY", "rally_won_by", None),
        ("Gap (cm)", "gap", "cm"),
        ("gap in inches", "gap", "in"),
        ("Gap, boards", "gap", "boards"),
        ("  Shot no. ", "shot", None),
        ("x", "x", None),
        ("Bounce X (cm)", "bounce_x", "cm"),
        ("x_m", "x", "m"),
        ("t", "t", None),
        ("t_s", "t", None),
        ("tin height cm", "tin_height", "cm"),
        ("opponent", "opponent", None),
        ("Opponent place", "opponent_place", None),
        ("Opponent is", "opponent_place", None),
        ("opponent where", "opponent_place", None),
        ("First bounce", "bounce", None),
        ("Own points", "own_points", None),
    ],
)
def test_understood(heading, name, unit):
    assert understand(heading) == (name, unit)


@pytest.mark.parametrize("heading", ["", "notes", "gap to the T", "player_cm", "coach", 7])
def test_not_understood(heading):
    assert understand(heading) is None


def test_every_heading_leads_to_one_column():
    seen = {}
    for spec in COLUMNS:
        for heading in (spec.name, *spec.headings):
            assert seen.setdefault(heading, spec.name) == spec.name
            assert understand(heading)[0] == spec.name
    assert len(column_table()) == len(COLUMNS)


@pytest.mark.parametrize("column", REQUIRED)
def test_missing_column(log, checked, column):
    name = column.removesuffix("_cm")
    with pytest.raises(LogError, match=f"required column missing: {name}") as caught:
        # A log with the place of contact needs no gap.
        checked(log.drop(columns=[column, "x"]))
    assert "The headings found are" in str(caught.value)


def test_missing_columns_are_all_named():
    headings = ["match", "player", "side", "stroke", "gap_m", "ending"]
    with pytest.raises(LogError, match="game, rally, shot"):
        check_log(pd.DataFrame(columns=headings))


@pytest.mark.parametrize(
    ("added", "name"),
    [("PLAYER", "player"), ("Winner", "rally_won_by"), ("gap_m", "gap"), ("gap_boards", "gap")],
)
def test_two_headings_for_one_column(log, checked, added, name):
    log[added] = "1"
    with pytest.raises(LogError, match=f"both stand for {name}") as caught:
        checked(log)
    assert "column 18" in str(caught.value)


def test_the_same_heading_twice(text, csv, checked):
    lines = [line + ",x" for line in text.splitlines()]
    lines[0] = text.splitlines()[0] + ",side"
    with pytest.raises(LogError, match="both stand for side"):
        checked(csv("\n".join(lines)))


@pytest.mark.parametrize("heading", ["gap", "Gap"])
def test_gap_without_unit(log, checked, heading):
    with pytest.raises(UnitError, match="gap_cm, gap_in, gap_m or gap_boards"):
        checked(log.rename(columns={"gap_cm": heading}))


@pytest.mark.parametrize(("heading", "unit"), [("gap_ft", "ft"), ("Gap (mm)", "mm")])
def test_gap_in_a_unit_that_is_not_known(log, checked, heading, unit):
    with pytest.raises(UnitError, match="no unit that is known") as caught:
        checked(log.rename(columns={"gap_cm": heading}).drop(columns="x"))
    said = str(caught.value)
    assert f"the heading '{heading}' gives the gap in '{unit}'" in said
    assert "cm (centimetres), in (inches), m (metres), boards" in said


def test_a_class_of_gaps_is_no_unit(log, checked):
    with pytest.raises(LogError, match="required column missing: gap_cm"):
        checked(log.rename(columns={"gap_cm": "gap_class"}).drop(columns="x"))


@pytest.mark.parametrize(
    ("written", "unit", "metres"),
    [("{} cm", "cm", 0.01), ("{}in", "in", 0.0254), ('{}"', "in", 0.0254)],
)
def test_cells_may_carry_the_unit(log, checked, written, unit, metres):
    log = log.drop(columns=["x", "y"])
    typed = pd.to_numeric(log["gap_cm"])
    log["gap"] = [written.format(one) if one else "" for one in log["gap_cm"]]
    check = checked(log.drop(columns="gap_cm"))
    assert check.rows_refused == 0
    found = check.shots.set_index("line")["gap_m"]
    # Another way to the same product: two units in the last place of a double at most.
    assert found.to_numpy() == pytest.approx((typed * metres).to_numpy(), rel=1e-15, nan_ok=True)
    noted = check.folded.query("found == '(no unit in the heading)'")
    assert noted["read_as"].tolist() == [f"{unit}, as its cells say"]
    assert noted["rows"].tolist() == [7]


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        (["35 cm", "12 in"], "its cells say cm and in"),
        (["35 cm", "70"], "its cells say cm and no unit"),
        (["3 ft", "2 ft"], "its cells say ft"),
    ],
)
def test_cells_that_do_not_carry_one_known_unit(log, checked, cells, said):
    log["gap"] = ["", *cells, *[""] * (len(log) - 1 - len(cells))]
    with pytest.raises(UnitError, match=f"does not say its unit, and {said}. Name it gap_cm"):
        checked(log.drop(columns="gap_cm"))


@pytest.mark.parametrize("title", ["My club, 2026", "Log of June", "1;2;3", '"a, b"'])
@pytest.mark.parametrize("separator", [",", ";"])
def test_a_title_above_the_headings(text, csv, checked, title, separator):
    with pytest.raises(LogError, match="line 1 looks like a title") as caught:
        checked(csv(f"{title}\n{text.replace(',', separator)}"))
    assert "line 2 holds the headings: delete line 1." in str(caught.value)


def test_a_title_of_two_lines(text, csv, checked):
    with pytest.raises(LogError, match="line 4 holds the headings: delete lines 1 to 3"):
        checked(csv(f"My club\n\nJune\n{text}"))


def test_headings_that_lack_a_column_are_no_title(text, csv, checked):
    with pytest.raises(LogError, match="required column missing: ending"):
        checked(csv(text.replace("ending", "end", 1)))


@pytest.mark.parametrize("heading", ["tin_height", "board width"])
def test_detail_without_unit(log, checked, heading):
    log[heading] = "48"
    with pytest.raises(UnitError, match="does not say its unit"):
        checked(log)


def test_only_the_gap_is_counted_in_boards(log, checked):
    with pytest.raises(UnitError, match="only the gap"):
        checked(log.rename(columns={"x": "x_boards"}), board_width_cm=7)


def test_other_columns_are_listed_as_not_used(log, checked):
    log["Notes"] = ["tired", *[""] * 11]
    log[""] = "7"
    log["line"] = "3"
    check = checked(log)
    assert "Notes" not in check.shots
    listed = check.folded.set_index("column")
    assert listed.loc["Notes", ["read_as", "rows"]].tolist() == ["not used", 1]
    assert listed.loc["(column 19)", "rows"] == 12
    assert "follows from the others" in listed.loc["line", "read_as"]


def test_units_in_the_headings(log, checked):
    log["gap_cm"] = pd.to_numeric(log["gap_cm"]) / 2.54
    log["x"] = pd.to_numeric(log["x"]) * 100
    check = checked(log.rename(columns={"gap_cm": "Gap (in)", "x": "X cm"}))
    assert check.shots["gap_m"].iloc[1] == pytest.approx(0.35)
    assert check.shots["x_m"].iloc[1] == pytest.approx(0.35)


def test_a_column_in_metres_under_centimetres(log, checked):
    many = pd.concat([log] * 5, ignore_index=True)
    many["match"] = [f"{name} {at // 12}" for at, name in enumerate(many["match"])]
    many["gap_cm"] = pd.to_numeric(many["gap_cm"]) / 100
    with pytest.raises(LogError, match="rename it gap_m"):
        checked(many)
