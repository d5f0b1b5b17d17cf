"""Build the pages to read: `python -m docs.build WHERE [--notebooks FOLDER]`.

Their sources are the texts beside this file, the docstrings of every public name, and the
notebooks. A folder of notebooks that ran already (as `trials demo` hands them out) saves running
them here.
What comes out opens from its folder, without a network. Every warning is an error.
"""

import argparse
import shutil
import sys
import tempfile
from pathlib import Path

import nbformat

import trials
from trials.base.offered import homes
from trials.doors.notebook import as_kept, copy_notebooks, notebooks_home, run_notebooks

HERE = Path(__file__).parent
HOME = Path(trials.__file__).parent
# In the order in which they are met: the layer a name lives in -> what its page is called
SUBJECTS = {
    "recipe": "What is mixed",
    "core": "What is varied and scored, and what was planned",
    "design": "Planning",
    "tasting": "Tasting",
    "rounds": "A round, its kitchen and its scores",
    "analysis": "What mattered",
    "deciding": "What to bake next",
    "show": "Pages and pictures",
    "doors": "Notebooks, sharing and the demo",
    "base": "Mistakes",
}


def build(where: Path, notebooks: Path | None = None) -> Path:
    """Build all pages into a folder and return the first one."""
    from sphinx.cmd.build import build_main

    with tempfile.TemporaryDirectory(prefix="trials-docs-") as place:
        source = Path(place) / "source"
        shutil.copytree(HERE, source, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
        shutil.copyfile(HERE / "conf.py", source / "conf.py")
        lay_out_notebooks(source / "notebooks", notebooks)
        write_reference(source / "reference")
        wrong = build_main(
            ["-q", "-W", "--keep-going", "-E", "-d", f"{place}/trees", str(source), str(where)]
        )
    if wrong:
        raise SystemExit(wrong)
    return where / "index.html"


def lay_out_notebooks(folder: Path, ran: Path | None) -> None:
    """Put the notebooks where the pages are made of them, with what their cells showed."""
    names = [path.name for path in sorted(notebooks_home().glob("*.ipynb"))]
    folder.mkdir()
    with tempfile.TemporaryDirectory(prefix="trials-docs-ran-") as place:
        if ran is None:
            ran = copy_notebooks(Path(place))
            run_notebooks([ran / name for name in names])
        for name in names:
            (folder / name).write_text(_folded(ran / name), encoding="utf-8")


def _folded(path: Path) -> str:
    """Return a notebook whose code is folded away: words and answers are read first."""
    notebook = nbformat.read(path, as_version=4)
    for cell in notebook.cells:
        if cell.cell_type == "code":
            cell.metadata["tags"] = [*cell.metadata.get("tags", ()), "hide-input"]
    return as_kept(notebook)


def write_reference(folder: Path) -> None:
    """Write a page of reference for each subject, from the stub that lists the public names."""
    folder.mkdir()
    by_layer: dict[str, list[str]] = {layer: [] for layer in SUBJECTS}
    modules = []
    for name, (home, _) in sorted(homes(f"{HOME / '__init__.pyi'}").items()):
        found = getattr(trials, name)
        if name == "__version__":
            continue
        if type(found).__name__ == "module":
            modules.append(name)
        else:
            by_layer[home.split(".")[1]].append(directive(f"trials.{name}", found))
    pages = []
    for layer, subject in SUBJECTS.items():
        if by_layer[layer]:
            pages.append(_page(folder, layer, subject, by_layer[layer]))
    pages += [_module_page(folder, name) for name in modules]
    entries = "\n".join(pages)
    text = f"# Reference\n\nEvery public name.\n\n```{{toctree}}\n:maxdepth: 1\n\n{entries}\n```\n"
    (folder / "index.md").write_text(text, encoding="utf-8")


def _module_page(folder: Path, name: str) -> str:
    module = getattr(trials, name)
    names = getattr(module, "__all__", None) or [
        one
        for one in vars(module)
        if getattr(vars(module)[one], "__module__", "") == module.__name__
    ]
    made = [
        directive(f"trials.{name}.{one}", getattr(module, one))
        for one in names
        if callable(getattr(module, one)) and not one.startswith("_")
    ]
    first = (module.__doc__ or "").strip().splitlines()[0]
    return _page(folder, f"trials.{name}", f"trials.{name}", [first + "\n", *made])


def directive(name: str, found: object) -> str:
    """Return what asks for the docstring of a public name."""
    if isinstance(found, type):
        return f".. autoclass:: {name}\n   :members:\n"
    return f".. autofunction:: {name}\n"


def _page(folder: Path, name: str, title: str, pieces: list[str]) -> str:
    text = "\n".join([title, "=" * len(title), "", *pieces])
    (folder / f"{name}.rst").write_text(text, encoding="utf-8")
    return name


def main(words: list[str]) -> int:
    """Build the pages as asked for on the command line."""
    parser = argparse.ArgumentParser(prog="python -m docs.build", description=__doc__)
    parser.add_argument("where", type=Path)
    parser.add_argument("--notebooks", type=Path, default=None, help="a folder of those that ran")
    asked = parser.parse_args(words)
    print(build(asked.where, asked.notebooks))
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
