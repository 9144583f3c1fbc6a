"""``sidewall sheet`` and ``sidewall report``: pages for player and coach."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sidewall.beside import spare_jobs
from sidewall.cli.options import (
    BoardWidth,
    Encoding,
    Logs,
    Matches,
    Players,
    Sheets,
    Steps,
    Unit,
    find_player,
    read_log,
    usable_log,
)
from sidewall.errors import SidewallError

if TYPE_CHECKING:
    import pandas as pd

    from sidewall.log import LogCheck
    from sidewall.report import Report, WrittenReport

Initials = Annotated[
    bool, typer.Option("--initials", help="Initials instead of names, from the players table.")
]
Effort = Annotated[
    Path | None,
    typer.Option("--effort", help="Your own effort ratings for the work list: a TOML file."),
]
Fresh = Annotated[
    bool,
    typer.Option(
        "--fresh", help="Fit anew, and keep nothing of it on this machine for the next page."
    ),
]
Seed = Annotated[int, typer.Option("--seed", help="For what is drawn at random.", min=0)]


def report(
    logs: Logs,
    out: Annotated[Path, typer.Option("--out", help="Page to write (.html); with --all a folder.")],
    player: Annotated[str | None, typer.Option("--player", help="Whose report.")] = None,
    everyone: Annotated[
        bool, typer.Option("--all", help="Everyone's report, and a page that lists them.")
    ] = False,
    unit: Unit = "cm",
    board_width_cm: BoardWidth = None,
    players: Players = None,
    matches: Matches = None,
    clips: Annotated[
        bool,
        typer.Option(
            "--clips", help="Also write video chapters (WebVTT) and times (CSV) beside the page."
        ),
    ] = False,
    video: Annotated[
        list[str] | None,
        typer.Option(
            "--video",
            help="Video file of a match, as MATCH=FILE: its rallies play in the page. May be "
            "given several times.",
        ),
    ] = None,
    notes: Annotated[
        Path | None,
        typer.Option(
            "--notes", help="Your own words: a Markdown file; with --all a folder of NAME.md."
        ),
    ] = None,
    sections: Annotated[
        Path | None,
        typer.Option("--sections", help="Which sections, in which order: a TOML file."),
    ] = None,
    initials: Initials = False,
    effort: Effort = None,
    fresh: Fresh = False,
    seed: Seed = 0,
    sheet: Sheets = None,
    encoding: Encoding = None,
) -> None:
    """Write one player's report, or everyone's, as pages that need no network.

    The pages hold personal data. Ends with 0, or with 2 if a report cannot be made.
    """
    if everyone == (player is not None):
        raise SidewallError("give either --player NAME or --all.")
    if not everyone:
        _need_page(out)
    found = usable_log(read_log(logs, players, matches, board_width_cm, sheet, encoding))
    from sidewall.report.coach import read_sections  # noqa: PLC0415

    made, shots, asked = _prepared(
        found, player, unit, board_width_cm, initials, effort, fresh, seed
    )
    if sections is not None:
        made.sections = read_sections(sections)
    made.videos = dict(_match_and_file(one) for one in video or ())
    names = [str(name) for name in shots["player"].cat.categories]
    words = {} if notes is None or asked else _notes_of(notes, names)
    with Steps("report", 2 if asked else len(names) + 1) as steps:
        steps.next("models")
        made.fit(shots, spare_jobs())
        steps.next("pages")
        if asked is None:

            def tell(written: WrittenReport) -> None:
                steps.next("pages")
                _tell(written)

            made.write_all(out, clips=clips, notes=words, jobs=spare_jobs(), tell=tell)
            typer.echo(f"Open first: {out / 'index.html'}")
        else:
            _tell(made.write(asked, out, clips=clips, notes=notes))
    typer.echo("Pages hold personal data: show each player their own, and keep them safe.")


def sheet(
    logs: Logs,
    player: Annotated[str, typer.Option("--player", help="Whose sheet.")],
    out: Annotated[Path | None, typer.Option("--out", help="Page to write (.html).")] = None,
    unit: Unit = "cm",
    board_width_cm: BoardWidth = None,
    players: Players = None,
    matches: Matches = None,
    initials: Initials = False,
    effort: Effort = None,
    fresh: Fresh = False,
    seed: Seed = 0,
    sheet: Sheets = None,
    encoding: Encoding = None,
) -> None:
    """Write what a player takes on court: one page, for A4 paper and phones.

    The page holds personal data. Ends with 0, or with 2 if it cannot be made.
    """
    if out is not None:
        _need_page(out)
    from sidewall.log.writing import file_stem  # noqa: PLC0415

    found = usable_log(read_log(logs, players, matches, board_width_cm, sheet, encoding))
    made, shots, asked = _prepared(
        found, player, unit, board_width_cm, initials, effort, fresh, seed
    )
    names = [str(name) for name in shots["player"].cat.categories]
    page = out or Path(f"{file_stem(str(asked), names)}-sheet.html")
    with Steps("sheet", 2) as steps:
        steps.next("model")
        made.fit(shots)
        steps.next("page")
        made.write_sheet(str(asked), page)
    typer.echo(f"Wrote {page}. Print it, or send it to the player's phone: it needs no network.")


def _match_and_file(words: str) -> tuple[str, str]:
    match, sign, file = words.partition("=")
    if not (match and sign and file):
        raise SidewallError(f"--video {words}: give the match and its file, as MATCH=FILE.")
    return match, file


def _notes_of(folder: Path, names: list[str]) -> dict[str, Path]:
    """Files of the coach's words that there are, by player."""
    from sidewall.log.writing import file_stem  # noqa: PLC0415

    if not folder.is_dir():
        raise SidewallError(f"--notes {folder}: with --all give a folder that holds NAME.md files.")
    files = {name: folder / f"{file_stem(name, names)}.md" for name in names}
    return {name: file for name, file in files.items() if file.is_file()}


def _need_page(out: Path) -> None:
    if out.suffix.lower() not in (".html", ".htm"):
        raise SidewallError(f"{out}: give the page a name that ends in .html.")


def _prepared(
    found: LogCheck,
    player: str | None,
    unit: str,
    board_width_cm: float | None,
    initials: bool,
    effort: Path | None,
    fresh: bool,
    seed: int,
) -> tuple[Report, pd.DataFrame, str | None]:
    """The report to fit, the shots to fit it to, and whose page it is; initials put in."""
    from sidewall.report import Report, initials_of, with_initials  # noqa: PLC0415
    from sidewall.report.kept import usual_folder  # noqa: PLC0415
    from sidewall.worklist import read_efforts  # noqa: PLC0415

    shots = found.shots
    names = [str(name) for name in shots["player"].cat.categories]
    asked = None if player is None else find_player(player, names)
    efforts = None if effort is None else read_efforts(effort)
    if initials:
        asked = None if asked is None else initials_of(shots)[asked]
        shots = with_initials(shots)
        if efforts is not None:
            short = initials_of(found.shots)
            own = {short.get(name, name): ratings for name, ratings in efforts.player.items()}
            efforts = replace(efforts, player=own)
    width_m = None if board_width_cm is None else board_width_cm / 100
    folder = None if fresh else usual_folder()
    made = Report(
        unit, width_m, seed=seed, efforts=efforts, check=found, initials=initials, keep_in=folder
    )
    return made, shots, asked


def _tell(written: WrittenReport) -> None:
    typer.echo(f"Wrote {written.file}: {written.answers}")
    if written.clips:
        typer.echo(f"  and {len(written.clips)} files of clips in {written.clips[0].parent}")
