"""The rallies that claims rest on: a few best examples each, and all others in one list."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from os.path import relpath
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

import numpy as np
import pandas as pd

from sidewall.clips import clip_times, write_clips
from sidewall.clips.clips import what_is_seen
from sidewall.court.units import GapWords
from sidewall.errors import DataError
from sidewall.plots.words import capital
from sidewall.report.views import Example, Link, RallyList

_KEY: Final = ["match", "game", "rally"]
#: Examples that a claim shows.
MOST_EXAMPLES: Final = 5
_LEAD_S: Final = 2.0


def clock(seconds: float) -> str:
    """Write a video time as m:ss, from an hour on as h:mm:ss; empty where there is none."""
    if not math.isfinite(seconds):
        return ""
    minutes, rest = divmod(int(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def check_videos(videos: Mapping[str, str | Path], matches: Sequence[str]) -> dict[str, Path]:
    """Check which video belongs to which match of the log.

    A DataError if a match is not in it, or the video is no file of this machine.
    """
    found = {}
    for match, video in videos.items():
        if match not in matches:
            known = ", ".join(matches[:6]) + (" ..." if len(matches) > 6 else "")
            raise DataError(f"--video: no match is called {match!r}; the log has {known}")
        if "://" in str(video) or not Path(video).is_file():
            raise DataError(
                f"--video: {video} is no file here. Give a video file of this machine, such as "
                f"{match}=match.mp4; nothing is fetched from the network"
            )
        found[match] = Path(video)
    return found


class Rallies:
    """Collects the rallies of one page: `lists`, and `behind`, every rally behind one.

    That has match, game, rally, ``title`` and ``best``. `videos` are by match, their addresses told
    from where the page will lie.
    """

    def __init__(
        self,
        shots: pd.DataFrame,
        videos: Mapping[str, Path] | None = None,
        page: Path | None = None,
        words: GapWords | None = None,
    ) -> None:
        self.shots = shots if "t_s" in shots.columns else shots.assign(t_s=math.nan)
        self.videos, self.folder = videos or {}, (page or Path("page")).absolute().parent
        self.words = words or GapWords()
        self.lists: list[RallyList] = []
        times = self.shots[[*_KEY, "t_s"]].assign(match=self.shots["match"].astype(str))
        ends = times.groupby(_KEY, observed=True)["t_s"].agg(["min", "max"])
        self._times = {
            (str(match), int(game), int(rally)): (float(begin), float(end))
            for (match, game, rally), begin, end in ends.itertuples()
        }
        self._parts: list[pd.DataFrame] = []

    def add(
        self, key: str, title: str, shots: pd.DataFrame, words: Sequence[str] = ()
    ) -> Link | None:
        """Add a list, the best examples first; None where there are no shots.

        The key, words of the program and not of the log, is for the anchor; the shots behind the
        claim have match, game, rally and shot; `words` are a line for each of the first, by default
        what is seen.
        """
        if not len(shots):
            return None
        rallies = shots[_KEY].assign(match=shots["match"].astype(str)).drop_duplicates()
        number = len(self.lists) + 1
        link = Link(f"list-{key}", number, len(rallies))
        first = rallies.index[:MOST_EXAMPLES]
        said = dict(zip(shots.index, words, strict=False))
        examples = [
            self._example(row, said.get(at, ""))
            for at, row in zip(first, shots.loc[first].to_dict("records"), strict=True)
        ]
        self.lists.append(RallyList(link, title, len(shots), examples))
        best = np.arange(len(rallies)) < MOST_EXAMPLES
        self._parts.append(rallies.assign(title=f"{number} {title}", best=best))
        return link

    def _example(self, row: dict[Any, Any], words: str) -> Example:
        match, game, rally = str(row["match"]), int(row["game"]), int(row["rally"])
        begin, end = self._times[match, game, rally]
        words = words or _shot_words(row, self.words)
        return Example(match, game, rally, clock(begin), words, self._video(match, begin, end))

    def _video(self, match: str, begin: float, end: float) -> str:
        """A local address with the rally's time as a media fragment (W3C, Media Fragments URI)."""
        if match not in self.videos or not math.isfinite(begin):
            return ""
        path = quote(Path(relpath(self.videos[match].absolute(), self.folder)).as_posix())
        return f"{path}#t={max(begin - _LEAD_S, 0.0):.1f},{end + _LEAD_S:.1f}"

    @property
    def behind(self) -> pd.DataFrame:
        """Every rally behind a list, once a list."""
        if not self._parts:
            return pd.DataFrame(columns=[*_KEY, "title", "best"])
        return pd.concat(self._parts, ignore_index=True)

    def rest(self) -> list[tuple[str, list[tuple[int, list[tuple[int, str]]]]]]:
        """All rallies behind the lists, each once, by match and game with their times."""
        every = self.behind[_KEY].drop_duplicates().itertuples(index=False)
        found: dict[str, dict[int, list[tuple[int, str]]]] = {}
        for key in sorted((str(one[0]), int(one[1]), int(one[2])) for one in every):
            games = found.setdefault(key[0], {})
            games.setdefault(key[1], []).append((key[2], clock(self._times[key][0])))
        return [(match, list(games.items())) for match, games in found.items()]

    def write_clips(self, page: Path) -> tuple[list[tuple[str, str]], list[Path]]:
        """Write chapters and times of the best examples, and the rest as one table.

        The folder beside the page is called as it and ``-clips``. Returned are the links, words and
        a path from the page, and the files. A DataError if the log has no times, or there are no
        rallies.
        """
        folder, behind = page.parent / f"{page.stem}-clips", self.behind
        if not len(behind):
            raise DataError("no list of this page has rallies to make clips of")
        best = behind["best"].astype(bool)
        keys = pd.MultiIndex.from_frame(behind[_KEY])
        others = behind[~keys.isin(keys[best])].drop_duplicates(_KEY)
        some = write_clips(clip_times(behind[best], self.shots), folder, "best examples")
        files = [some.table, *some.chapters.values()]
        words = ["times of the best examples (CSV)"]
        words += [f"chapters of {match} (WebVTT)" for match in some.chapters]
        if len(others):
            rest = clip_times(others, self.shots)
            files.append(write_clips(rest, folder, "other rallies", chapters=False).table)
            words.append("times of all other rallies (CSV)")
        links = [(w, f"{folder.name}/{one.name}") for w, one in zip(words, files, strict=True)]
        return links, files


def _shot_words(row: dict[Any, Any], words: GapWords) -> str:
    """Say a shot in a few words: what was struck, and how loose the ball was."""
    seen = what_is_seen({str(k): v for k, v in row.items() if k != "decision"})
    gap = f" at {words.gap(row['gap_m'])}" if pd.notna(row.get("gap_m")) else ""
    return f"{capital(seen)}{gap}"
