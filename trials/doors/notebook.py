"""Notebooks: copied out for a person, or run from top to bottom."""

import json
import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence
from difflib import SequenceMatcher
from functools import partial
from pathlib import Path
from typing import Any

from markupsafe import Markup

from trials.base.errors import RoundError, TrialsError
from trials.base.files import write_text
from trials.base.html import render
from trials.base.progress import under_way
from trials.base.version import __version__
from trials.rounds.idea import IDEA
from trials.rounds.round import SETTINGS, Round

HOME = Path(__file__).parents[1]
TEMPLATES = Path(__file__).parent / "templates"


def notebooks_home() -> Path:
    """Return the folder of the notebooks, in the package or beside it in a checkout.

    Examples
    --------
    >>> any(notebooks_home().glob("*.ipynb"))
    True
    """
    return _home("notebooks")


def data_home() -> Path:
    """Return the folder of published data that the notebooks use.

    Examples
    --------
    >>> (data_home() / "cake.csv").is_file()
    True
    """
    return _home("data")


def _home(name: str) -> Path:
    inside, beside = HOME / name, HOME.parent / name
    return inside if inside.is_dir() else beside


def copy_notebooks(folder: Path) -> Path:
    """Copy the notebooks and their data to a folder; what is there already is kept.

    Examples
    --------
    >>> import tempfile
    >>> any(copy_notebooks(Path(tempfile.mkdtemp())).glob("*.ipynb"))
    True
    """
    folder.mkdir(parents=True, exist_ok=True)
    for source in sorted(notebooks_home().glob("*.ipynb")):
        if not (folder / source.name).exists():
            shutil.copyfile(source, folder / source.name)
    (folder / "data").mkdir(exist_ok=True)
    for source in sorted(data_home().glob("*.csv")):
        if not (folder / "data" / source.name).exists():
            shutil.copyfile(source, folder / "data" / source.name)
    return folder.resolve()


_ALIKE = 0.8  # of two names of folders: one of them may be the other, mistyped


def refuse_mistyped(folder: Path) -> None:
    """Refuse to make a folder of examples under a name like that of a round that lies beside it.

    Examples
    --------
    >>> import tempfile
    >>> refuse_mistyped(Path(tempfile.mkdtemp()) / "round-1")
    """
    letters = _without_digits(folder.name)
    beside = sorted(folder.parent.iterdir()) if folder.parent.is_dir() else []
    for one in () if folder.exists() else beside:
        name = _without_digits(one.name)
        near = name != letters and SequenceMatcher(None, name, letters).ratio() >= _ALIKE
        if near and _is_real(one):
            raise RoundError(
                f'there is no "{folder}"; is "{one}" meant? Nothing invented is put under a name '
                "so like that of a round of yours. Choose another one, if that is wanted."
            )


def _without_digits(name: str) -> str:
    return "".join(letter for letter in name.casefold() if not letter.isdigit())


def _is_real(folder: Path) -> bool:
    """Say whether a folder holds an idea or a round that is not invented."""
    if not (folder / SETTINGS).is_file():
        return (folder / IDEA).is_file()
    try:
        return not Round.open(folder).invented
    except TrialsError:
        return True


def as_given_out(folder: Path) -> list[Path]:
    """Return the notebooks of a folder that stand there as the program gives them out.

    One of a person's own, or one whose cells were changed, is none of them: it is never run.
    """
    return [
        folder / given.name
        for given in sorted(notebooks_home().glob("*.ipynb"))
        if _cells(folder / given.name) == _cells(given)
    ]


def _cells(notebook: Path) -> list[str] | None:
    try:
        cells = json.loads(notebook.read_text("utf-8"))["cells"]
        return ["".join(cell["source"]) for cell in cells]
    except (OSError, ValueError, KeyError, TypeError):
        return None


def run_notebooks(paths: Sequence[Path]) -> list[Path]:
    """Run notebooks from top to bottom, keeping their output in them.

    What is kept is what the cells showed: no times, and no form that would look alive and answer
    nobody (its still table stands instead). So one that is run again changes where its answers
    did, and else not at all.

    Examples
    --------
    >>> run_notebooks([])
    []
    """
    import nbformat

    opened = [(path, nbformat.read(path, as_version=4)) for path in paths]
    with under_way("Running notebooks", sum(len(one.cells) for _, one in opened)) as done:
        ran = 0
        for path, notebook in opened:
            _run_notebook(path, notebook, partial(_beyond, done, ran))
            ran += len(notebook.cells)
    return list(paths)


def _beyond(done: Callable[[float], None], before: int, cells: int) -> None:
    done(before + cells)


