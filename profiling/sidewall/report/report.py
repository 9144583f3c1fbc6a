"""Sheets and reports as files: one player's, or everyone's from the same fits."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sidewall.arguments import Table, as_frame, check_count, check_level, check_player, check_seed
from sidewall.beside import release_interrupts, starting
from sidewall.court.units import GapWords
from sidewall.errors import DataError
from sidewall.estimator import Estimator
from sidewall.files import account, make_folder, note_written, plan_files, write_file
from sidewall.log.writing import file_stem
from sidewall.numbers import count
from sidewall.plots.words import board_width_of
from sidewall.report.coach import notes_by_heading
from sidewall.report.kept import Kept
from sidewall.report.ladder import FittedLadder
from sidewall.report.method import log_facts, method_words
from sidewall.report.numbers import number_tables
from sidewall.report.page import render_index, render_page, render_sheet
from sidewall.report.rallies import Rallies, check_videos
from sidewall.report.sections import SECTIONS, Pages
from sidewall.report.sheet import Sheet, make_sheet
from sidewall.report.views import Content, Section
from sidewall.report.words import Lengths

if TYPE_CHECKING:
    from sidewall.log import LogCheck
    from sidewall.worklist import Efforts


@dataclass
class WrittenReport:
    """What was written for one player.

    Attributes
    ----------
    player : str
    file : Path
    clips : list of Path
        Chapters and tables of times beside the page.
    answers : str
        In a few words, how much is known.
    """

    player: str
    file: Path
    clips: list[Path] = field(default_factory=list)
    answers: str = ""


class Report(Estimator):
    """Reports of the players of a log, from models that are fitted once for all.

    Parameters
    ----------
    unit
        Unit of every gap: cm, in, m or boards.
    board_width_m
        Width of a floorboard; taken from the log where a player's matches share one.
    level
        Confidence level of every interval.
    seed
        For everything that is drawn at random.
    efforts
        The coach's ratings for the work list; see `sidewall.worklist.read_efforts`.
    check
        Of the log, so that the page can say how many rows were refused.
    initials
        Said on the page: initials stand for the names; see `with_initials`.
    sections
        Of the report, in their order; see `sidewall.report.coach.read_sections`.
    videos
        Video files by match: each rally named in the report plays in the page.
    keep_in
        Folder in which what was fitted is kept for the next page of the same log; see
        `sidewall.report.kept`. None keeps nothing.

    Attributes
    ----------
    ladder_ : FittedLadder

    See Also
    --------
    write_report
    WorkList
    TightnessModel

    Examples
    --------
    >>> report = sw.Report(unit="in")
    >>> report.set_params(initials=True)
    Report(unit='in', initials=True)
    """

    _result = "ladder_"
    _kept: Kept | None = None
    _known: frozenset[str] = frozenset()

    def __init__(
        self,
        unit: str = "cm",
        board_width_m: float | None = None,
        level: float = 0.95,
        seed: int = 0,
        efforts: Efforts | None = None,
        check: LogCheck | None = None,
        initials: bool = False,
        sections: Sequence[str] = SECTIONS,
        videos: Mapping[str, str | Path] | None = None,
        keep_in: str | PathLike[str] | None = None,
    ) -> None:
        check_level(level)
        check_seed(seed)
        GapWords(unit, board_width_m).gap(0.5)  # an unknown unit is said before models are fitted
        self.unit = unit
        self.board_width_m = board_width_m
        self.level = level
        self.seed = seed
        self.efforts = efforts
        self.check = check
        self.initials = initials
        self.sections = sections
        self.videos = videos
        self.keep_in = keep_in

    def fit(self, shots: Table, jobs: int = 1) -> Report:
        """Fit the model that all sheets and reports rest on; the others come when asked for.

        Parameters
        ----------
        shots
            A checked shot table with all players.
        jobs
            With two, another process makes meanwhile what pages need beside that model.

        Raises
        ------
        DataError
            If the log has too little for the thresholds, or no match of a video.
        """
        check_count(jobs, "jobs", 1)
        shots = as_frame(shots)
        matches = [str(one) for one in shots["match"].unique()] if self.videos else []
        check_videos(self.videos or {}, matches)
        asked = self.level, self.seed, self.efforts
        self._kept = None if self.keep_in is None else Kept(shots, asked, Path(self.keep_in))
        found = None if self._kept is None else self._kept.read()
        self._known = frozenset() if found is None else found.made()
        try:
            self.ladder_ = FittedLadder(shots, *asked, jobs) if found is None else found
        except DataError as error:
            raise DataError(
                f"No report can be made from the {len(shots):,} shots of this log. Chart more, or "
                f"see what the model says: {error}."
            ) from error
        return self

    def _keep(self) -> None:
        """Keep what was fitted, where it is more than was there."""
        made = self.ladder_.made()
        if self._kept is not None and made > self._known and self._kept.write(self.ladder_):
            self._known = made

    @property
    def players(self) -> list[str]:
        """Players who can have a report."""
        return self._fitted().players

    def _fitted(self) -> FittedLadder:
        self.need_fit()
        return self.ladder_

    def sheet(self, player: str) -> Sheet:
        """The player's court sheet, as plain data.

        Parameters
        ----------
        player : str
        """
        return make_sheet(self._fitted(), player, self.unit, self.board_width_m)

    def write_sheet(self, player: str, file: str | PathLike[str]) -> Path:
        """Write one player's court sheet, one A4 page.

        Parameters
        ----------
        player : str
        file : path
            The page; a file of that name is written over.

        Raises
        ------
        DataError
            If the player cannot have a sheet.
        WriteError
            If the file cannot be written.
        """
        path = Path(file)
        plan_files([path])
        text = render_sheet(self.sheet(player), self.initials)
        make_folder(path.parent)
        write_file(path, text)
        self._keep()
        return path

    def content(self, player: str) -> Content:
        """Everything that a player's page shows, as plain data.

        Parameters
        ----------
        player : str
        """
        return self._gather(player)[0]

    def _gather(
        self, player: str, page: Path | None = None, notes: str | PathLike[str] | None = None
    ) -> tuple[Content, Rallies]:
        """Gather all that a page shows, and the rallies behind its claims, for clips.

        `page` is where it will lie, for the addresses of videos.
        """
        ladder, sheet = self._fitted(), self.sheet(player)
        width = board_width_of(ladder.value, player, self.board_width_m)
        lengths = Lengths(self.unit, width)
        videos = {match: Path(video) for match, video in (self.videos or {}).items()}
        rallies = Rallies(ladder.features, videos, page, lengths.main)
        pages = Pages(ladder, player, sheet, lengths, width, rallies)
        tables = number_tables(ladder, player, lengths)  # first: what is missing is told by it
        made = {key: pages.section(key) for key in self.sections if key != "notes"}
        found = {key: one for key, one in made.items() if one is not None}
        content = Content(
            player=player,
            sheet=sheet,
            sections=_with_notes(found, self.sections, notes),
            level=f"{ladder.level:.0%}",
            tables=tables,
            lists=rallies.lists,
            rest=rallies.rest(),
            has_times=bool(rallies.shots["t_s"].notna().any()),
            method=method_words(ladder),
            facts=log_facts(ladder, player, self.check),
            initials=self.initials,
        )
        return content, rallies

    def write(
        self,
        player: str,
        file: str | PathLike[str],
        *,
        clips: bool = False,
        notes: str | PathLike[str] | None = None,
    ) -> WrittenReport:
        """Write one player's page; a file of that name is written over.

        Parameters
        ----------
        player
            As in the log.
        file
            The page; its folder is made if it is not there.
        clips
            Whether to write chapters and times of the rallies into a folder beside the page.
        notes
            The coach's words about this player, a Markdown file.

        Raises
        ------
        DataError
            If the player cannot have a report.
        WriteError
            If a file cannot be written.
        """
        path = Path(file)
        plan_files([path])
        content, rallies = self._gather(player, path, notes)
        known = sum(not one.chart for one in content.sheet.tapes)
        answers = f"{known} of {len(content.sheet.tapes)} tapes known"
        written = WrittenReport(player, path, answers=answers)
        if clips:
            files, written.clips = rallies.write_clips(path)
            content = replace(content, clips=files)
        make_folder(path.parent)
        write_file(path, render_page(content))
        self._keep()
        return written

    def write_all(
        self,
        folder: str | PathLike[str],
        *,
        players: Sequence[str] | None = None,
        clips: bool = False,
        notes: Mapping[str, str | PathLike[str]] | None = None,
        jobs: int = 1,
        tell: Callable[[WrittenReport], None] | None = None,
    ) -> list[WrittenReport]:
        """Write everyone's page and an index page.

        Parameters
        ----------
        folder
            Made if it is not there.
        players
            Whose; everyone's by default.
        clips
            As in `write`.
        notes
            Files of the coach's words, by player.
        jobs
            Processes that draw pages at the same time.
        tell
            Called after each page.

        Returns
        -------
        list of WrittenReport
            In the order of `players`.
        """
        check_count(jobs, "jobs", 1)
        names = list(self.players if players is None else players)
        place = Path(folder)
        files = {name: place / f"{file_stem(name, names)}.html" for name in names}
        index = place / "index.html"
        if index in files.values():  # a player called so
            files = {name: place / f"player-{path.name}" for name, path in files.items()}
        plan_files([*files.values(), index])
        done: list[WrittenReport] = []
        for one in self._each(files, clips, dict(notes or {}), min(jobs, len(names))):
            done.append(one)
            if tell is not None:
                tell(one)
        links = [(one.player, one.file.name, one.answers) for one in done]
        shots = self.ladder_.features
        games = len(shots[["match", "game"]].drop_duplicates())
        matches = count(shots["match"].nunique(), "match", "matches")
        words = f"{count(len(shots), 'shot')} of {count(games, 'game')} in {matches}"
        make_folder(place)
        write_file(index, render_index(links, words))
        return done

    def _each(
        self,
        files: dict[str, Path],
        clips: bool,
        notes: dict[str, str | PathLike[str]],
        jobs: int,
    ) -> Iterator[WrittenReport]:
        tasks = [(name, path, clips, notes.get(name)) for name, path in files.items()]
        if jobs > 1 and type(self).__module__ != "__main__":  # other processes know no such class
            if hasattr(self, "ladder_"):  # what all pages share is made before it is handed out
                self.content(tasks[0][0])
            yield from _in_processes(self, tasks, jobs)
        else:
            for name, path, _, words in tasks:
                yield self.write(name, path, clips=clips, notes=words)


def _with_notes(
    found: dict[str, Section], keys: Sequence[str], file: str | PathLike[str] | None
) -> list[Section]:
    """The sections in their order, with the coach's words where they belong."""
    if file is None:
        return [found[key] for key in keys if key in found]
    lines = [line.title for one in found.values() for line in one.lines]
    notes = notes_by_heading(file, [*(one.title for one in found.values()), *lines])

    def beside(one: Any) -> Any:
        return replace(one, notes=notes.pop(one.title, ""))

    told: dict[str, Section] = {
        key: replace(beside(one), lines=[beside(line) for line in one.lines])
        for key, one in found.items()
    }
    told["notes"] = Section("notes", "From the coach", "", notes="".join(notes.values()))
    return [told[key] for key in keys if key in told and (key != "notes" or notes)]


