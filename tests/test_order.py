"""The house stands: every import points to a floor below, heavy libraries stay at home."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "trials"
# Where a heavy library may be imported; everything else pays nothing for it.
HOMES = {
    "pyDOE3": ("design/",),
    "statsmodels": ("analysis/", "design/power.py"),
    "matplotlib": ("pictures/",),
    "seaborn": ("pictures/",),
    "IPython": ("notebook.py",),
    "ipywidgets": ("notebook.py",),
    "nbclient": ("notebook.py",),
    "nbformat": ("notebook.py",),
    "openpyxl": ("rounds/workbook.py",),
    "xlsxwriter": ("rounds/workbook.py",),
    "tornado": ("rounds/ballot_server.py",),
    "PIL": ("rounds/photos.py",),
    "ortools": ("rounds/timetable.py", "rounds/day_solver.py"),
}
# These load what they need when a command is given, so that `trials --help` is quick.
LATE = ("__init__.py", "__main__.py", "cli.py", "notebook.py")


def floors() -> list[str]:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    listed = re.search(r"```floors\n(.*?)```", text, re.DOTALL)
    assert listed, "DEVELOPERS.md has no block of floors"
    return listed.group(1).split()


def files() -> list[str]:
    found = (path.relative_to(PACKAGE).as_posix() for path in PACKAGE.rglob("*.py"))
    return sorted(name for name in found if not name.endswith("__init__.py"))


def imports(name: str) -> list[tuple[int, str, bool]]:
    """Every import of a file: line, module, whether it stands inside a function."""
    tree = ast.parse((PACKAGE / name).read_text(encoding="utf-8"))
    inside = {
        id(node)
        for function in ast.walk(tree)
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef)
        for node in ast.walk(function)
    }
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found += [(node.lineno, alias.name, id(node) in inside) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name}:{node.lineno}: a relative import"
            module = node.module or ""
            for alias in node.names:
                inner = f"{module}.{alias.name}"
                whole = inner if as_file(inner) else module
                found.append((node.lineno, whole, id(node) in inside))
    return found


def as_file(module: str) -> str | None:
    if not module.startswith("trials."):
        return None
    path = module.removeprefix("trials.").replace(".", "/") + ".py"
    return path if (PACKAGE / path).is_file() else None


def test_the_list_is_the_house():
    assert sorted(floors()) == files()


@pytest.mark.parametrize("name", files())
def test_imports_point_down(name):
    order = floors()
    for line, module, inside in imports(name):
        assert module != "trials", f"{name}:{line} imports the package itself"
        if inside:
            assert name in LATE, f"{name}:{line} imports inside a function"
        target = as_file(module)
        if target:
            assert order.index(target) < order.index(name), f"{name}:{line} imports up: {target}"
        elif module.startswith("trials."):
            package = PACKAGE / module.removeprefix("trials.").replace(".", "/")
            assert (package / "__init__.py").is_file(), f"{name}:{line}: no such file {module}"


@pytest.mark.parametrize("name", files())
def test_heavy_libraries_stay_at_home(name):
    for line, module, _ in imports(name):
        home = HOMES.get(module.split(".")[0])
        assert home is None or name.startswith(home), f"{name}:{line} imports {module}"
