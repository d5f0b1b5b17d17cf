"""The house itself: every room is reached by a public name, a command or a notebook."""

import ast
from pathlib import Path

import trials
from trials.base.offered import homes

HOME = Path(trials.__file__).parent
MODULES = {
    "trials." + ".".join(path.relative_to(HOME).with_suffix("").parts): path
    for path in HOME.rglob("*.py")
    if path.name != "__init__.py"
}
STUBS = [HOME / "__init__.pyi", HOME / "design" / "__init__.pyi", HOME / "show" / "pictures.pyi"]


def imported(path: Path) -> set[str]:
    """The rooms that a file imports, inside functions too."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module, *(f"{node.module}.{one.name}" for one in node.names)}
        elif isinstance(node, ast.Import):
            found |= {one.name for one in node.names}
    return found & set(MODULES)


def test_no_room_is_reached_by_nothing():
    offered = {
        name
        for stub in STUBS
        for home, inner in homes(str(stub)).values()
        for name in (home, f"{home}.{inner}")
    }
    waiting = [*(offered & set(MODULES)), "trials.__main__"]
    waiting += sorted(imported(HOME / "__init__.py"))
    reached: set[str] = set()
    while waiting:
        name = waiting.pop()
        if name not in reached:
            reached.add(name)
            waiting += imported(MODULES[name])
    assert set(MODULES) - reached == set()
