"""What each public name takes, as the stubs say it: `python -m tests.doors.signatures` rewrites it.

The block of comments below the imports of a stub is the contract in one place. Rewriting it is a
decision: whoever does reads what changed for the people who call it.
"""

import inspect
import textwrap
from importlib import import_module
from pathlib import Path
from typing import Any

import trials

HOME = Path(trials.__file__).parent
STUBS = {
    "trials": HOME / "__init__.pyi",
    "trials.design": HOME / "design" / "__init__.pyi",
    "trials.show.pictures": HOME / "show" / "pictures.pyi",
}
MARK = "# What each takes"


def taken(name: str, found: Any) -> str:
    """Return a name with its parameters and defaults, without the types the code itself holds."""
    signature = inspect.signature(found)
    bare = [
        one.replace(annotation=one.empty)
        for one in signature.parameters.values()
        if one.name not in ("self", "cls")
    ]
    return f"{name}{signature.replace(parameters=bare, return_annotation=signature.empty)}"


def members(name: str, record: type) -> list[str]:
    """Return the public methods of a record that its own class defines."""
    own = {key: value for key, value in vars(record).items() if not key.startswith("_")}
    methods = (int, str, float, bool, tuple)
    return [
        taken(f"{name}.{key}", getattr(record, key))
        for key, value in sorted(own.items())
        if not isinstance(value, methods)
        and (inspect.isfunction(value) or isinstance(value, classmethod | staticmethod))
    ]


def lines(module: str) -> list[str]:
    """Return what each name of a module takes, a line each."""
    found = import_module(module)
    said = []
    for name in found.__all__:
        one = getattr(found, name)
        if inspect.isclass(one) and not issubclass(one, Exception):
            said += [taken(name, one), *members(name, one)]
        elif inspect.isfunction(one):
            said.append(taken(name, one))
    return said


def written(stub: Path) -> list[str]:
    """Return what the stub says each name takes."""
    block = stub.read_text("utf-8").partition(MARK)[2]
    whole = block.replace("\n#     ", " ").splitlines()
    return [line.removeprefix("# ") for line in whole if line]


def rewrite() -> None:
    """Write the blocks anew."""
    for module, stub in STUBS.items():
        imports = stub.read_text("utf-8").partition(MARK)[0].rstrip("\n")
        wrapped = [
            textwrap.fill(
                line,
                98,
                initial_indent="# ",
                subsequent_indent="#     ",
                break_long_words=False,
                break_on_hyphens=False,
            )
            for line in lines(module)
        ]
        stub.write_text("\n".join([imports, "", MARK, *wrapped, ""]), encoding="utf-8")


if __name__ == "__main__":
    rewrite()
