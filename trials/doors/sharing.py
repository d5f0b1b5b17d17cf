"""One bundle to share: the page, the notebook as it ran, the round, and how to run it again."""

import io
import platform
import re
import shutil
import tempfile
import zipfile
from collections.abc import Mapping
from dataclasses import replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import pandas as pd

from trials.base.errors import RoundError
from trials.base.files import write_bytes, write_csv, write_text
from trials.base.version import __version__
from trials.doors.notebook import run_notebooks
from trials.doors.workplace import NOTEBOOK, write_notebook
from trials.rounds.diary import DIARY, read_diary
from trials.rounds.forms import SERVING, read_serving
from trials.rounds.round import Round
from trials.rounds.scores import record_scores, scores
from trials.show.page import report

_LIBRARIES = ("numpy", "pandas", "scipy", "statsmodels", "pyDOE3", "matplotlib", "seaborn")
# Of no use to a reader, or nobody else's business
_PRIVATE = ("links.csv", "photos", "incoming", "ballots", ".lock", "code-sheet.html")


def bundle(round_: Round, path: str | Path | None = None, *, names: bool = False) -> Path:
    """Write one file that others can open, read and run again.

    In it are the page (for readers without Python), the round's folder, its notebook with what it
    showed, the versions of what it ran on, and a line on how to run it again. Tasters are letters
    and nothing that was received is in it, unless their names are asked for: then the round's
    folder goes as it is.

    Parameters
    ----------
    round_ : Round
        With or without the rounds before it, which go along.
    path : str or Path, optional
        Where to; beside the round when left out.
    names : bool
        Whether tasters keep their names, and the files that they sent go along.

    Returns
    -------
    Path
        The bundle, a zip file.

    Raises
    ------
    RoundError
        When a file of that name is there already.

    Examples
    --------
    >>> bundle.__doc__.splitlines()[0]
    'Write one file that others can open, read and run again.'
    """
    target = Path(path) if path else round_.folder.parent / f"{round_.folder.name}.zip"
    if target.exists():
        raise RoundError(f"{target} is there already; give another name, or take it away first.")
    with tempfile.TemporaryDirectory(prefix="trials-share-") as place:
        home = Path(place)
        line = _line(round_)
        letters = {} if names else _letters(line)
        for one in line:
            folder = home / one.folder.name
            if names:
                shutil.copytree(one.folder, folder, ignore=shutil.ignore_patterns(*_PRIVATE[:1]))
            else:
                _relettered(one, folder, letters)
        last = Round.open(home / round_.folder.name)
        page = report(last, last.folder / "page.html")
        shutil.copyfile(page, home / "read-me-first.html")
        run_notebooks([write_notebook(last.folder, last.name)])
        write_text(home / "HOW-TO.txt", _how_to(last))
        return write_bytes(target, _zipped(home))


def _line(round_: Round) -> list[Round]:
    """Return a round with those before it that are still there, the first one first."""
    line = [round_]
    while line[0].parent and (line[0].folder / line[0].parent).is_dir():
        line.insert(0, Round.open(line[0].folder / line[0].parent))
    return line


def _letters(line: list[Round]) -> dict[str, str]:
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
    )
    if len(serving):
        write_csv(serving.assign(taster=serving["taster"].map(letters)), new.folder / SERVING)
    record_scores(new, _as_entered(round_, scored, letters))
    if (round_.folder / DIARY).is_file():
        diary = read_diary(round_.folder)
        text = diary.columns[-1]
        write_csv(
            diary.assign(**{text: [_without_names(one, letters) for one in diary[text]]}),
            new.folder / DIARY,
        )


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


def _how_to(round_: Round) -> str:
    """Return how to read the bundle, and how to run it again."""
    return "\n".join(
        [
            f"{round_.name}: how to read this, and how to run it again",
            "",
            "To read: open read-me-first.html in any browser. It needs no network and no Python.",
            "",
            "To run it again: install Python 3.11 or newer and trials, then",
            f"    trials fit {round_.folder.name}",
            f"or open {round_.folder.name}/{NOTEBOOK} in JupyterLab and run all its cells.",
            "The same numbers come out on Linux; other systems were not tried.",
            "",
            "Made with:",
            f"    trials {__version__}, Python {platform.python_version()}",
            *(f"    {name} {_version(name)}" for name in _LIBRARIES),
            "",
        ]
    )


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
