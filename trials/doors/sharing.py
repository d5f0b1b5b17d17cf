"""One bundle to share: the page, the notebooks as they ran, the rounds, how to run them again."""

import io
import platform
import re
import shutil
import tempfile
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import pandas as pd

from trials.base.arguments import checked_types
from trials.base.errors import RoundError
from trials.base.files import write_bytes, write_csv, write_text
from trials.base.keeping import RECEIVED
from trials.base.progress import steps
from trials.base.version import __version__
from trials.base.words import in_words
from trials.doors.notebook import as_kept, hand_out, run_notebooks
from trials.doors.workplace import NOTEBOOK, write_notebook
from trials.rounds.diary import DIARY, read_diary
from trials.rounds.forms import SERVING, read_serving
from trials.rounds.round import Round, line_of, opened
from trials.rounds.scores import record_scores, scores
from trials.show.page import report, story
from trials.show.sheets import write_sheets

_LIBRARIES = ("numpy", "pandas", "scipy", "statsmodels", "pyDOE3", "matplotlib", "seaborn")
VERSIONS = "versions.txt"  # as pip takes them
# The tasters' links to their ballots, with or without names: nobody else's business
_PRIVATE = ("links.csv", "links.html", ".*", "__pycache__")


@checked_types(RoundError)
def bundle(
    round_: Round | str | Path,
    path: str | Path | None = None,
    *,
    names: bool = False,
    replace: bool = False,
) -> Path:
    """Write one file that others can open, read and run again.

    In it are the page and, of a development, its story (for readers without Python); the folder of
    every round with its notebook as it ran, and the same as a page to read; the versions of what
    it ran on, and how to run it again. Tasters are letters, and no photo and nothing that was
    received is in it, unless their names are asked for: then the rounds' folders go as they are.

    Parameters
    ----------
    round_ : Round, or its folder
        With or without the rounds before it, which go along.
    path : str or Path, optional
        Where to; beside the round when left out.
    names : bool
        Whether tasters keep their names, and the files that they sent go along.
    replace : bool
        Whether to write over a bundle that is there.

    Returns
    -------
    Path
        The bundle, a zip file.

    Raises
    ------
    RoundError
        When a file of that name is there already, or a notebook does not run to its end.

    Examples
    --------
    >>> bundle.__doc__.splitlines()[0]
    'Write one file that others can open, read and run again.'
    """
    round_ = opened(round_)
    target = Path(path) if path else beside(round_)
    if target.exists() and not replace:
        raise RoundError(f"{target} is there already; give another name, or take it away first.")
    with tempfile.TemporaryDirectory(prefix="trials-share-") as place:
        home = Path(place)
        line = line_of(round_)
        letters = {} if names else _letters(line)
        ran = []
        for one in steps(line, "Packing the rounds"):
            folder = home / one.folder.resolve().name
            if names:
                shutil.copytree(one.folder, folder, ignore=shutil.ignore_patterns(*_PRIVATE))
            else:
                _relettered(one, folder, letters)
            ran.append(_notebook(one, folder, letters))
        last = Round.open(home / round_.folder.resolve().name)
        shutil.copyfile(report(last, last.folder / "page.html"), home / "read-me-first.html")
        if len(line) > 1:
            shutil.copyfile(story(last, last.folder / "story.html"), home / "story.html")
        hand_out(run_notebooks(ran))
        if not names:
            for notebook in ran:
                shutil.rmtree(notebook.parent / RECEIVED, ignore_errors=True)
        write_text(home / "HOW-TO.txt", _how_to(last, [one.folder.resolve().name for one in line]))
        write_text(home / VERSIONS, "".join(f"{name}=={_version(name)}\n" for name in _LIBRARIES))
        return write_bytes(target, _zipped(home))


def beside(round_: Round) -> Path:
    """Return where the bundle of a round goes when nothing else is said."""
    whole = round_.folder.resolve()
    return whole.parent / f"{whole.name}.zip"


def _notebook(round_: Round, folder: Path, letters: Mapping[str, str]) -> Path:
    """Write a round's notebook into its shared folder: the person's own cells, no name in them."""
    own = round_.folder / NOTEBOOK
    if not own.is_file():
        return write_notebook(folder, round_.name)
    import nbformat

    notebook = nbformat.read(own, as_version=4)
    for cell in notebook.cells:
        cell.source = _without_names(cell.source, letters)
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
    return write_text(folder / NOTEBOOK, as_kept(notebook))


