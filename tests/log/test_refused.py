import pytest

from sidewall.errors import LogError, RefusedRowsWarning
from sidewall.log import check_log, check_shots, read_shots


@pytest.fixture
def damaged(log):
    log.loc[3, "side"] = "?"
    return log


def test_warns(damaged):
    with pytest.warns(RefusedRowsWarning, match="3 of 12 rows refused.*line 3, side") as caught:
        shots = read_shots(damaged)
    assert len(shots) == 9
    assert caught[0].filename == __file__


def test_raises(damaged):
    with pytest.raises(LogError, match="3 of 12 rows refused"):
        read_shots(damaged, on_refused="raise")


def test_ignores(damaged, recwarn):
    assert len(read_shots(damaged, on_refused="ignore")) == 9
    assert not recwarn.list


def test_unknown_way(log):
    with pytest.raises(LogError, match="'warn', 'raise' or 'ignore'"):
        read_shots(log, on_refused="shout")


def test_nothing_left_raises(log):
    log["side"] = "?"
    with pytest.raises(LogError, match="12 of 12"):
        read_shots(log)
    assert read_shots(log, on_refused="ignore").empty


def test_check_shots_is_the_list(damaged):
    assert check_shots(damaged)["line"].tolist() == [2, 3, 4]


def test_summary_is_capped(log, checked):
    log["gap_cm"] = "wide"
    text = checked(log).summary(most=2)
    assert text.count("Mend:") == 2
    assert "and 5 more" in text


def test_every_fault_of_a_row_is_named(log):
    """A row that is refused for its side still lacks its gap: both are mended at once."""
    log.loc[4, "side"], log.loc[4, "gap_cm"] = "?", ""
    problems = check_log(log).problems
    assert set(problems.loc[problems["line"] == 4, "column"]) == {"side", "gap_cm"}
