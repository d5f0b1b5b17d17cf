"""A round's own notebook: what is done, what is to do, and each step where it can be taken."""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
from markupsafe import Markup

from trials.analysis.results import Findings
from trials.base.arguments import checked_types
from trials.base.errors import RoundError, TrialsError
from trials.base.files import write_text
from trials.base.html import answer, render, table
from trials.base.keeping import stopped
from trials.base.words import in_words
from trials.core.plan import Plan
from trials.rounds.idea import IDEA
from trials.rounds.round import SETTINGS, Round

TEMPLATES = Path(__file__).parent / "templates"
NOTEBOOK = "round.ipynb"
# Pages that tell of the round, and links that are nobody else's business
_NO_SHEETS = ("page.html", "story.html", "album.html", "round.html", "links.html")


@dataclass(frozen=True)
class NotYet:
    """A step that can not be taken yet, and what has to come before it."""

    why: str

    def __repr__(self) -> str:
        return self.why

    def _repr_html_(self) -> str:
        return answer([self.why])


@dataclass(frozen=True)
class Links:
    """Files that were written, as links beside a notebook and as paths elsewhere."""

    said: str
    paths: tuple[Path, ...]
    home: Path

    def __repr__(self) -> str:
        return "\n".join([self.said, *map(str, self.paths)])

    def _repr_html_(self) -> str:
        near = [self._near(path) for path in self.paths]
        return render(TEMPLATES, "written.html", said=self.said, paths=near)

    def _near(self, path: Path) -> str:
        return (
            path.relative_to(self.home).as_posix() if path.is_relative_to(self.home) else str(path)
        )


@dataclass(frozen=True, eq=False)
class Noted:
    """The notes of a round, oldest first."""

    notes: pd.DataFrame

    def __repr__(self) -> str:
        return self.notes.to_string(index=False)

    def _repr_html_(self) -> str:
        return str(table(self.notes.loc[:, self.notes.ne("").any()]))


@dataclass(frozen=True)
class ToDo:
    """The steps of a round: which are done, and which comes next."""

    name: str
    steps: tuple[tuple[str, bool, str], ...]

    def __repr__(self) -> str:
        lines = [f"{'done' if done else 'to do':6} {step}: {how}" for step, done, how in self.steps]
        return "\n".join([self.name, *lines])

    def _repr_html_(self) -> str:
        following = next((step for step, done, _ in self.steps if not done), None)
        told = {"name": self.name, "steps": self.steps, "following": following}
        return render(TEMPLATES, "to_do.html", **told)


@checked_types(RoundError)
def workplace(folder: str | Path = ".") -> "Workplace":
    """Return the workplace of a round's folder, in whatever state the round is.

    Parameters
    ----------
    folder : str or Path
        Where `idea.toml` or `round.toml` lies; a notebook in that folder needs none.

    Returns
    -------
    Workplace
        It shows what is done and what is still to do; each step is a method of its own, which
        says what has to come first where it can not be taken yet.

    Raises
    ------
    RoundError
        When the folder holds neither an idea nor a round.

    Examples
    --------
    >>> import tempfile
    >>> from trials.rounds.idea import write_idea
    >>> work = workplace(write_idea(Path(tempfile.mkdtemp())).parent)
    >>> work.findings()
    First plan the round: work.plan().
    """
    folder = Path(folder)
    if not (folder / IDEA).is_file() and not (folder / SETTINGS).is_file():
        raise RoundError(
            f'there is neither {IDEA} nor {SETTINGS} in "{folder.resolve()}". Start a round with: '
            "trials new my-round, and open the notebook that it puts there."
        )
    return Workplace(folder)


