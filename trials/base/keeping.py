"""Nothing lost: every file of a round is kept before it changes, and several change as one step.

A file that stands in a folder is overwritten or taken away only inside :func:`one_step`, which

- lets one writer at a time into the folder, so that what two add is both there;
- keeps the bytes of every file that it overwrites or takes away under `received/`, unless the
  program itself wrote these very bytes and can write them again;
- writes all new files beside the old ones first, then a journal of what is to happen, and only
  then switches: a step that is cut short before its journal changed nothing, and one that is cut
  short after it is finished by whoever opens the folder next.
"""

import contextlib
import csv
import glob
import hashlib
import io
import json
import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

from trials.base.errors import Place, RoundError

RECEIVED = "received"
WRITTEN = "written.csv"  # under received/: what the program wrote, by file and digest
# What only the program can not write again: always kept
NEVER_REPLACED = ("plan.csv", "round.toml", "serving.csv", "idea.toml")
# What is only ever added to
_ADDED_TO = (f"{RECEIVED}/", "incoming/", "photos/", "diary.csv")
LOCK = ".trials-lock"
# Names that mean something in the folder of a round, there or not
OF_A_ROUND = frozenset(
    {
        *NEVER_REPLACED,
        *(f"{name}.{end}" for name in ("bakes", "tastings") for end in ("xlsx", "csv")),
        *("actual.csv", "scores.csv", "scores-not-blind.csv", "diary.csv", "links.csv"),
        *("ingredients.csv", "shopping-list.csv", "timetable.csv"),
    }
)
_DRAFT, _STEP = ".trials-draft-", ".trials-step-"
_JOURNAL = "journal.json"
_PATIENCE = 60.0  # seconds to wait for another writer
_OLD = 24 * 3600  # seconds after which a draft of another machine is nobody's


@dataclass(eq=False)
class _Step:
    """What one step will write and take away, by path."""

    folder: Path
    writes: dict[Path, bytes] = field(default_factory=dict)
    removes: list[Path] = field(default_factory=list)


_step: ContextVar[_Step | None] = ContextVar("step", default=None)
_NAMED = 5  # files that are called by their names
_written: list[Path] = []  # by this program so far, for whoever is stopped and asks


def digest_of(content: bytes) -> str:
    """Return the digest by which content is told from any other."""
    return hashlib.sha256(content).hexdigest()


def put(path: Path, content: bytes) -> Path:
    """Write a file whole or not at all: now, or at the end of the step that its folder is in.

    In the folder of a round or an idea a file that is written by itself is a step of its own.
    """
    step = _step.get()
    if step is not None and _inside(path, step.folder):
        step.writes[_absolute(path)] = content
    elif not _holds(path, content):
        home = _home_of(path)
        if home is None:
            path.parent.mkdir(parents=True, exist_ok=True)
            _switch(_draft(path.parent, content), path)
        else:
            with one_step(home):
                put(path, content)
    return path


def _home_of(path: Path) -> Path | None:
    """Return the folder of the round or the idea that a file lies in."""
    marks = ("round.toml", "idea.toml")
    above = _absolute(path).parents
    return next((one for one in above if any((one / mark).is_file() for mark in marks)), None)


def staged(path: Path) -> bytes | None:
    """Return what the step that is open will write to a file; None where it writes nothing."""
    step = _step.get()
    return None if step is None else step.writes.get(_absolute(path))


def stopped() -> str:
    """Return what is said when a person stops the program: what was written by then, all whole.

    Examples
    --------
    >>> stopped().startswith("Stopped")
    True
    """
    kept = [one for one in dict.fromkeys(_written) if one.is_file() and RECEIVED not in one.parts]
    names = [f'"{one.name}"' for one in kept if not one.name.startswith(".")]
    if not names:
        return "Stopped. Nothing was written; everything is as it was."
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return f"Stopped. Written by then, and whole: {', '.join(names[-_NAMED:])}{more}."


def take_away(path: Path) -> None:
    """Take a file away at the end of the step; what it held is kept as for any other change."""
    step = _step.get()
    if step is None or not _inside(path, step.folder):
        raise RuntimeError(f"{path} may only be taken away in a step of its folder")
    step.removes.append(_absolute(path))