def _letters(line: Sequence[Round]) -> dict[str, str]:
    """Return a letter for each taster of a development, in the order of their names."""
    tasters = sorted({taster.name for one in line for taster in one.tasters})
    return {name: f"Taster {_letter(place)}" for place, name in enumerate(tasters)}


def _letter(place: int) -> str:
    first, rest = divmod(place, 26)
    return (chr(64 + first) if first else "") + chr(65 + rest)


def _relettered(round_: Round, folder: Path, letters: Mapping[str, str]) -> None:
    """Write a round anew with letters for its tasters, its scores entered again."""
    tasters = tuple(replace(one, name=letters[one.name]) for one in round_.tasters)
    serving = read_serving(round_)
    scored = scores(round_)
    new = Round.create(
        folder,
        plan=round_.plan,
        measures=round_.measures,
        formula=round_.formula,
        tasters=tasters,
        seed=round_.seed,
        name=round_.name,
        parent=round_.parent,
        sitting=round_.sitting,
        invented=round_.invented,
        batch=round_.batch,
        steps=round_.steps,
        kitchen=round_.kitchen,
        prices=round_.prices,
        taste=round_.taste,
    )
    if len(serving):
        write_csv(serving.assign(taster=serving["taster"].map(letters)), new.folder / SERVING)
    write_sheets(new)
    record_scores(new, _as_entered(round_, scored, letters))
    if (round_.folder / DIARY).is_file():
        diary = read_diary(round_.folder)
        told = [_without_names(one, letters) for one in diary["note"]]
        write_csv(diary.assign(note=told), new.folder / DIARY)


def _as_entered(round_: Round, scored: pd.DataFrame, letters: Mapping[str, str]) -> pd.DataFrame:
    """Return scores as they would be entered: a row per tasting, and one per bake with its fate."""
    tasted = scored[scored["taster"].notna()]
    weighed = scored[scored["taster"].isna()].drop_duplicates("bake").set_index("bake")
    fates = scored.drop_duplicates("bake").set_index("bake")
    planned = round_.plan.table.set_index("bake")
    bakes = weighed.reindex(fates.index)
    for column in ("status", "reason"):
        bakes[column] = fates[column]
    bakes["note"] = bakes["note"].fillna("")
    for factor in round_.plan.factors:
        made = fates[factor.name]
        bakes[f"actual {factor.name}"] = made.where(made != planned.loc[made.index, factor.name])
    whole = pd.concat([tasted, bakes.reset_index()], ignore_index=True)
    whole["taster"] = whole["taster"].map(letters, na_action="ignore")
    whole["note"] = [_without_names(text, letters) for text in whole["note"]]
    return whole


def _without_names(text: object, letters: Mapping[str, str]) -> str:
    said = str(text) if text is not None else ""
    for name, letter in letters.items():
        said = re.sub(rf"\b{re.escape(name)}\b", letter, said, flags=re.IGNORECASE)
    return said


def _how_to(round_: Round, folders: Sequence[str]) -> str:
    """Return how to read the bundle, and how to run it again."""
    last, python = folders[-1], ".".join(platform.python_version_tuple()[:2])
    lines = [
        f"{round_.name}: how to read this, and how to run it again",
        "",
        "To read: open read-me-first.html in any browser. It needs no network and no Python.",
        *(["story.html tells the development, round by round."] if len(folders) > 1 else []),
        f"What each notebook showed is in {in_words(f'{one}/round.html' for one in folders)}.",
        "",
        f"To run it again: install Python {python} and trials {__version__}; then, in this folder,",
        f"    pip install -r {VERSIONS}",
        f"    trials fit {last}",
        f"or: trials lab {last}, which opens {last}/{NOTEBOOK}; there: Run, Run All Cells.",
        "The same numbers come out, to the last digit, on Linux; other systems were not tried.",
        "",
        f"Made with trials {__version__}, Python {platform.python_version()}, and the libraries of",
        f"{VERSIONS}.",
        "",
    ]
    return "\n".join(lines)


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "(version not known)"


def _zipped(home: Path) -> bytes:
    """Return a folder as a zip file, its entries in a fixed order."""
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as file:
        for path in sorted(home.rglob("*")):
            if path.is_file() and not path.name.startswith("."):
                file.write(path, path.relative_to(home).as_posix())
    return whole.getvalue()
