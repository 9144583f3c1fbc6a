"""The page of results is made from the records, and prose quotes only what is recorded."""

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import records

HOME = Path(__file__).parents[1]
LINK = re.compile(r"\[([^\]]*\d[^\]]*)\]\(tests/studies/RESULTS\.md#([\w-]+)\)")
NUMBER = re.compile(r"\d[\d,]*(?:\.\d+)?")


def sections():
    parts = records.PAGE.read_text("utf-8").split("\n## ")[1:]
    return {part.splitlines()[0]: part for part in parts}


def test_the_page_is_made_from_the_records():
    assert records.PAGE.read_text("utf-8") == records.page(records.known())


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_every_quoted_figure_stands_in_the_record_that_it_links_to(name):
    quoted = LINK.findall((HOME / name).read_text("utf-8"))
    assert quoted
    assert {anchor for _, anchor in quoted} <= set(sections())
    for words, anchor in quoted:
        recorded = [float(n.replace(",", "")) for n in NUMBER.findall(sections()[anchor])]
        for number in NUMBER.findall(words):
            # a quoted figure may have fewer digits than the record
            half = 0.5 * 10.0 ** -len(number.partition(".")[2])
            off = np.abs(np.array(recorded) - float(number.replace(",", "")))
            assert off.min() <= half * (1 + 1e-9), (words, number)


def test_records_say_how_they_were_made(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(records, "RESULTS", tmp_path)
    monkeypatch.setattr(records.sys, "argv", ["/somewhere/deep/study.py", "one", "--runs", "3"])
    table = pd.DataFrame({"what": ["a", "b"], "covered": [95.123, np.nan], "n": [10, 20]})
    records.record("study_one", {"sets": table}, seed=4)
    assert "study_one.json" in capsys.readouterr().out
    known = records.known()
    one = known["study_one"]
    assert one["command"] == "python tests/studies/study.py one --runs 3"
    assert one["figures"]["sets"] == [
        {"what": "a", "covered": 95.123, "n": 10},
        {"what": "b", "n": 20},
    ]
    assert one["seed"] == 4
    page = records.page(known)
    assert "## study-one" in page
    assert "| a | 95.12 | 10 |" in page
    assert "| b |  | 20 |" in page
    assert records.older(known) == []
    known["study_one"]["package"] = "another"
    assert records.older(known) == ["study_one"]