@contextlib.contextmanager
def one_step(folder: str | Path) -> Iterator[None]:
    """Change several files of a folder as one step, or none of them.

    Examples
    --------
    >>> folder = Path(tempfile.mkdtemp())
    >>> with one_step(folder):
    ...     _ = put(folder / "plan.csv", b"bake")
    ...     (folder / "plan.csv").exists()
    False
    >>> (folder / "plan.csv").read_bytes()
    b'bake'
    """
    folder = _absolute(Path(folder))
    within = _step.get()
    if within is not None and _inside(folder, within.folder):
        yield
        return
    folder.mkdir(parents=True, exist_ok=True)
    with _only_writer(folder):
        _finish(folder)
        _sweep(folder)
        step = _Step(folder)
        token = _step.set(step)
        try:
            yield
        finally:
            _step.reset(token)
        _commit(step)


def finished(folder: str | Path) -> None:
    """Finish a step that was cut short in a folder and sweep up its drafts; else do nothing."""
    folder = Path(folder)
    if _step.get() is not None:
        return
    decided = any(folder.glob(f"{_STEP}*/{_JOURNAL}"))
    if not decided and not (folder / LOCK).exists() and not any(map(_abandoned, _drafts(folder))):
        return
    try:
        # Where nothing is half done, nobody waits for a writer, nor for leave to write
        with _only_writer(folder, patience=_PATIENCE if decided else 0):
            _finish(folder)
            _sweep(folder)
    except (OSError, RoundError):
        if decided:
            raise


def received(folder: Path, path: Path, now: datetime | None = None) -> Path:
    """Keep a file exactly as it came, under `received/`, named by time and content.

    Examples
    --------
    >>> folder = Path(tempfile.mkdtemp())
    >>> came = put(folder / "tastings.csv", b"bake,liking")
    >>> received(folder, came) == received(folder, came)
    True
    """
    new = staged(path)
    return put(*_copy(folder, path.name, path.read_bytes() if new is None else new, now))


def copy_of(folder: Path, name: str, content: bytes) -> Path:
    """Keep content under `received/`, as it stands in a file of this name."""
    return put(*_copy(folder, name, content))


def _copy(
    folder: Path, name: str, content: bytes, now: datetime | None = None
) -> tuple[Path, bytes]:
    digest = digest_of(content)[:16]
    home = folder / RECEIVED
    _refuse_other_kind(home / name)
    there = sorted(home.glob(f"*-{digest}-{glob.escape(name)}"))
    stamp = (now or datetime.now(UTC)).strftime("%Y%m%dT%H%M%SZ")
    return (there[0] if there else home / f"{stamp}-{digest}-{name}"), content


def written_by_us(folder: Path, path: Path) -> bool:
    """Say whether a file is, byte for byte, as the program wrote it last."""
    name = _absolute(path).relative_to(_absolute(folder)).as_posix()
    known = _ledger(folder).get(name)
    return known is not None and path.is_file() and digest_of(path.read_bytes()) == known


def sound_path(path: Path, folder: Path) -> Path:
    """Return a path if what it leads to lies in the folder; a link out of it is refused."""
    home = folder.resolve()
    led = path.resolve()
    if led != home and home not in led.parents:
        try:
            shown = _absolute(path).relative_to(_absolute(folder)).as_posix()
        except ValueError:
            shown = str(path)
        raise RoundError(
            "this leads out of the round's folder. Put the file itself into the folder, and try "
            "again; nothing was changed.",
            Place(shown),
        )
    return path


def free_to_write(
    path: Path, *, usual: Path | None = None, inputs: tuple[Path, ...] = (), replace: bool = False
) -> Path:
    """Return a path that a command was told to write to, if nothing is lost by it.

    A file of a round is never written over, but for the page that the command writes anyway
    (`usual`); nor is what was read (`inputs`). Anything else that is there takes `replace`.
    """
    here = Place(str(path))
    if usual is not None and _absolute(path) == _absolute(usual):
        return path
    if path.is_dir():
        raise RoundError("this is a folder; name a file in it. Nothing was written.", here)
    home = next((one for one in _absolute(path).parents if (one / "round.toml").is_file()), None)
    if home is not None and (path.is_symlink() or path.exists() or path.name in OF_A_ROUND):
        if not (replace and written_by_us(home, path) and path.name not in OF_A_ROUND):
            raise RoundError(
                "this belongs to a round, and is not written over. Choose another name; nothing "
                "was written.",
                here,
            )
        return path
    if any(path.exists() and one.exists() and path.samefile(one) for one in inputs):
        raise RoundError(
            "this is the file that was read. Choose another name; nothing was written.", here
        )
    if path.exists() and not replace:
        raise RoundError(
            "this is there already. Choose another name, or say --replace to write over it; "
            "nothing was written.",
            here,
        )
    return path


# -- The step itself: keep, write beside, note down, switch.