@dataclass(frozen=True)
class Workplace:
    """One round, step by step; see :func:`workplace`.

    Parameters
    ----------
    folder : Path
    """

    folder: Path

    def to_do(self) -> ToDo:
        """Return which steps are done and which comes next."""
        round_ = self._round()
        if round_ is None:
            steps: tuple[tuple[str, bool, str], ...] = (
                ("answer the questions", True, f"{IDEA} is there; change it as you like"),
                ("plan", False, "work.plan()"),
            )
            return ToDo(self.folder.resolve().name, steps)
        sheets = (self.folder / "bake-sheets.html").is_file()
        scored, left = self._entered(round_)
        steps = (
            ("plan", True, round_.plan.sentence()),
            ("sheets", sheets, "work.sheets()" if not sheets else "bake, taste, then enter"),
            ("scores", scored and not left, _left_words(scored, left)),
            ("what mattered", False, "work.findings()" if scored else "once scores are in"),
            ("what to bake next", False, "work.next(bakes=...)" if scored else "after that"),
        )
        return ToDo(round_.name, steps)

    def __repr__(self) -> str:
        return repr(self.to_do())

    def _repr_html_(self) -> str:
        return self.to_do()._repr_html_()

    def _round(self) -> Round | None:
        return Round.open(self.folder) if (self.folder / SETTINGS).is_file() else None

    def _entered(self, round_: Round) -> tuple[bool, int]:
        """Return whether any score is in, and how many are still to be entered; writes nothing."""
        from trials.rounds.gathering import gathered
        from trials.rounds.scores import checked

        found = gathered(round_)
        names = {measure.name for measure in round_.measures}
        return any(column in names for _, _, column in found.entries), checked(found).left

    def idea(self) -> Any:
        """Return the form with the questions of `idea.toml`."""
        from trials.doors.forms import idea

        if not (self.folder / IDEA).is_file():
            return NotYet("This round was not planned from questions: its plan stands below.")
        return idea(self.folder)

    def plan(self) -> Plan | NotYet:
        """Plan the round from its idea, or show the plan that is there."""
        round_ = self._round()
        if round_ is None:
            from trials.doors.start import planned_round
            from trials.rounds.idea import untouched

            if untouched(self.folder):
                return NotYet(f"{IDEA} still tells the invented example: change its answers first.")
            try:
                round_ = planned_round(self.folder)
            except TrialsError as error:
                return NotYet(str(error))
            except KeyboardInterrupt:
                return NotYet(stopped())
        return round_.plan

    def sheets(self, *, anew: bool = False) -> Links | NotYet:
        """Write the sheets of the round once, or anew, and return them as links."""

        def written(round_: Round) -> Links:
            from trials.show.sheets import BAKE_SHEETS, write_sheets

            if (self.folder / f"{BAKE_SHEETS}.html").is_file() and not anew:
                paths = tuple(
                    path
                    for pattern in ("*.html", "ballots/*.html", "*.xlsx")
                    for path in sorted(self.folder.glob(pattern))
                    if path.name not in _NO_SHEETS
                )
                said = "Written before; work.sheets(anew=True) writes them anew."
                return Links(said, paths, self.folder)
            paths = tuple(write_sheets(round_))
            return Links("Print what you need; codes never go to the tasters.", paths, self.folder)

        return self._step(written)

    def enter(self, who: str = "") -> Any:
        """Return the form to enter scores and what became of each bake."""
        from trials.doors.forms import enter

        return self._step(lambda round_: enter(round_, who))

    def check(self) -> Any:
        """Read what was entered, and say what needs mending."""
        from trials.rounds.scores import check

        return self._step(check)

    def note(
        self, words: str = "", *, bake: str = "", about: str = "", day: int | None = None
    ) -> Any:
        """Keep a note on a bake, a day or a measure's findings, and return all notes.

        The cell can be run again: what stands in the diary already is not written a second time.
        """
        from trials.rounds.diary import read_diary, write_note

        def noted(round_: Round) -> Noted | NotYet:
            if words:
                write_note(round_.folder, words, bake=bake, about=about, day=day, once=True)
            notes = read_diary(round_.folder)
            return Noted(notes) if len(notes) else NotYet("Nothing was noted yet.")

        return self._step(noted)

    def findings(self, *measures: str) -> Any:
        """Return what mattered, by measure; all measures when none is named."""
        return self._step(lambda round_: Told(self._fitted(round_, measures)))

    def _fitted(self, round_: Round, measures: tuple[str, ...] = ()) -> dict[str, Any]:
        from trials.analysis.answers import fit
        from trials.analysis.question import evidence

        known = evidence(round_)
        found: dict[str, Any] = {}
        for name in measures or [one.name for one in round_.measures]:
            try:
                found[name] = fit(known, name)
            except TrialsError as error:
                found[name] = NotYet(f"{name}: {error}")
        return found

    def explore(self) -> Any:
        """Return the form to try settings by, with every measure that could be averaged."""
        from trials.analysis.results import Findings
        from trials.doors.forms import explore

        def tried(round_: Round) -> Any:
            found = {
                name: one for name, one in self._fitted(round_).items() if isinstance(one, Findings)
            }
            return explore(found) if found else NotYet("First enter scores: work.enter().")

        return self._step(tried)

    def next(self, bakes: int) -> Any:
        """Say what to bake next with so many bakes; nothing is written (`trials next` does)."""
        from trials.deciding.next_bakes import NothingToGainError, next_round

        def found(round_: Round) -> Any:
            try:
                return next_round(round_, bakes)
            except NothingToGainError as end:
                return NotYet(f"{end.why} Nothing more needs to be baked.")

        return self._step(found)

    def share(self) -> Links | NotYet:
        """Write the page to share."""

        def shared(round_: Round) -> Links:
            from trials.show.page import report

            page = report(round_, self.folder / "page.html")
            return Links("Anyone can open it, without a network.", (page,), self.folder)

        return self._step(shared)

    def _step(self, taken: Callable[[Round], Any]) -> Any:
        round_ = self._round()
        if round_ is None:
            return NotYet("First plan the round: work.plan().")
        try:
            return taken(round_)
        except TrialsError as error:
            return NotYet(str(error))
        except KeyboardInterrupt:
            return NotYet(stopped())


