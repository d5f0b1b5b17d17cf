"""Who may answer through the network: an unguessable link for each taster, opened by one phone.

The links live in `links.csv` in the round's folder, which is never served. A link that was
opened belongs to the phone that opened it; anybody else who meets it is turned away.
"""

import hashlib
import hmac
import os
import secrets
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from trials.errors import TastingError
from trials.tables import in_words, read_csv, write_csv

LINKS = "links.csv"
_COLUMNS = ("taster", "link", "opened_by")


@dataclass(frozen=True)
class Link:
    """One taster's link.

    Parameters
    ----------
    taster : str
    link : str
        The unguessable part of the address.
    opened_by : str
        The digest of the key of the phone that opened it; empty before.
    """

    taster: str
    link: str
    opened_by: str = ""

    def opens_for(self, key: str) -> bool:
        """Say whether a phone that shows this key is the one that opened the link."""
        return bool(self.opened_by and key) and hmac.compare_digest(self.opened_by, _digest(key))


class Links:
    """The links of a round, kept in its folder, so that a restart finds them again.

    Parameters
    ----------
    folder : Path
        The round's.
    tasters : iterable of str
        Who is served something.
    renew : iterable of str
        Whose link is made anew: a lost phone, or a link that somebody else opened.

    Raises
    ------
    TastingError
        When somebody is to be renewed who tastes nothing.
    """

    def __init__(self, folder: Path, tasters: Iterable[str], renew: Iterable[str] = ()) -> None:
        self._path = folder / LINKS
        tasters, renew = tuple(tasters), set(renew)
        strangers = renew - set(tasters)
        if strangers:
            raise TastingError(
                f'"{min(strangers)}" tastes nothing in this round; the tasters are '
                f"{in_words(tasters)}."
            )
        before = self._kept()
        self._of = {
            name: before[name] if name in before and name not in renew else Link(name, _secret())
            for name in tasters
        }
        self._write()

    def __iter__(self) -> Iterator[Link]:
        return iter(tuple(self._of.values()))

    def find(self, link: str) -> Link | None:
        """Return the link that an address holds; None when there is none."""
        found = None
        for one in self._of.values():  # all of them, so that time says nothing
            if hmac.compare_digest(one.link.encode(), link.encode()):
                found = one
        return found

    def open(self, link: Link) -> str:
        """Give a link to the phone that asks first; return the key that phone keeps.

        Raises
        ------
        TastingError
            When another phone opened it before.
        """
        if self._of[link.taster].opened_by:
            raise TastingError("This link was opened on another phone. Ask the cook for a new one.")
        key = _secret()
        self._of[link.taster] = replace(link, opened_by=_digest(key))
        self._write()
        return key

    def _kept(self) -> dict[str, Link]:
        if not self._path.is_file():
            return {}
        rows = read_csv(self._path).itertuples(index=False)
        return {row.taster: Link(row.taster, row.link, row.opened_by) for row in rows}

    def _write(self) -> None:
        rows = [(one.taster, one.link, one.opened_by) for one in self._of.values()]
        write_csv(pd.DataFrame(rows, columns=list(_COLUMNS)), self._path)
        os.chmod(self._path, 0o600)


def _secret() -> str:
    # Letters alone: a link in a table is never taken for a number or a formula
    return secrets.token_hex(24).translate(str.maketrans("0123456789", "ghijklmnop"))


def _digest(key: str) -> str:
    return "d" + hashlib.sha256(key.encode()).hexdigest()