def _commit(step: _Step) -> None:
    folder = step.folder
    known = _ledger(folder)
    ledger = dict(known)
    kept: dict[Path, bytes] = {}
    writes = {path: new for path, new in step.writes.items() if not _holds(path, new)}
    removes = [path for path in step.removes if path.is_file() and path not in writes]
    _refuse_other_kind(folder / RECEIVED / WRITTEN)
    for path in (*writes, *removes):
        sound_path(path.parent, folder)
        _refuse_other_kind(path)
        if not path.is_file():
            continue
        name, before = path.relative_to(folder).as_posix(), path.read_bytes()
        if path in writes and writes[path].startswith(before):
            continue  # added to; nothing goes
        ours = ledger.get(name) == digest_of(before) and name not in NEVER_REPLACED
        if not ours and not name.startswith(f"{RECEIVED}/"):
            target, content = _copy(folder, path.name, before)
            kept[target] = content
    for path, new in step.writes.items():
        name = path.relative_to(folder).as_posix()
        if not name.startswith(_ADDED_TO):
            ledger[name] = digest_of(new)
    for path in removes:
        ledger.pop(path.relative_to(folder).as_posix(), None)
    for path, content in kept.items():
        if not _holds(path, content):
            _made(path.parent)
            _switch(_draft(path.parent, content), path)
    book = folder / RECEIVED / WRITTEN
    if ledger != known:
        writes[book] = _listed(ledger)
    if len(writes) == 1 and not removes:
        ((path, content),) = writes.items()
        _made(path.parent)
        _switch(_draft(path.parent, content), path)
    elif writes or removes:
        _switch_all(folder, writes, removes)


def _switch_all(folder: Path, writes: dict[Path, bytes], removes: list[Path]) -> None:
    beside = Path(tempfile.mkdtemp(dir=folder, prefix=f"{_STEP}{_owner()}-"))
    journal: dict[str, list[list[str]]] = {"writes": [], "removes": []}
    for number, (path, content) in enumerate(writes.items()):
        _plain_write(beside / f"{number:04d}", content)
        journal["writes"].append([f"{number:04d}", path.relative_to(folder).as_posix()])
    for path in removes:
        journal["removes"].append(
            [path.relative_to(folder).as_posix(), digest_of(path.read_bytes())]
        )
    _plain_write(beside / f"{_JOURNAL}.new", json.dumps(journal).encode("utf-8"))
    # From here on the step is decided: whoever comes next finishes it
    os.replace(beside / f"{_JOURNAL}.new", beside / _JOURNAL)
    try:
        _apply(folder, beside)
    except KeyboardInterrupt:
        if (beside / _JOURNAL).exists():
            _apply(folder, beside)
        raise


def _apply(folder: Path, beside: Path) -> None:
    journal = json.loads((beside / _JOURNAL).read_text("utf-8"))
    for draft, name in journal["writes"]:
        if (beside / draft).exists():
            _made((folder / name).parent)
            # A draft that can not be put in its place stays: it is what was decided
            os.replace(beside / draft, folder / name)
    for name, digest in journal["removes"]:
        path = folder / name
        if path.is_file() and digest_of(path.read_bytes()) == digest:
            path.unlink()
    (beside / _JOURNAL).unlink()
    beside.rmdir()


def _finish(folder: Path) -> None:
    for journal in sorted(folder.glob(f"{_STEP}*/{_JOURNAL}")):
        try:
            _apply(folder, journal.parent)
        except (ValueError, KeyError, TypeError):
            raise RoundError(
                "what was being changed when the program was stopped can not be read. Move this "
                "folder out of the round's, and look whether all is there.",
                Place(journal.parent.name),
            ) from None


def _sweep(folder: Path) -> None:
    """Take away what a writer that is no more left half written."""
    for one in filter(_abandoned, _drafts(folder)):
        if one.is_dir() and not one.is_symlink():
            shutil.rmtree(one, ignore_errors=True)
        else:
            one.unlink(missing_ok=True)


def _drafts(folder: Path) -> list[Path]:
    left = [*folder.glob(f"{_STEP}*"), *folder.glob(f"{_DRAFT}*"), *folder.glob(f"*/{_DRAFT}*")]
    return [*left, *folder.glob(f"*/*/{_DRAFT}*")]


def _abandoned(draft: Path) -> bool:
    machine, _, rest = draft.name.removeprefix(_STEP).removeprefix(_DRAFT).partition("-")
    process = rest.partition("-")[0]
    if machine == _machine() and process.isdigit():
        return int(process) == os.getpid() or not _lives(int(process))
    with contextlib.suppress(OSError):
        return time.time() - draft.lstat().st_mtime > _OLD
    return False


