"""Small faults planted one by one in the code: does a test notice?

Run by ``python -m tests.benchmarks.mutants [--count 40] [--seed 1] [--jobs 2]``; writes
results/mutants.md. A mutant that lives shows a test that is missing, or a line that does nothing.

References
----------
DeMillo, Lipton & Sayward 1978, Computer 11(4), 34-41 (planted faults as a measure of tests).
"""

import argparse
import ast
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from trials.base.offered import homes

ROOT = Path(__file__).parents[2]
RESULT = Path(__file__).parent / "results" / "mutants.md"
LAYERS = ("analysis", "design", "rounds", "deciding")
LIMIT = 1500  # seconds that the tests of one room may take
SHARED = ("trials", "tests", "notebooks", "data", "pyproject.toml", "README.md", "DEVELOPERS.md")

COMPARED = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
}
RECKONED = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
}


@dataclass(frozen=True)
class Mutant:
    """One planted fault: a piece of a file and what stands in its place."""

    file: str
    start: int
    end: int
    old: str
    new: str
    kind: str

    @property
    def line(self) -> int:
        """The line of the file that it is in."""
        return (ROOT / self.file).read_bytes()[: self.start].count(b"\n") + 1


# Faults that once lived; each must die
NAMED = (
    (
        "trials/deciding/replanning.py",
        '+ "/" + shared.astype(str)',
        '+ "/"',
        "the bakes of a replan are shuffled across loads",
    ),
    (
        "trials/show/bake_sheets.py",
        "if one.group == dough.group]",
        "if one.group != dough.group]",
        "a dough's sheet shows the settings of the others",
    ),
    (
        "trials/design/search.py",
        "ratio = (1 + b) ** 2 + a * (w - e)",
        "ratio = (1 + b) ** 2 - a * (w - e)",
        "the gain of an exchange has the wrong sign",
    ),
    (
        "trials/design/search.py",
        "fall = (2 * (1 + b) * du - (e - w) * dd - a * uu) / safe",
        "fall = (2 * (1 + b) * du + (e - w) * dd - a * uu) / safe",
        "what an exchange takes off the variance has the wrong sign",
    ),
)


def named() -> list[Mutant]:
    """Return the faults that once lived."""
    found = []
    for file, old, new, what in NAMED:
        text = (ROOT / file).read_text("utf-8")
        if text.count(old) != 1:
            raise SystemExit(f"{file} holds {old!r} {text.count(old)} times; mend NAMED.")
        start = len(text[: text.index(old)].encode())
        found.append(Mutant(file, start, start + len(old.encode()), old, new, what))
    return found


def sampled(count: int, seed: int) -> list[Mutant]:
    """Return faults drawn by chance from all that can be planted."""
    files = sorted(path for layer in LAYERS for path in (ROOT / "trials" / layer).glob("*.py"))
    every = [mutant for path in files for mutant in mutants_of(path)]
    return random.Random(seed).sample(every, min(count, len(every)))


def mutants_of(path: Path) -> Iterator[Mutant]:
    """Yield every fault that can be planted in a file."""
    source = path.read_text("utf-8")
    starts = [0]
    for line in source.encode().splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    raw = source.encode()
    for node in _code(ast.parse(source)):
        for new, kind in _changed(node):
            start = starts[node.lineno - 1] + node.col_offset
            end = starts[node.end_lineno - 1] + node.end_col_offset
            old = raw[start:end].decode()
            inner = new if isinstance(node, ast.Return) else f"({new})"
            yield Mutant(path.relative_to(ROOT).as_posix(), start, end, old, inner, kind)


def _code(node: ast.AST) -> Iterator[ast.AST]:
    """Yield what is run of a tree: no annotation, no text, nothing that is only shown."""
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list", "type_params"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if not isinstance(child, ast.AST) or isinstance(child, ast.JoinedStr):
                continue
            if isinstance(child, ast.FunctionDef) and "repr" in child.name:
                continue
            yield child
            yield from _code(child)


def _changed(node: ast.AST) -> Iterator[tuple[str, str]]:
    """Yield what may stand in the place of a node, and what kind of fault that is."""
    match node:
        case ast.Compare(left=left, ops=[op], comparators=right) if type(op) in COMPARED:
            yield ast.unparse(ast.Compare(left, [COMPARED[type(op)]()], right)), "comparison"
        case ast.BinOp(left=left, op=op, right=right) if type(op) in RECKONED:
            if not _is_text(left) and not _is_text(right):
                yield ast.unparse(ast.BinOp(left, RECKONED[type(op)](), right)), "arithmetic"
        case ast.UnaryOp(op=ast.USub(), operand=operand):
            yield ast.unparse(operand), "sign"
        case ast.UnaryOp(op=ast.Not(), operand=operand):
            yield ast.unparse(operand), "not"
        case ast.BoolOp(op=op, values=values):
            other = ast.Or() if isinstance(op, ast.And) else ast.And()
            yield ast.unparse(ast.BoolOp(other, values)), "and/or"
        case ast.Constant(value=bool(value)):
            yield str(not value), "boolean"
        case ast.Constant(value=int(value) | float(value)):
            yield repr(value + 1), "constant"
        case ast.Return(value=value) if value is not None and not _is_text(value):
            yield "return None", "return"


