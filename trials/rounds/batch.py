"""How much of a bake is made, on which scales it is weighed, and what its ingredients cost."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from numbers import Real
from typing import Any

from trials.errors import RoundError
from trials.tables import in_words

DOUGH = 500.0  # grams of a batch when nothing is said; common practice, no source
SCALES = (1.0, 0.1)  # what kitchen scales show, grams


def said(table: str, record: Any, names: Sequence[str]) -> dict[str, Any]:
    """Return what a table of a settings file says, once every word in it is known.

    Raises
    ------
    RoundError
        Naming the word and those that were expected.

    Examples
    --------
    >>> said("batch", {"piece": 40}, ("pieces", "piece"))
    {'piece': 40}
    """
    if not isinstance(record, Mapping):
        raise RoundError(f"[{table}] is {record!r}; a table with {in_words(names, 'or')} is meant.")
    strange = [name for name in record if name not in names]
    if strange:
        raise RoundError(f'[{table}] says "{strange[0]}"; it may say {in_words(names, "or")}.')
    return dict(record)


def amount(value: Any) -> float | None:
    """Return a finite number as it is, and nothing for whatever is none.

    Examples
    --------
    >>> amount(3), amount("3"), amount(True)
    (3.0, None, None)
    """
    good = isinstance(value, Real) and not isinstance(value, bool) and isfinite(float(value))
    return float(value) if good else None


@dataclass(frozen=True)
class Batch:
    """How much of a bake is made, and on which scales it is weighed.

    Parameters
    ----------
    dough : float, optional
        Grams of dough; 500 when neither this nor pieces are given.
    pieces, piece : int, float, optional
        How many, and grams of each.
    loss : float
        Percent lost on the way: in the bowl, on the bench, and in the oven or oil where the
        weight of a baked piece is given.
    scales : sequence of float
        What each scale shows, grams.

    Raises
    ------
    RoundError
        When both a dough weight and pieces are given, or pieces without their weight.

    Examples
    --------
    >>> Batch(pieces=12, piece=40).grams, Batch().grams
    (480.0, 500.0)
    """

    dough: float | None = None
    pieces: int | None = None
    piece: float | None = None
    loss: float = 0.0
    scales: Sequence[float] = SCALES

    def __post_init__(self) -> None:
        if self.pieces is not None and (self.piece is None or self.dough is not None):
            raise RoundError("say a dough weight, or pieces with the weight of one; not both.")
        for name in ("dough", "pieces", "piece"):
            value = getattr(self, name)
            if value is not None and not (amount(value) or 0) > 0:
                raise RoundError(f"{name} is {value!r}; a number above 0 was expected.")
        if self.pieces is not None and self.pieces != int(self.pieces):
            raise RoundError(f"pieces is {self.pieces!r}; a whole number was expected.")
        if amount(self.loss) is None or not 0 <= self.loss < 100:
            raise RoundError(f"loss is {self.loss!r} %; 0 to less than 100 was expected.")
        scales = self.scales if isinstance(self.scales, Sequence) else (self.scales,)
        if not scales or not all((amount(step) or 0) > 0 for step in scales):
            raise RoundError(f"scales is {self.scales!r}; grams above 0 were expected: [1, 0.1].")
        object.__setattr__(self, "scales", tuple(float(step) for step in scales))

    @property
    def grams(self) -> float:
        """Grams of dough that are to come out of the bowl."""
        if self.pieces is not None and self.piece is not None:
            return float(self.pieces * self.piece)
        return float(DOUGH if self.dough is None else self.dough)

    @property
    def count(self) -> int | None:
        """How many whole pieces the dough makes; None when a piece's weight is not said."""
        if self.pieces is not None:
            return int(self.pieces)
        return None if self.piece is None else int(self.grams // self.piece)


@dataclass(frozen=True)
class Prices:
    """What ingredients cost.

    Parameters
    ----------
    per_kilogram : mapping of str to float
    currency : str
        Such as "EUR"; a price without one is refused.

    Raises
    ------
    RoundError
        When the currency is missing or a price is no number of 0 or more.
    """

    per_kilogram: Mapping[str, float]
    currency: str

    def __post_init__(self) -> None:
        if self.per_kilogram and not str(self.currency).strip():
            raise RoundError('prices need a currency, such as "EUR"; none was given.')
        for name, price in self.per_kilogram.items():
            if amount(price) is None or not price >= 0:
                raise RoundError(f'"{name}" costs {price!r} a kilogram; 0 or more was expected.')


def batch_record(batch: Batch) -> dict[str, Any]:
    """Return a batch as plain data for a settings file; see :func:`batch_from`.

    Examples
    --------
    >>> batch_record(Batch(pieces=12, piece=40))
    {'pieces': 12, 'piece': 40}
    """
    record = {"dough": batch.dough, "pieces": batch.pieces, "piece": batch.piece}
    kept = {name: value for name, value in record.items() if value is not None}
    if batch.loss:
        kept["loss"] = batch.loss
    return kept | ({} if batch.scales == SCALES else {"scales": list(batch.scales)})


def batch_from(record: Mapping[str, Any]) -> Batch:
    """Return the batch that :func:`batch_record` wrote, or that a person wrote by hand.

    Raises
    ------
    RoundError
        When something is said that a batch does not have.

    Examples
    --------
    >>> batch_from({"pieces": 12, "piece": 40}).grams
    480.0
    """
    return Batch(**said("batch", record, ("dough", "pieces", "piece", "loss", "scales")))


def prices_record(prices: Prices) -> dict[str, Any]:
    """Return prices as plain data for a settings file; see :func:`prices_from`.

    Examples
    --------
    >>> prices_record(Prices({"butter": 9.5}, "EUR"))
    {'currency': 'EUR', 'per_kilogram': {'butter': 9.5}}
    """
    return {"currency": prices.currency, "per_kilogram": dict(prices.per_kilogram)}


def prices_from(record: Mapping[str, Any]) -> Prices:
    """Return the prices that :func:`prices_record` wrote.

    Raises
    ------
    RoundError
        When a price is no number, or has no currency.

    Examples
    --------
    >>> prices_from({"currency": "EUR", "per_kilogram": {"butter": 9.5}}).currency
    'EUR'
    """
    known = said("prices", record, ("currency", "per_kilogram"))
    return Prices(known.get("per_kilogram", {}), known.get("currency", ""))