Task = tuple[str, Path, bool, str | PathLike[str] | None]
_SHARED: list[Report] = []


def _take(report: Report) -> None:
    """Keep what a process shares between its pages, and let Ctrl-C wait for a page."""
    _SHARED[:] = [report]
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    release_interrupts()


def _write_one(task: Task) -> tuple[WrittenReport | None, list[Path]]:
    """Write a page; what was written of it where Ctrl-C came in between."""
    player, path, clips, notes = task
    page: WrittenReport | None = None
    with account() as own:
        try:
            try:
                signal.signal(signal.SIGINT, signal.default_int_handler)
                page = _SHARED[0].write(player, path, clips=clips, notes=notes)
            finally:
                signal.signal(signal.SIGINT, signal.SIG_IGN)
        except KeyboardInterrupt:  # which may come as late as in the line above
            signal.signal(signal.SIGINT, signal.SIG_IGN)
    return page, own.written


def _in_processes(report: Report, tasks: list[Task], jobs: int) -> Iterator[WrittenReport]:
    from concurrent.futures import ProcessPoolExecutor  # noqa: PLC0415
    from multiprocessing import get_context  # noqa: PLC0415

    # Spawned, not forked: the libraries below hold threads, which do not survive a fork.
    context = get_context("spawn")
    pool = ProcessPoolExecutor(jobs, context, initializer=_take, initargs=(report,))
    pages: list[Future[tuple[WrittenReport | None, list[Path]]]] = []
    try:
        with starting():
            pages += [pool.submit(_write_one, task) for task in tasks]
        for page in pages:
            written, files = page.result()
            note_written(files)
            if written is None:
                raise KeyboardInterrupt
            yield written
    finally:
        # pages that are being written come to their end, no other is begun
        pool.shutdown(cancel_futures=True)
        for page in pages:
            if not page.cancelled() and page.exception() is None:
                note_written(page.result()[1])


def write_report(
    shots: Table,
    player: str,
    file: str | PathLike[str],
    *,
    clips: bool = False,
    notes: str | PathLike[str] | None = None,
    **options: Any,
) -> WrittenReport:
    """Write one player's report as a single page.

    Parameters
    ----------
    shots
        A checked shot table with all players: the player borrows from the others.
    player
        Whose report.
    file
        The page; a file of that name is written over.
    clips, notes
        See `Report.write`.
    **options
        Parameters of `Report`.

    Returns
    -------
    WrittenReport

    Raises
    ------
    SidewallError
        If the player is unknown, the log has too little, or a file cannot be written.

    See Also
    --------
    Report

    Notes
    -----
    The page holds personal data: how well named people played, and when.

    Examples
    --------
    >>> done = sw.write_report(shots, "Rowan", "rowan.html", sections=["attack"])
    """
    shots = as_frame(shots)
    if "player" in shots.columns:
        check_player(player, shots["player"].dropna().unique())
    return Report(**options).fit(shots).write(player, file, clips=clips, notes=notes)
