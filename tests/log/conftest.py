import pandas as pd
import pytest

from sidewall.log import check_log

HEADINGS = [
    *("match", "game", "rally", "shot", "player", "side", "stroke", "direction", "contact"),
    *("gap_cm", "choice", "balance", "rally_won_by", "ending", "x", "y", "t"),
]
# Lines 2 to 4, 5 to 6, 7 to 10 (first match), 11, and 12 to 13 (second match).
ROWS = """\
M1,1,1,1,Rowan,forehand,serve,,,,,,,,,,10
M1,1,1,2,Hazel,backhand,drive,straight,after_bounce,35,,set,,,0.35,8.5,11.4
M1,1,1,3,Rowan,backhand,drop,straight,volley,70,attack,set,Rowan,winner,0.7,5.5,12.6
M1,1,2,1,Rowan,backhand,serve,,,,,,,,,,40
M1,1,2,2,Hazel,backhand,boast,,off_back_wall,20,,stretched,Rowan,tin,0.2,9.1,41.2
M1,1,3,1,Rowan,forehand,serve,,,,,,,,,,60
M1,1,3,2,Hazel,backhand,drive,cross,volley,90,,set,,,0.9,6,61
M1,1,3,3,Rowan,forehand,lob,cross,after_bounce,15,,stretched,,,6.25,2,62.5
M1,1,3,4,Hazel,forehand,kill,straight,volley,120,,jammed,,let,5.2,4,64
M2,1,1,1,Alder,forehand,serve,,,,,,Alder,winner,,,5
M2,1,2,1,Alder,forehand,serve,,,,,,,,,,25
M2,1,2,2,Birch,forehand,drop,cross,after_bounce,30.5,,set,Alder,out,6.1,1.5,26
"""


@pytest.fixture
def log():
    """A clean log as text, indexed by the line it would stand on in a file."""
    rows = [row.split(",") for row in ROWS.splitlines()]
    return pd.DataFrame(rows, columns=HEADINGS, index=range(2, 2 + len(rows)), dtype=object)


@pytest.fixture
def csv(tmp_path):
    """Write text as a file and return its path."""

    def write(text, name="log.csv", encoding="utf-8"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
        return path

    return write


@pytest.fixture
def text():
    return ",".join(HEADINGS) + "\n" + ROWS


@pytest.fixture
def checked():
    """Check a log and hold the books to their promise."""

    def run(log, **options):
        check = check_log(log, **options)
        assert check.rows_in == check.rows_used + check.rows_refused
        assert len(check.shots) == check.rows_used
        assert check.problems["line"].nunique() == check.rows_refused
        assert not set(check.shots["line"]) & set(check.problems["line"])
        assert set(check.problems["kind"]) <= {"row", "rally", "with its rally"}
        assert (check.problems["reason"] != "").all()
        assert (check.problems["mend"] != "").all()
        assert check.source in check.summary()
        return check

    return run