def _is_text(node: ast.AST) -> bool:
    return isinstance(node, ast.JoinedStr) or (
        isinstance(node, ast.Constant) and (isinstance(node.value, str) or node.value is None)
    )


def tests_of(file: str) -> list[str]:
    """Return the tests that name a room, or a public name that lives in it, and its examples."""
    room = file.removesuffix(".py").replace("/", ".")
    public = {
        name
        for stub in ("__init__.pyi", "design/__init__.pyi", "show/pictures.pyi")
        for name, (home, _) in homes(str(ROOT / "trials" / stub)).items()
        if home == room
    }
    words = "|".join([re.escape(room), *(rf"(?:trials|design|pictures)\.{n}\b" for n in public)])
    layer, name = room.split(".")[1:3]
    named_so = re.compile(rf"{words}|from trials\.{layer} import [^\n]*\b{name}\b")
    found = [
        path.relative_to(ROOT).as_posix()
        for path in sorted((ROOT / "tests").glob("*/test_*.py"))
        if named_so.search(path.read_text("utf-8"))
    ]
    found.sort(key=lambda one: not one.endswith(f"/test_{name}.py"))
    own = [one for one in found if one.startswith(f"tests/{layer}/")]
    return [file, *own, *(one for one in found if one not in own)]


def tried(mutant: Mutant, home: Path) -> str:
    """Plant a fault in a copy of the repository, run the tests of its room, take it out again."""
    path = home / mutant.file
    before = path.read_bytes()
    after = before[: mutant.start] + mutant.new.encode() + before[mutant.end :]
    path.write_bytes(after)
    chosen = "not (benchmark or browser or notebook)"
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-n", "0", "-p", "no:cacheprovider"]
    command += ["-m", chosen, *tests_of(mutant.file)]
    env = {**os.environ, "PYTHONPATH": str(home), "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        done = subprocess.run(
            command, cwd=home, env=env, capture_output=True, text=True, timeout=LIMIT
        )
    except subprocess.TimeoutExpired:
        return "out of time"
    finally:
        path.write_bytes(before)
    if done.returncode == 0:
        return "LIVES"
    failed = re.search(r"^(?:FAILED|ERROR) (\S+)", done.stdout, re.M)
    return f"killed by {failed.group(1).rpartition('::')[2]}" if failed else "killed"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    asked = parser.parse_args()
    mutants = [*named(), *sampled(asked.count, asked.seed)]
    with tempfile.TemporaryDirectory() as folder:
        copies = [Path(folder) / str(place) for place in range(asked.jobs)]
        for copy in copies:
            for name in SHARED:
                source = ROOT / name
                if source.is_dir():
                    shutil.copytree(source, copy / name)
                else:
                    copy.mkdir(exist_ok=True)
                    shutil.copy(source, copy / name)

        def in_turn(place: int) -> list[str]:
            found = []
            for mutant in mutants[place :: asked.jobs]:
                found.append(tried(mutant, copies[place]))
                print(f"{mutant.file}:{mutant.line} {mutant.kind}: {found[-1]}", flush=True)
            return found

        with ThreadPoolExecutor(asked.jobs) as pool:
            parts = list(pool.map(in_turn, range(asked.jobs)))
    said = [parts[place % asked.jobs][place // asked.jobs] for place in range(len(mutants))]
    RESULT.write_text(report(mutants, said, asked.seed), encoding="utf-8")


def report(mutants: list[Mutant], said: list[str], seed: int) -> str:
    """Return the table of what became of each fault."""
    drawn = said[len(NAMED) :]
    lived, late = (sum(one == word for one in drawn) for word in ("LIVES", "out of time"))
    lines = [
        "# Planted faults",
        "",
        f"{len(drawn)} drawn by seed {seed} from {', '.join(LAYERS)}: {lived} live, {late} ran "
        f"out of time ({LIMIT} s: a loop that never ends, or slow tests). The first "
        f"{len(NAMED)} rows are faults that once lived. Each was tried against the tests that name "
        "its room, without browsers and notebooks.",
        "",
        "| where | fault | was | became | outcome |",
        "|---|---|---|---|---|",
    ]
    for mutant, outcome in zip(mutants, said, strict=True):
        was, became = (_cell(text) for text in (mutant.old, mutant.new))
        lines.append(
            f"| {mutant.file}:{mutant.line} | {mutant.kind} | `{was}` | `{became}` | {outcome} |"
        )
    return "\n".join(lines) + "\n"


def _cell(text: str) -> str:
    whole = " ".join(text.split()).replace("|", "\\|")
    return whole if len(whole) < 60 else f"{whole[:56]} ..."


if __name__ == "__main__":
    main()
