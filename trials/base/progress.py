"""How far something is that takes its time: a bar in a terminal or a notebook, and else nothing."""

import contextlib
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextvars import ContextVar
from typing import Any, TypeVar

T = TypeVar("T")

PATIENCE = 2.0  # seconds that need no bar
_shown: ContextVar[bool] = ContextVar("a bar is shown", default=False)


@contextlib.contextmanager
def under_way(said: str, total: float = 1.0) -> Iterator[Callable[[float], None]]:
    """Show how much of something is done, once it has taken two seconds; what is inside shows none.

    Parameters
    ----------
    said : str
        What is under way, in a few words.
    total : float
        How much there is to do.

    Yields
    ------
    callable
        To be told how much is done so far.

    Examples
    --------
    >>> with under_way("Baking", 2) as done:
    ...     done(1)
    """
    if _shown.get() or not watched():
        yield lambda done: None
        return
    # Loaded only here: a command that nobody watches needs none
    from tqdm.auto import tqdm

    token = _shown.set(True)
    form = "{desc} {percentage:3.0f} % |{bar:30}| {elapsed}"
    bar: Any = tqdm(
        total=total, desc=said, delay=PATIENCE, leave=False, bar_format=form, file=sys.stderr
    )
    try:
        yield lambda done: bar.update(max(done - bar.n, 0))
        # A bar that is closed before its end stays in a notebook, in red
        bar.update(max(total - bar.n, 0))
    finally:
        bar.close()
        _shown.reset(token)


def steps(things: Sequence[T], said: str) -> Iterator[T]:
    """Go through things one by one, showing how far that is.

    Examples
    --------
    >>> list(steps(["B01", "B02"], "Baking"))
    ['B01', 'B02']
    """
    with under_way(said, len(things)) as done:
        for count, one in enumerate(things, start=1):
            yield one
            done(count)


def watched() -> bool:
    """Say whether somebody sees a bar: at a terminal, or in a notebook that is open.

    Examples
    --------
    >>> watched()
    False
    """
    if os.environ.get("TQDM_DISABLE"):  # the bar of a notebook does not ask for it itself
        return False
    return in_notebook() or bool(sys.stderr is not None and sys.stderr.isatty())


def in_notebook() -> bool:
    """Say whether this runs in a kernel.

    Examples
    --------
    >>> in_notebook()
    False
    """
    return hasattr(running_shell(), "kernel")


def running_shell() -> Any:
    """Return the IPython that this runs in, or None.

    Examples
    --------
    >>> running_shell() is None
    True
    """
    # Asked only of what is loaded: outside a notebook it is not
    whole = sys.modules.get("IPython")
    return whole.get_ipython() if whole is not None else None
