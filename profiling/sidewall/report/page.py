"""Renders content as one self-contained page."""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING

from sidewall.report.sheet import Sheet
from sidewall.report.views import Content

if TYPE_CHECKING:
    from jinja2 import Environment


@lru_cache(maxsize=1)
def _environment() -> Environment:
    """Templates of the package; all text from a log is escaped."""
    from jinja2 import Environment, PackageLoader, StrictUndefined  # noqa: PLC0415 - slow
    from markupsafe import Markup  # noqa: PLC0415

    made = Environment(
        loader=PackageLoader("sidewall.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    style = files("sidewall.report").joinpath("templates", "style.css")
    # our own file: no text of a log is in it
    made.globals["style"] = Markup(style.read_text(encoding="utf-8"))
    return made


def render_page(content: Content) -> str:
    """Write one player's page, from `Report.content`, as HTML."""
    template = _environment().get_template("page.html.j2")
    return template.render(page=content)


def render_sheet(sheet: Sheet, initials: bool = False) -> str:
    """Write one player's sheet as HTML; it says where initials stand for names."""
    template = _environment().get_template("sheet.html.j2")
    return template.render(sheet=sheet, initials=initials)


def render_index(links: list[tuple[str, str, str]], counts: str) -> str:
    """Write the page that lists everyone's reports: player, file name, a line of words of each."""
    template = _environment().get_template("index.html.j2")
    return template.render(links=links, counts=counts)
