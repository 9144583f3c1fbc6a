"""One small ladder with a hostile name, fitted once for all tests of the report."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser

import pandas as pd
import pytest

from sidewall.log import check_log
from sidewall.report import Report
from sidewall.simulate import synthetic_data_folder

ODD = """<script>alert("x")</script> & 'Oak'"""
VOID = {"meta", "link", "img", "br", "input", "hr"}


@dataclass
class Node:
    tag: str
    attrs: dict[str, str]
    text: str = ""
    inside: list[str] = field(default_factory=list)


class Page(HTMLParser):
    """The page as a list of elements, each with its own text and the tags around it."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.nodes: list[Node] = []
        self.open: list[Node] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        named = {name: value or "" for name, value in attrs}
        node = Node(tag, named, inside=[one.tag for one in self.open])
        self.nodes.append(node)
        if tag not in VOID:
            self.open.append(node)

    def handle_endtag(self, tag):
        assert self.open, f"</{tag}> closes nothing"
        assert self.open[-1].tag == tag, f"</{tag}> closes <{self.open[-1].tag}>"
        self.open.pop()

    def handle_data(self, data):
        for node in self.open:
            node.text += data

    def all(self, *tags):
        return [node for node in self.nodes if node.tag in tags]


def some_matches(shots: pd.DataFrame, player: str) -> pd.DataFrame:
    """Matches of one player, with categories that fit."""
    mine = shots.loc[shots["player"] == player, "match"].unique()
    some = shots[shots["match"].isin(mine)].reset_index(drop=True)
    left = [name for name in some["player"].cat.categories if (some["player"] == name).any()]
    for name in ("player", "opponent", "rally_won_by"):
        some[name] = some[name].cat.set_categories(left)
    some["match"] = some["match"].cat.remove_unused_categories()
    return some


@pytest.fixture(scope="session")
def check():
    home = synthetic_data_folder()
    return check_log(
        home / "ladder.csv", players=home / "players.csv", matches=home / "matches.csv"
    )


@pytest.fixture(scope="session")
def shots(check):
    """Four matches of Rowan's against four others; Rowan is called by a hostile name."""
    some = some_matches(check.shots, "Rowan")
    for name in ("player", "opponent", "rally_won_by"):
        some[name] = some[name].cat.rename_categories({"Rowan": ODD})
    return some


@pytest.fixture(scope="session")
def odd():
    return ODD


@pytest.fixture(scope="session")
def report(shots, check):
    return Report(check=check).fit(shots)


@pytest.fixture(scope="session")
def written(report, tmp_path_factory):
    """The page of the player with the hostile name, with clips."""
    file = tmp_path_factory.mktemp("report") / "new" / "odd.html"
    return report.write(ODD, file, clips=True)


@pytest.fixture(scope="session")
def content(report):
    """What the page shows, gathered a second time and without clips."""
    return report.content(ODD)


@pytest.fixture(scope="session")
def html(written):
    return written.file.read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def page(html):
    return Page(html)


@pytest.fixture(scope="session")
def parse():
    return Page


@pytest.fixture(scope="session")
def log_of_rowan(tmp_path_factory):
    """Four matches of the demonstration as a file."""
    whole = pd.read_csv(synthetic_data_folder() / "ladder.csv", dtype=str)
    mine = whole.loc[whole["player"] == "Rowan", "match"].unique()
    path = tmp_path_factory.mktemp("log") / "club.csv"
    whole[whole["match"].isin(mine)].to_csv(path, index=False)
    return path
