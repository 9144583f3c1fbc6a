"""The coach's own hand: words in Markdown, and which sections a report has in which order."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from os import PathLike
from pathlib import Path
from typing import Any, Final

from sidewall.errors import DataError
from sidewall.report.sections import SECTIONS

#: The part before the first heading.
FIRST: Final = ""


def read_sections(path: str | PathLike[str]) -> tuple[str, ...]:
    """Read which sections a report shows, in their order; a DataError for one that there is not.

    The file holds one line, such as ``sections = ["attack", "choice", "training"]``; what is not
    named is left out. The court sheet always comes first, and the appendix last.
    """
    known = ", ".join(SECTIONS)
    mend = f'write one line such as sections = ["attack", "training"]; there are {known}'
    text = _text(path)
    try:
        told = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DataError(f"{path}: {error}; {mend}") from error
    named: Any = told.get("sections")
    if set(told) != {"sections"} or not isinstance(named, list):
        raise DataError(f"{path}: {mend}")
    for one in named:
        if one not in SECTIONS:
            raise DataError(f"{path}: there is no section {one!r}; there are {known}")
        if named.count(one) > 1:
            raise DataError(f"{path}: the section {one!r} is named twice")
    return tuple(named)


def notes_by_heading(path: str | PathLike[str], headings: Sequence[str]) -> dict[str, str]:
    """Read the coach's words, a Markdown file, as safe HTML by the heading that they stand under.

    Headings are titles of sections and of things to train, however their letters are cased; words
    under others stay together, under "". Markup is shown as typed, never run; pictures are left
    out, since a page asks for nothing. A DataError if the file cannot be read.
    """
    from markdown_it import MarkdownIt  # noqa: PLC0415 - only where there are notes

    writer = MarkdownIt("commonmark", {"html": False}).disable("image")
    known = {one.casefold(): one for one in headings}
    parts: dict[str, list[Any]] = {FIRST: []}
    here, tokens = FIRST, writer.parse(_text(path))
    for k, token in enumerate(tokens):
        if token.type == "heading_open" and token.level == 0:
            here = known.get(tokens[k + 1].content.strip().casefold(), FIRST)
            parts.setdefault(here, [])
            skipped = k + 2 if here else -1
            if here:
                tokens[skipped].hidden = tokens[k + 1].hidden = token.hidden = True
        if token.type in ("heading_open", "heading_close"):
            token.tag = "h3"
        if not token.hidden or token.type.startswith("paragraph"):
            parts[here].append(token)
    rendered = {
        name: str(writer.renderer.render(own, writer.options, {})) for name, own in parts.items()
    }
    return {name: words for name, words in rendered.items() if words.strip()}


def _text(path: str | PathLike[str]) -> str:
    try:
        return Path(path).read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise DataError(f"{path}: there is no such file. Check the name and the folder.") from None
    except OSError as error:
        raise DataError(f"{path}: the file cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise DataError(f"{path}: not UTF-8 text; save it as UTF-8") from error
