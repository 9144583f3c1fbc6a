"""Clips as files: chapters a match, and one table of in and out times."""

from __future__ import annotations

from dataclasses import dataclass, field
from os import PathLike
from pathlib import Path

import pandas as pd

from sidewall.arguments import Table, as_frame
from sidewall.clips.times import OK
from sidewall.clips.webvtt import chapters_text, timestamp
from sidewall.errors import DataError
from sidewall.features.coded import need_columns
from sidewall.files import make_folder, plan_files, write_file
from sidewall.log.safe_text import file_stem, with_text_mark

__all__ = ["WrittenClips", "write_clips"]


@dataclass
class WrittenClips:
    """What :func:`write_clips` wrote, and what it could not show.

    Attributes
    ----------
    table : Path
        The CSV of in and out times, problems among them.
    chapters : dict of str to Path
        The WebVTT file of each match.
    without_times : DataFrame
        The clips without a time, with the reason in ``problem``.
    """

    table: Path
    chapters: dict[str, Path] = field(default_factory=dict)
    without_times: pd.DataFrame = field(default_factory=pd.DataFrame)

    def lines(self) -> list[str]:
        """Say what was written and what is missing."""
        said = [f"Wrote {path}" for path in (self.table, *self.chapters.values())]
        for problem, some in self.without_times.groupby("problem", sort=False):
            first = some.iloc[0]
            rows = int(some["rows"].sum())
            said.append(
                f"{rows} {'is' if rows == 1 else 'are'} not in the chapters: {problem}. The first "
                f"is {first['match']}, {first['title']}."
            )
        return said


def write_clips(clips: Table, folder: str | PathLike[str], name: str = "clips") -> WrittenClips:
    """Write a table of in and out times, and chapters for the video of each match.

    Parameters
    ----------
    clips : DataFrame
        From :func:`~sidewall.clips.clip_times`.
    folder : path
        Made if it is not there; files of the same names are written over.
    name : str, default "clips"
        Ends the name of every file: ``m01-clips.vtt``, ``clips.csv``.

    Returns
    -------
    WrittenClips

    Raises
    ------
    DataError
        If there are no clips.
    WriteError
        If a file cannot be written.
    """
    clips = as_frame(clips, "clips")
    need_columns(clips, ("match", "title", "in_s", "out_s", "rows", "problem"))
    if not len(clips):
        raise DataError("there is no clip to write: the table is empty")
    out, end = Path(folder), file_stem(name, empty="clips")
    timed = clips[clips["problem"] == OK]
    matches = list(dict.fromkeys(clips["match"]))
    chapters = {
        str(match): out / f"{file_stem(str(match), matches, 'match')}-{end}.vtt"
        for match in timed["match"].unique()
    }
    written = WrittenClips(out / f"{end}.csv", chapters, clips[clips["problem"] != OK])
    make_folder(out)
    plan_files([written.table, *chapters.values()])
    write_file(written.table, str(_times(clips).to_csv(index=False)).encode("utf-8-sig"))
    for match, some in timed.groupby("match", sort=False, observed=True):
        # the format is UTF-8 with plain line feeds on every system
        write_file(chapters[str(match)], chapters_text(some))
    return written


def _times(clips: pd.DataFrame) -> pd.DataFrame:
    """Times twice: in seconds for programs, as hours and minutes for people."""
    table = clips.copy()
    for name in ("in", "out"):
        seconds = table[f"{name}_s"].round(3)
        table[f"{name}_s"] = seconds
        table[f"{name}_time"] = ["" if pd.isna(s) else timestamp(round(1000 * s)) for s in seconds]
    for name in ("match", "title"):
        table[name] = table[name].map(with_text_mark)
    order = ["match", "in_s", "in_time", "out_s", "out_time", "title", "rows", "problem"]
    return table[order]
