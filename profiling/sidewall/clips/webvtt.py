"""Chapters of a video as WebVTT, which players of video and web pages read.

Source: W3C, *WebVTT: The Web Video Text Tracks Format*, Candidate Recommendation, 4 April
2019: the file (4.1), timings (``hh:mm:ss.mmm``), chapter titles (4.3, no line that holds
``-->``; ``&`` and ``<`` only as character references), chapters that follow one another or
lie wholly inside one another (4.6.3, "using only nested cues").
"""

from __future__ import annotations

import re
from typing import Final

import pandas as pd

from sidewall.errors import DataError

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
    """Write the clips of one match as a WebVTT file of chapters.

    Parameters
    ----------
    clips : DataFrame
        Of one match and with times; from :func:`~sidewall.clips.clip_times`.

    Returns
    -------
    str
        Clips are numbered by time. Where two that are not merged overlap in part, the first
        is cut where the next begins, since chapters may not overlap so; the table of times
        keeps its full length.

    Raises
    ------
    DataError
        If a clip has no time, or the clips are of several matches.
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
