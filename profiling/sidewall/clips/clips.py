"""In and out times of rallies in the video, their titles, as WebVTT chapters and CSV.

Source of the chapters: W3C, *WebVTT: The Web Video Text Tracks Format*, Candidate
Recommendation, 4 April 2019: the file (4.1), timings (``hh:mm:ss.mmm``), chapter titles (4.3, no
line that holds ``-->``; ``&`` and ``<`` only as character references), chapters that follow one
another or lie wholly inside one another (4.6.3, "using only nested cues").
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from os import PathLike
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Array, Table, as_frame, check_number
from sidewall.errors import DataError
from sidewall.features.coded import need_columns
from sidewall.files import make_folder, plan_files, write_file
from sidewall.log.writing import file_stem, with_text_mark

#: Said in a few words before the shot; a shot that was judged says how.
_DECISIONS: Final = ("forced", "passed up", "attacked loose", "reset tight")
_PLAIN: Final = {"cross": "cross-court", "attacked loose": "attacked", "reset tight": "reset"}


def clip_title(row: Mapping[str, Any], name_player: bool = False) -> str:
    """Say where a shot or rally is and what is seen: "game 1, rally 12, shot 5: volley drop".

    The row has ``game`` and ``rally``; ``shot`` for a single shot; ``title``, where the table has
    one, is taken as it is; else ``decision``, ``side``, ``contact``, ``direction`` and ``stroke``
    are said as far as they are known, and with `name_player` who strikes.
    """
    where = f"game {row['game']}, rally {row['rally']}"
    if _known(row, "shot"):
        where += f", shot {int(row['shot'])}"
    seen = str(row["title"]) if _known(row, "title") else what_is_seen(row)
    if name_player and _known(row, "player") and _known(row, "shot"):
        seen = f"{row['player']}, {seen}" if seen else str(row["player"])
    return f"{where}: {seen}" if seen else where


def what_is_seen(row: Mapping[str, Any]) -> str:
    """Say a shot: how it was judged, side, how the ball was met, direction and stroke."""
    words = []
    if _known(row, "decision") and str(row["decision"]) in _DECISIONS:
        words.append(_word(row["decision"]))
    if _known(row, "stroke") and str(row["stroke"]) == "serve":
        return " ".join([*words, "serve"])
    words += [_word(row[name]) for name in ("side", "direction") if _known(row, name)]
    volley = _known(row, "contact") and str(row["contact"]) == "volley"
    if volley or (not _known(row, "contact") and str(row.get("family")) == "volley"):
        words.append("volley")
    if _known(row, "stroke"):
        words.append(_word(row["stroke"]))
    return " ".join(words)


def _known(row: Mapping[str, Any], name: str) -> bool:
    return name in row and not pd.isna(row[name])


def _word(value: Any) -> str:
    return _PLAIN.get(str(value), str(value).replace("_", " "))


_RALLY: Final = ["match", "game", "rally"]
_SEEN: Final = ("player", "side", "stroke", "direction", "contact")
OK: Final = ""
NO_TIME: Final = "no time in the log"
_NOT_THERE: Final = "not in the log"
_BACKWARDS: Final = "the rally's last strike has an earlier time than its serve"


def clip_times(
    table: Table,
    shots: Table,
    *,
    lead_in_s: float = 4.0,
    lead_out_s: float = 2.0,
    merge: bool = True,
    name_players: bool | None = None,
) -> pd.DataFrame:
    """Find the in and out time of every shot or rally of a table.

    A rally is shown from `lead_in_s` before its serve to `lead_out_s` after its last strike,
    a single shot from `lead_in_s` before its strike to `lead_out_s` after it.

    Parameters
    ----------
    table : DataFrame
        One row a clip, with ``match``, ``game`` and ``rally``; with ``shot`` for single
        shots (a missing one stands for the whole rally). Any table of decisions, features or
        rallies will do. A column ``title`` says what is seen; without it, the words are made
        from ``decision`` and the shot's own columns.
    shots : DataFrame
        The log, with times in ``t_s`` (seconds into the match's video).
    lead_in_s : float, default 4.0
        Seconds before.
    lead_out_s : float, default 2.0
        Seconds after.
    merge : bool, default True
        Whether clips of a match that overlap in time or touch become one.
    name_players : bool, optional
        Whether titles of single shots say who strikes, as the log names players. By default
        they do where the table's shots are by more than one player.

    Returns
    -------
    DataFrame
        One row a clip, by match and time: ``match``, ``in_s`` and ``out_s`` (seconds, never
        below 0; missing without a time), ``title``, ``rows`` (how many rows of `table` it
        shows) and ``problem`` (empty, or why there is no time). Every row of `table` is in
        exactly one clip.

    Raises
    ------
    DataError
        If a column is missing, the log has no times at all, or a lead is negative.

    See Also
    --------
    write_clips
    rally_table

    Examples
    --------
    >>> clips = sw.clip_times(sw.rally_table(shots).head(2), shots)
    >>> clips[["match", "in_s", "out_s", "rows"]]
      match   in_s  out_s  rows
    0   m01  16.00  33.18     1
    1   m01  39.44  47.17     1
    """
    table = as_frame(table, "table")
    shots = as_frame(shots)
    check_number(lead_in_s, "lead_in_s", least=0.0)
    check_number(lead_out_s, "lead_out_s", least=0.0)
    _check(table, shots)
    single = "shot" in table.columns
    keys = [*_RALLY, "shot"]
    clips = pd.DataFrame({name: table[name].to_numpy() for name in _RALLY})
    clips["match"] = clips["match"].astype(str)
    clips["shot"] = table["shot"].to_numpy(dtype=float) if single else np.nan
    log = shots[[*keys, "t_s", *(name for name in _SEEN if name in shots.columns)]]
    log = log.assign(match=log["match"].astype(str), shot=log["shot"].astype(float))
    rallies = log.set_index(_RALLY)["t_s"].groupby(level=_RALLY, sort=False)
    ends = pd.DataFrame({"begin": rallies.head(1), "end": rallies.tail(1)})
    at_rally = pd.MultiIndex.from_frame(clips[_RALLY])
    at_shot = pd.MultiIndex.from_frame(clips[keys])
    strike = log.set_index(keys)["t_s"]
    whole_rally = clips["shot"].isna().to_numpy()
    there = np.where(whole_rally, at_rally.isin(ends.index), at_shot.isin(strike.index))
    rally_ends, struck = ends.reindex(at_rally), strike.reindex(at_shot).to_numpy()
    begin = np.where(whole_rally, rally_ends["begin"], struck)
    end = np.where(whole_rally, rally_ends["end"], struck)
    untimed, backwards = np.isnan(begin + end), end < begin
    clips["problem"] = np.select(
        [~there, untimed, backwards], [_NOT_THERE, NO_TIME, _BACKWARDS], OK
    )
    timed = (clips["problem"] == OK).to_numpy()
    clips["in_s"] = np.where(timed, np.maximum(begin - lead_in_s, 0.0), np.nan)
    clips["out_s"] = np.where(timed, np.maximum(end + lead_out_s, 0.0), np.nan)
    clips["title"] = _titles(clips, table, log.set_index(keys), at_shot, name_players)
    clips["rows"] = 1
    clips = clips.iloc[np.lexsort((clips["in_s"], pd.factorize(clips["match"])[0]))]
    found = _merged(clips) if merge else clips
    return found[["match", "in_s", "out_s", "title", "rows", "problem"]].reset_index(drop=True)


def _check(table: pd.DataFrame, shots: pd.DataFrame) -> None:
    missing = [name for name in _RALLY if name not in table.columns]
    if missing:
        raise DataError(
            f"the table of clips has no column {', '.join(missing)}; a clip is found by match, "
            "game and rally (and shot)"
        )
    if "t_s" not in shots.columns or shots["t_s"].isna().all():
        raise DataError(
            "the log has no times, so no clip can be found in a video; chart the column t "
            "(seconds, mm:ss or h:mm:ss into the match's video)"
        )


def _titles(
    clips: pd.DataFrame,
    table: pd.DataFrame,
    log: pd.DataFrame,
    at_shot: pd.MultiIndex,
    name_players: bool | None,
) -> list[str]:
    seen: dict[str, Array] = {
        name: log[name].astype(object).reindex(at_shot).to_numpy()
        for name in _SEEN
        if name in log.columns
    }
    for name in ("title", "decision", "family", *_SEEN):
        if name in table.columns:
            seen[name] = table[name].astype(object).to_numpy()
    if name_players is None:
        name_players = "player" in seen and len(pd.Series(seen["player"]).dropna().unique()) > 1
    rows = clips[[*_RALLY, "shot"]].assign(**seen).to_dict("records")
    return [clip_title({str(k): v for k, v in row.items()}, name_players) for row in rows]


def _merged(clips: pd.DataFrame) -> pd.DataFrame:
    """Join clips of a match that touch; they come sorted by match and begin."""
    match = pd.factorize(clips["match"])[0]
    # each match's clips are moved beyond the ones before it, so that none can touch another's
    reach = clips.groupby(match)["out_s"].cummax().to_numpy()
    begin = clips["in_s"].to_numpy()
    timed = ~np.isnan(begin)
    apart = np.ones(len(clips), dtype=bool)
    same = (match[1:] == match[:-1]) & timed[1:] & timed[:-1]
    apart[1:] = ~(same & (begin[1:] <= reach[:-1]))
    joined = clips.groupby(np.cumsum(apart), sort=False)
    return joined.agg(
        match=("match", "first"),
        in_s=("in_s", "first"),
        out_s=("out_s", "max"),
        title=("title", lambda titles: "; ".join(dict.fromkeys(titles))),
        rows=("rows", "sum"),
        problem=("problem", "first"),
    )


#: Control characters, and halves of characters that no encoding can write.
_UNWRITABLE: Final = re.compile(r"[\x00-\x1f\x7f\u0085\u2028\u2029\ud800-\udfff]")


def timestamp(ms: int) -> str:
    """Write milliseconds as ``hh:mm:ss.mmm``; hours have two digits or more."""
    seconds, ms = divmod(ms, 1000)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours:02d}:{minutes:02d}:{seconds:02d}.{ms:03d}"


def cue_text(title: str) -> str:
    """Write a title as the text of a cue: one line, with ``&``, ``<`` and ``>`` escaped."""
    line = " ".join(_UNWRITABLE.sub(" ", title).split()) or "clip"
    return line.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def chapters_text(clips: pd.DataFrame) -> str:
    """Write the clips of one match, from `clip_times`, as a WebVTT file of chapters, by time.

    Where two that are not merged overlap in part, the first is cut where the next begins, since
    chapters may not overlap so; the table of times keeps its full length. A DataError if a clip
    has no time, or the clips are of several matches.
    """
    if len(clips["match"].unique()) > 1:
        raise DataError("clips of several matches: each match is a video of its own")
    if clips[["in_s", "out_s"]].isna().any(axis=None):
        raise DataError("a clip has no time; leave it out of the chapters, and say so")
    cues = [
        (round(1000 * begin), round(1000 * end), title)
        for begin, end, title in zip(clips["in_s"], clips["out_s"], clips["title"], strict=True)
    ]
    lines = ["WEBVTT", ""]
    for number, (begin, end, title) in enumerate(_nested(cues), start=1):
        lines += [str(number), f"{timestamp(begin)} --> {timestamp(end)}", cue_text(title), ""]
    return "\n".join(lines)


def _nested(cues: list[tuple[int, int, str]]) -> list[tuple[int, int, str]]:
    """Sort cues and cut those that overlap a later one in part; each lasts a millisecond."""
    cues = sorted(((b, max(e, b + 1), t) for b, e, t in cues), key=lambda cue: (cue[0], -cue[1]))
    found: list[tuple[int, int, str]] = []
    for begin, end, title in cues:
        # of an earlier cue that reaches past the begin of this, the end must reach its end too
        found = [(b, begin if begin < e < end else e, earlier) for b, e, earlier in found]
        found.append((begin, end, title))
    return found


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


def write_clips(
    clips: Table, folder: str | PathLike[str], name: str = "clips", *, chapters: bool = True
) -> WrittenClips:
    """Write a table of in and out times, and chapters for the video of each match.

    Parameters
    ----------
    clips : DataFrame
        From :func:`~sidewall.clips.clip_times`.
    folder : path
        Made if it is not there; files of the same names are written over.
    name : str, default "clips"
        Ends the name of every file: ``m01-clips.vtt``, ``clips.csv``.
    chapters : bool, default True
        Whether to write the chapters; the table is always written.

    Raises
    ------
    DataError
        If there are no clips.
    WriteError
        If a file cannot be written.

    See Also
    --------
    clip_times

    Examples
    --------
    >>> clips = sw.clip_times(sw.rally_table(shots).head(2), shots)
    >>> written = sw.write_clips(clips, "clips")
    """
    clips = as_frame(clips, "clips")
    need_columns(clips, ("match", "title", "in_s", "out_s", "rows", "problem"))
    if not len(clips):
        raise DataError("there is no clip to write: the table is empty")
    out, end = Path(folder), file_stem(name, empty="clips")
    timed = clips[clips["problem"] == OK]
    matches = list(dict.fromkeys(clips["match"]))
    files = {
        str(match): out / f"{file_stem(str(match), matches, 'match')}-{end}.vtt"
        for match in (timed["match"].unique() if chapters else ())
    }
    written = WrittenClips(out / f"{end}.csv", files, clips[clips["problem"] != OK])
    make_folder(out)
    plan_files([written.table, *files.values()])
    write_file(written.table, str(_times(clips).to_csv(index=False)).encode("utf-8-sig"))
    for match, some in timed.groupby("match", sort=False, observed=True):
        # the format is UTF-8 with plain line feeds on every system
        if chapters:
            write_file(files[str(match)], chapters_text(some))
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
