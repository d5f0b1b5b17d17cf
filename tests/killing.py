"""A program that is killed at one file operation: the operation and all after it do not happen."""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_CHANGES = {"os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.truncate", "os.link"}


class Killed(BaseException):
    """The program ends here."""


class _Watch:
    folder: Path | None = None
    at = 0
    count = 0

    def __call__(self, event: str, found: tuple) -> None:
        if self.folder is None or not (event == "open" or event in _CHANGES):
            return
        path = found[0]
        if not isinstance(path, str | bytes | os.PathLike):
            return
        if not os.path.abspath(os.fsdecode(path)).startswith(str(self.folder)):
            return
        flags = found[2] if event == "open" and isinstance(found[2], int) else 0
        writes = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
        if event == "open" and not flags & writes:
            return
        self.count += 1
        if self.at and self.count >= self.at:
            raise Killed(f"operation {self.count}: {event} {path!r}")


_watch = _Watch()
_hooked: list[bool] = []


@contextmanager
def watched(folder: Path, at: int = 0) -> Iterator[_Watch]:
    """Count the changes below a folder, and let none happen from the one numbered `at` on."""
    if not _hooked:
        sys.addaudithook(_watch)
        _hooked.append(True)
    _watch.folder, _watch.at, _watch.count = Path(os.path.abspath(folder)), at, 0
    try:
        yield _watch
    finally:
        _watch.folder = None


def killed_at_each(work, make, after, points=None, beside=False):
    """Kill `work(folder)` at each change of a folder that `make()` makes, then ask `after`.

    `points` bounds how many of the changes are tried, spread evenly; all when left out. With
    `beside` changes beside the folder count too.
    """
    folder = make()
    with watched(folder.parent if beside else folder) as seen:
        work(folder)
    total = seen.count
    assert total, "nothing was written"
    tried = range(1, total + 1)
    if points is not None and total > points:
        tried = sorted({1 + round(step * (total - 1) / (points - 1)) for step in range(points)})
    for at in tried:
        folder = make()
        try:
            with watched(folder.parent if beside else folder, at):
                work(folder)
        except Killed:
            pass
        after(folder, at)
    return total