def _lives(process: int) -> bool:
    if os.name == "nt":
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _owner() -> str:
    return f"{_machine()}-{os.getpid()}"


def _machine() -> str:
    import platform

    return hashlib.sha256(platform.node().encode()).hexdigest()[:6]


# -- Files: drafts, the ledger, the lock.


def _draft(folder: Path, content: bytes) -> Path:
    handle, name = tempfile.mkstemp(dir=folder, prefix=f"{_DRAFT}{_owner()}-")
    try:
        with os.fdopen(handle, "wb") as file:
            _flushed(file, content)
        os.chmod(name, 0o644)
    except BaseException:
        with contextlib.suppress(OSError):
            Path(name).unlink(missing_ok=True)
        raise
    return Path(name)


def _plain_write(path: Path, content: bytes) -> None:
    with path.open("wb") as file:
        _flushed(file, content)
    os.chmod(path, 0o644)


def _flushed(file: IO[bytes], content: bytes) -> None:
    file.write(content)
    file.flush()
    os.fsync(file.fileno())


def _switch(draft: Path, path: Path) -> None:
    try:
        os.replace(draft, path)
    except OSError:
        draft.unlink(missing_ok=True)
        raise
    _written.append(path)


def _made(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)


def _refuse_other_kind(path: Path) -> None:
    """Refuse a file where a folder is needed, and a folder where a file is."""
    for found, needed, wrong in (
        (path.parent, "a folder", path.parent.exists() and not path.parent.is_dir()),
        (path, "a file", path.is_dir()),
    ):
        if wrong:
            other = "a file" if needed == "a folder" else "a folder"
            raise RoundError(
                f"this is {other}, where {needed} of that name is needed. Move it out of the "
                "round's folder and try again; nothing was changed.",
                Place(found.name),
            )


def _holds(path: Path, content: bytes) -> bool:
    plain = path.is_file() and not path.is_symlink()
    return plain and path.stat().st_size == len(content) and path.read_bytes() == content


def _inside(path: Path, folder: Path) -> bool:
    return _absolute(path).is_relative_to(folder)


def _absolute(path: Path) -> Path:
    # Not resolved: a link is judged where it is used
    return Path(os.path.abspath(path))


def _ledger(folder: Path) -> dict[str, str]:
    """Return the digest of what the program wrote, by file; what can not be read is not known."""
    try:
        text = (folder / RECEIVED / WRITTEN).read_text("utf-8")
        rows = list(csv.reader(io.StringIO(text)))[1:]
    except (OSError, ValueError, csv.Error):
        return {}
    return {row[0]: row[1] for row in rows if len(row) == 2}


def _listed(ledger: dict[str, str]) -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["file", "sha256"])
    writer.writerows(sorted(ledger.items()))
    return text.getvalue().encode("utf-8")


@contextlib.contextmanager
def _only_writer(folder: Path, *, patience: float = _PATIENCE) -> Iterator[None]:
    """Let one writer at a time into a folder."""
    busy = (
        f'another command is writing in "{folder}" and does not come to an end. Wait for it or '
        "stop it, and try again; nothing was changed."
    )
    with alone(folder / LOCK, busy, patience=patience):
        yield


@contextlib.contextmanager
def alone(path: Path, busy: str, *, patience: float = 0) -> Iterator[None]:
    """Hold a lock; it goes when it is let go, or with the process that held it.

    Raises
    ------
    RoundError
        With the words of `busy`, where another process holds it and does not let go.

    Examples
    --------
    >>> lock = Path(tempfile.mkdtemp()) / ".lock"
    >>> with alone(lock, "somebody is here"):
    ...     with alone(lock, "somebody is here"):
    ...         pass
    Traceback (most recent call last):
    trials.base.errors.RoundError: somebody is here
    """
    until = time.monotonic() + patience
    while True:
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            if _taken(handle) and _same_file(handle, path):
                break
        except BaseException:
            os.close(handle)
            raise
        os.close(handle)
        if time.monotonic() > until:
            raise RoundError(busy)
        time.sleep(0.02)
    try:
        yield
    finally:
        try:
            with contextlib.suppress(OSError):
                path.unlink()
        finally:
            os.close(handle)


def _same_file(handle: int, path: Path) -> bool:
    """Say whether the lock that was taken still stands there, and was not let go meanwhile."""
    with contextlib.suppress(OSError):
        return os.path.samestat(os.fstat(handle), path.stat())
    return False


def _taken(handle: int) -> bool:
    try:
        if os.name == "nt":  # pragma: no cover
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
