"""Chapters and times of a page's rallies, in a folder beside it."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pandas as pd

from sidewall.clips import clip_times, write_clips
from sidewall.errors import DataError
from sidewall.report.rally_lists import RallyLists

__all__ = ["write_clip_files"]

#: Lists that a player and a coach look at shot by shot; the others are long, and whole matches.
_WATCHED: Final = ("clips-work-", "clips-forced-", "clips-passed-up-", "clips-combination-")


def write_clip_files(
    lists: RallyLists, shots: pd.DataFrame, page: Path
) -> tuple[dict[str, list[tuple[str, str]]], list[Path]]:
    """Write the clips of the lists that are worth watching shot by shot.

    Parameters
    ----------
    lists
        Of the page.
    shots
        The log.
    page
        The page; the folder beside it is called as it and ``-clips``.

    Returns
    -------
    links : dict of str to list
        By anchor of the list: words and path from the page of each file.
    files : list of Path

    Raises
    ------
    DataError
        If the log has no times, or a file cannot be written.
    """
    folder = page.parent / f"{page.stem}-clips"
    links: dict[str, list[tuple[str, str]]] = {}
    files: list[Path] = []
    for anchor, table in lists.shots.items():
        if not anchor.startswith(_WATCHED):
            continue
        clips = clip_times(table, shots)
        written = write_clips(clips, folder, anchor.removeprefix("clips-"))
        paths = [("times (CSV)", written.table)]
        paths += [(f"chapters of {match} (WebVTT)", one) for match, one in written.chapters.items()]
        links[anchor] = [(words, f"{folder.name}/{path.name}") for words, path in paths]
        files += [path for _, path in paths]
    if not files:
        raise DataError("no list of this page has rallies to make clips of")
    return links, files
