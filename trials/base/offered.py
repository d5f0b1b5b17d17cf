"""The names a package offers, read from the stub beside it and loaded when they are used."""

from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any


def homes(stub: str) -> dict[str, tuple[str, str]]:
    """Return the module, and the name within it, of each line "from module import name as name".

    Examples
    --------
    >>> import trials
    >>> homes(trials.__file__ + "i")["Numeric"]
    ('trials.core.factors', 'Numeric')
    """
    with open(stub, encoding="utf-8") as lines:
        words = [line.split() for line in lines if line.startswith("from ")]
    return {word[5]: (word[1], word[3]) for word in words if len(word) == 6}


def shown_by(shell: Any, shows: Mapping[tuple[str, str], Callable[[Any], str]]) -> None:
    """Tell IPython by which function it shows a kind of record.

    Parameters
    ----------
    shell : IPython's interactive shell
    shows : mapping of (module, class) to function
        It takes a record and returns HTML. The kinds go by name, so that nothing is loaded before
        such a record is shown.
    """
    html = shell.display_formatter.formatters["text/html"]
    for (module, kind), show in shows.items():
        html.for_type_by_name(module, kind, show)


def offered(file: str, package: str) -> tuple[list[str], Callable[[str], Any], Callable[..., Any]]:
    """Return `__all__`, `__getattr__` and `__dir__` of a package or module, by its stub.

    Editors and type checkers read the stub themselves; reading it here as well keeps one list.
    """
    found = homes(f"{file.removesuffix('.py')}.pyi")
    names = sorted(found)

    def get(name: str) -> Any:
        if name not in found:
            raise AttributeError(
                f"module {package!r} has no attribute {name!r}; it has {', '.join(names)}"
            )
        home, inner = found[name]
        if home == package:  # a module of the package itself, which Python asks for here
            return import_module(f"{home}.{inner}")
        module = import_module(home)
        if not hasattr(module, inner):
            return import_module(f"{home}.{inner}")
        return getattr(module, inner)

    return names, get, lambda: names
