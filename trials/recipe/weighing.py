"""From exact grams to what a scale can show, with the error that this makes."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import pandas as pd

from trials.base.errors import FormulaError
from trials.base.words import in_words, tidy_number
from trials.recipe.formula import Formula

WITHIN = 0.1  # percentage points of flour; common practice, no source
RELATIVE = 0.05  # of the ingredient itself; common practice, no source
# Of the ingredient: so little is lost by whole grams from 100 g on (common practice, no source)
_NOTHING = 0.005
# 11 digits: 10.1 is 10.1, not 10.100000000000001, and a half step is rounded the same everywhere
_DIGITS = 11


def weigh(
    grams: pd.DataFrame,
    scales: Sequence[float] = (1, 0.1),
    *,
    within: float = WITHIN,
    relative: float = RELATIVE,
) -> pd.DataFrame:
    """Round grams to what the scales show, each ingredient on the coarsest scale that will do."""
    missing = [name for name in ("ingredient", "percent", "grams") if name not in grams.columns]
    if missing:
        raise FormulaError(f"{in_words(missing)} missing; the table that grams() returns is needed")
    steps = _checked(scales)
    flour = _flour(grams)
    rows = [_on_scale(float(exact), steps, flour, within, relative) for exact in grams["grams"]]
    rounded = pd.DataFrame(rows, columns=["weighed", "scale", "error", "within"], index=grams.index)
    return pd.concat([grams.copy(), rounded], axis=1)


def shown_grams(grams: float, scale: float) -> str:
    """Return grams with as many decimals as the scale shows; 12.0 is weighed on the finer one.

    Examples
    --------
    >>> shown_grams(12, 1), shown_grams(12, 0.1)
    ('12 g', '12.0 g')
    """
    decimals = len(tidy_number(scale).partition(".")[2])
    return f"{grams:.{decimals}f} g"


def shown_percent(percent: float) -> str:
    """Return a percentage of the flour: a tenth is what a kitchen keeps, small ones keep more.

    Examples
    --------
    >>> shown_percent(16.2168), shown_percent(249.5), shown_percent(0.375)
    ('16.2 %', '249.5 %', '0.375 %')
    """
    return f"{tidy_number(round(percent, 1)) if percent >= 10 else tidy_number(percent, 3)} %"


def _checked(scales: Iterable[float]) -> list[float]:
    steps = sorted({float(step) for step in scales}, reverse=True)
    if not steps or not all(0 < step < math.inf for step in steps):
        raise FormulaError(
            f"the scales show {in_words(map(tidy_number, steps)) or 'nothing'}; grams above 0 "
            "were expected, such as 1 and 0.1."
        )
    return steps


def _flour(grams: pd.DataFrame) -> float:
    """Return the grams that are 100 %."""
    counted = grams[grams["percent"] > 0]
    if counted.empty:
        raise FormulaError("nothing is to be weighed; every percentage is 0.")
    largest = counted.loc[counted["percent"].idxmax()]
    return float(largest["grams"] / largest["percent"] * 100.0)


def _on_scale(
    exact: float, steps: list[float], flour: float, within: float, relative: float
) -> tuple[float, float, float, bool]:
    """Return weight, scale, error and whether it will do.

    What a coarse scale shows may be half a step off: 2 g of it is anything from 1.5 to 2.5 g, and
    goes on a finer one where there is one, however round the figure.
    """
    found = (exact, 0.0, 0.0, True)
    for step in steps:
        if step > steps[-1] and step / 2 > relative * exact:
            continue
        weighed = round(math.floor(round(exact / step, _DIGITS) + 0.5) * step, _DIGITS)
        error = 100.0 * (weighed - exact) / flour
        off = abs(weighed - exact)
        good = off <= relative * exact and (abs(error) <= within or off <= _NOTHING * exact)
        found = (weighed, step, error, good)
        if good:
            break
    return found


@dataclass(frozen=True)
class SmallestBatch:
    """The smallest batch that can be weighed.

    Parameters
    ----------
    dough : float
        Grams of dough.
    ingredient : str
        What decides it.
    grams : float
        Grams of that ingredient in the batch.
    sentence : str
        The same in words.
    """

    dough: float
    ingredient: str
    grams: float
    sentence: str

    def __str__(self) -> str:
        return self.sentence


def smallest_batch(
    formula: Formula,
    scales: Sequence[float] = (1, 0.1),
    *,
    relative: float = RELATIVE,
    word: str = "",
) -> SmallestBatch:
    """Return the smallest batch whose every weighing is good enough on the finest scale.

    Parameters
    ----------
    formula : Formula
    scales : sequence of float
        What each scale shows, grams.
    relative : float
        The error allowed, as a share of what is weighed.
    word : str
        What the mixture is called; "dough" or "batter" as the formula tells, when left out.

    References
    ----------
    A scale that shows steps of d errs by up to d/2; 5 % of an ingredient is common practice, no
    source.

    Examples
    --------
    >>> dough = Formula("pizza", {"bread flour": 100, "water": 58, "salt": 1.75, "sugar": 2,
    ...                           "instant yeast": 0.375})
    >>> print(smallest_batch(dough, scales=(1,)))
    Make at least 4324 g of dough: instant yeast then weighs 10 g, and the scale shows 1 g.
    """
    if not 0 < relative < 1:
        raise FormulaError(f"the error allowed is {relative}; a share between 0 and 1 is needed.")
    finest = _checked(scales)[-1]
    amounts = [(percent, name) for _, name, percent in formula.mix.rows() if percent > 0]
    percent, name = min(amounts)
    grams = finest / 2 / relative
    dough = grams * formula.mix.weight() / percent
    return SmallestBatch(
        dough,
        name,
        grams,
        f"Make at least {math.ceil(round(dough, 6))} g of {word or formula.mixture}: {name} then "
        f"weighs {tidy_number(grams)} g, and the scale shows {tidy_number(finest)} g.",
    )
