"""What a table lacks is told with the mend that helps: charting, or reading the log."""

from __future__ import annotations

import pandas as pd
import pytest

import sidewall as sw
from sidewall.errors import DataError
from sidewall.features.coded import need_columns

READ = "Read the log with read_shots, which gives every column that is needed."


@pytest.mark.parametrize(
    ("lacks", "told"),
    [
        (["wall_z_m"], "Chart wall_z (height on the front wall), which a log need not have."),
        (
            ["t_s", "balance"],
            "Chart t (time in the video: seconds, mm:ss or h:mm:ss) and balance (set, stretched or "
            "jammed), which a log need not have.",
        ),
        (["gap_m"], READ),
        (["choice", "opponent", "rally_won_by"], READ),
        (["rally_id"], READ),
        (
            ["wall_z_m", "shot"],
            f"Chart wall_z (height on the front wall), which a log need not have. {READ}",
        ),
    ],
)
def test_what_a_log_may_lack_is_to_be_charted_and_the_rest_is_read(lacks, told):
    with pytest.raises(DataError) as found:
        need_columns(pd.DataFrame(columns=["player"]), ["player", *lacks])
    assert str(found.value) == f"The shot table has no column {', '.join(lacks)}. {told}"


def test_a_log_that_was_read_is_never_told_to_be_read(tmp_path):
    log = tmp_path / "least.csv"
    heads = "match,game,rally,shot,player,side,stroke,gap_cm,ending"
    rows = ["m,1,1,1,Rowan,forehand,serve,,", "m,1,1,2,Hazel,backhand,drive,20,tin"]
    log.write_text("\n".join([heads, *rows]), encoding="utf-8")
    shots = sw.read_shots(log)
    for ask in (sw.TinMargin().fit, sw.placement_table, sw.pace_and_accuracy):
        with pytest.raises(DataError, match="Chart ") as found:
            ask(shots)
        assert "read_shots" not in str(found.value)