def _run_notebook(path: Path, notebook: Any, done: Callable[[int], None]) -> None:
    import nbformat
    from nbclient import NotebookClient
    from nbclient.exceptions import CellExecutionError

    written_by = dict(notebook.metadata)
    client = NotebookClient(
        notebook,
        timeout=180,
        kernel_name="python3",
        extra_arguments=["--IPKernelApp.log_level=40"],  # its notes are not the reader's
        record_timing=False,
        resources={"metadata": {"path": str(path.parent)}},
        on_cell_executed=lambda cell, cell_index, execute_reply: done(cell_index + 1),
    )
    try:
        # What is kept shows what came of it, not how far it was meanwhile
        client.execute(env={**os.environ, "TQDM_DISABLE": "1"})
    except CellExecutionError as error:
        raise RoundError(f"{path.name} did not run to its end: {error.evalue}") from None
    notebook.metadata = nbformat.from_dict(written_by)
    for cell in notebook.cells:
        if cell.cell_type == "code":
            cell.outputs = _kept_outputs(cell.outputs)
    write_text(path, as_kept(notebook))


_ALIVE = "application/vnd.jupyter.widget"


def _kept_outputs(outputs: Sequence[Any]) -> list[Any]:
    """Return outputs as they are kept: text that came in pieces joined, forms as still tables."""
    kept: list[Any] = []
    for one in outputs:
        if "data" in one:
            still = {kind: shown for kind, shown in one.data.items() if not kind.startswith(_ALIVE)}
            if len(still) < len(one.data) and "text/html" not in still:
                continue  # alive and nothing else, as a bar that says how far something is
            one.data = still
        last = kept[-1] if kept else None
        if one.output_type == "stream" and last is not None and last.get("name") == one.name:
            last.text += one.text
        else:
            kept.append(one)
    return kept


def as_kept(notebook: Any) -> str:
    """Return a notebook as the text of its file, the way that JupyterLab writes it."""
    import nbformat

    return str(nbformat.writes(notebook)).rstrip("\n") + "\n"


def hand_out(ran: Sequence[Path]) -> list[Path]:
    """Write notebooks that were run as pages beside them, for whoever reads and does not run."""
    return [write_text(path.with_suffix(".html"), notebook_page(path)) for path in ran]


def notebook_page(path: Path) -> str:
    """Return a notebook that was run as a page to read: it needs no network, no Python, no script.

    Examples
    --------
    >>> page = notebook_page(sorted(notebooks_home().glob("*.ipynb"))[0])
    >>> "<script" in page, "default-src 'none'" in page
    (False, True)
    """
    import mistune
    import nbformat

    written = mistune.create_markdown(escape=False, plugins=["table"])
    notebook = nbformat.read(path, as_version=4)
    cells: list[dict[str, Any]] = []
    for cell in notebook.cells:
        if cell.cell_type == "markdown":
            cells.append({"words": Markup(written(cell.source)), "code": "", "shown": []})
        elif cell.cell_type == "code":
            shown = [_shown(one) for one in cell.outputs]
            told = [(one, isinstance(one, Markup)) for one in shown if one]
            cells.append({"words": "", "code": cell.source, "shown": told})
    heading = re.search(r"^# (.+)$", "\n".join(c.source for c in notebook.cells), flags=re.M)
    title = heading[1] if heading else path.stem
    return render(
        TEMPLATES,
        "notebook.html",
        title=title,
        cells=cells,
        pictures=True,
        styled=True,
        version=__version__,
    )


def _shown(output: Any) -> str | Markup:
    """Return what an output shows: as a page if it can, else as a picture, else as text."""
    if output.output_type == "stream":
        return str(output.text)
    if output.output_type == "error":
        return f"{output.ename}: {output.evalue}"
    data = output.get("data", {})
    if "text/html" in data:
        return Markup(data["text/html"])
    if "image/png" in data:
        source = f"data:image/png;base64,{data['image/png'].strip()}"
        return Markup('<img alt="{}" src="{}">').format(data.get("text/plain", ""), source)
    return str(data.get("text/plain", ""))


def run_lab(home: Path, notebook: str, options: Sequence[str], tell: Callable[[str], None]) -> int:
    """Open JupyterLab on a folder until it is stopped; its server ends with this program."""
    command = [sys.executable, "-m", "jupyterlab", f"--ServerApp.root_dir={home}"]
    if notebook:
        command.append(f"--LabApp.default_url=/lab/tree/{notebook}")
    if hasattr(os, "geteuid") and os.geteuid() == 0 and "--allow-root" not in options:
        tell("Running as root, as in a container: whoever reaches this server may do anything.")
        command.append("--allow-root")
    tell(f"Opening JupyterLab on {home}; stop it with Ctrl-C.")
    server = subprocess.Popen([*command, *options], start_new_session=True)

    def stop(*_: object) -> None:
        # The whole group, or the kernels would live on
        if server.poll() is None:
            os.killpg(server.pid, signal.SIGTERM)

    before = signal.signal(signal.SIGTERM, stop)
    try:
        return server.wait()
    except KeyboardInterrupt:
        stop()
        server.wait()
        return 0
    finally:
        stop()
        signal.signal(signal.SIGTERM, before)