def _left_words(scored: bool, left: int) -> str:
    if not scored:
        return "work.enter(), or fill in the sheets"
    return f"{left} still to be entered" if left else "all entered"


@dataclass(frozen=True, eq=False)
class Told:
    """What was found of several measures, one after the other."""

    found: Mapping[str, Any]

    def __getitem__(self, name: str) -> Any:
        if name not in self.found:
            known = in_words(self.found, "or")
            raise RoundError(f'nothing was fitted for "{name}"; expected {known}.')
        return self.found[name]

    def __repr__(self) -> str:
        return "\n\n".join(f"{name}\n{one!r}" for name, one in self.found.items())

    def _repr_html_(self) -> str:
        from trials.show.notebook import findings_html

        found = {
            name: Markup(findings_html(one) if isinstance(one, Findings) else one._repr_html_())
            for name, one in self.found.items()
        }
        return render(TEMPLATES, "told.html", found=found)


# -- The notebook itself.

_CELLS = (
    (
        "markdown",
        "# {name}\n\nRun all cells at any time (menu *Run*, *Run All Cells*): this notebook works "
        "in whatever state the round is, and says what is still to do. It holds no score; scores "
        "live in the files beside it.",
    ),
    ("code", "import trials\n\nwork = trials.workplace()\nwork"),
    ("markdown", "## The idea\n\nThe questions of `idea.toml`. The plan is made from the answers."),
    ("code", "work.idea()"),
    ("code", "work.plan()"),
    (
        "markdown",
        "## Bake and taste\n\nSheets with grams for the cook, blind ballots for the table.",
    ),
    ("code", "work.sheets()"),
    (
        "markdown",
        "## Enter what came of it\n\nHere, in the workbooks, or by phone: all is read together.",
    ),
    ("code", "work.enter()"),
    ("code", "work.check()"),
    (
        "markdown",
        '## Notes\n\nWhat no score says: `work.note("the oil foamed", bake="B03")`, or '
        "`about=` a measure, for what you think of its findings. The page shows them.",
    ),
    ("code", "work.note()"),
    ("markdown", "## What mattered"),
    ("code", "work.findings()"),
    ("markdown", "## Try a setting"),
    ("code", "work.explore()"),
    (
        "markdown",
        "## What to bake next\n\nHow many bakes could you afford? `trials next` writes the round.",
    ),
    ("code", "work.next(bakes=4)"),
    ("markdown", "## Share it"),
    ("code", "work.share()"),
)


# What makes a round's folder good to share by git: nobody else's business stays out, and no tool
# changes the end of a line in what was received
_FOR_GIT = {
    ".gitignore": "links.csv\nlinks.html\n.ipynb_checkpoints/\n.*.lock\n",
    ".gitattributes": "*.csv text eol=lf\n*.xlsx binary\nreceived/** -text\nincoming/** -text\n",
}


def write_notebook(folder: Path, name: str) -> Path:
    """Put the notebook of a round into its folder; one that is there stays as it is."""
    for file, text in _FOR_GIT.items():
        if not (folder / file).exists():
            write_text(folder / file, text)
    path = folder / NOTEBOOK
    if path.exists():
        return path
    cells: list[dict[str, Any]] = []
    for place, (kind, text) in enumerate(_CELLS):
        source = text.format(name=name) if kind == "markdown" else text
        cell: dict[str, Any] = {"cell_type": kind, "id": f"step-{place:02d}", "metadata": {}}
        cell["source"] = source.splitlines(keepends=True)
        if kind == "code":
            cell |= {"execution_count": None, "outputs": []}
        cells.append(cell)
    kernel = {"display_name": "Python 3", "language": "python", "name": "python3"}
    whole = {
        "cells": cells,
        "metadata": {"kernelspec": kernel, "language_info": {"name": "python"}},
        "nbformat": 4,
        "nbformat_minor": 5,
    }
    return write_text(path, json.dumps(whole, indent=1, ensure_ascii=False, sort_keys=True) + "\n")
