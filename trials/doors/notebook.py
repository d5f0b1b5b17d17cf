"""Notebooks: copied out for a person, or run from top to bottom."""

import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from trials.base.errors import RoundError

HOME = Path(__file__).parents[1]


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


def as_given_out(folder: Path, named: str) -> list[Path]:
    """Return the notebooks of a folder that stand there as the program gives them out.

    One of a person's own, or one whose cells were changed, is none of them: it is never run.
    """
    return [
        folder / given.name
        for given in sorted(notebooks_home().glob(named))
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

    Examples
    --------
    >>> run_notebooks([])
    []
    """
    import nbformat
    from nbclient import NotebookClient
    from nbclient.exceptions import CellExecutionError

    for path in paths:
        notebook = nbformat.read(path, as_version=4)
        client = NotebookClient(
            notebook,
            timeout=180,
            kernel_name="python3",
            extra_arguments=["--IPKernelApp.log_level=40"],  # its notes are not the reader's
            resources={"metadata": {"path": str(path.parent)}},
        )
        try:
            client.execute()
        except CellExecutionError as error:
            raise RoundError(f"{path.name} did not run to its end: {error.evalue}") from None
        nbformat.write(notebook, path)
    return list(paths)


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
