"""What to buy for a round, what each day uses, and whether the pieces reach for the tasters."""

from math import ceil

import pandas as pd

from trials.errors import RoundError
from trials.rounds.batch import Batch, Prices
from trials.rounds.mixing import bake_formulas
from trials.rounds.round import Round
from trials.rounds.weights import used
from trials.tables import in_words, tidy_number

SPILL = 10.0  # percent on top for spills and one bake again (common practice, no source)
SPARE = 0.1  # of the pieces (common practice, no source)


def shopping_list(
    round_: Round,
    batch: Batch | None = None,
    *,
    spill: float = SPILL,
    prices: Prices | None = None,
) -> pd.DataFrame:
    """Return what the whole round uses, with a margin for spills, and its cost.

    Buy one lot of each flour and fat for the whole round.

    Parameters
    ----------
    round_ : Round
    batch : Batch, optional
        The round's own when left out.
    spill : float
        Percent on top.
    prices : Prices, optional
        The round's own, where it has any, when left out.

    Returns
    -------
    DataFrame
        Columns ingredient, bakes (how many use it), grams (all bakes), buy (grams, with the
        margin, rounded up); and cost, in the currency that the column's name gives.

    Raises
    ------
    RoundError
        When a price is for something that the round does not use, or the margin is below 0.
    """
    if not 0 <= spill <= 1000:
        raise RoundError(f"spill is {spill} %; 0 or more was expected.")
    grams = used(round_, batch)
    grams = grams.groupby(["ingredient", "bake"], sort=False, as_index=False)["grams"].sum()
    table = (
        grams.groupby("ingredient", sort=False)
        .agg(bakes=("bake", "nunique"), grams=("grams", "sum"))
        .reset_index()
        .sort_values("grams", ascending=False, kind="stable", ignore_index=True)
    )
    table["grams"] = table["grams"].round(6)
    table["buy"] = [ceil(round(grams * (1 + spill / 100), 6)) for grams in table["grams"]]
    prices = prices or round_.prices
    return table if prices is None else _priced(table, prices)


def _priced(table: pd.DataFrame, prices: Prices) -> pd.DataFrame:
    known = {str(name).casefold(): float(price) for name, price in prices.per_kilogram.items()}
    names = [name.casefold() for name in table["ingredient"]]
    strange = [name for name in prices.per_kilogram if str(name).casefold() not in names]
    if strange:
        raise RoundError(
            f'"{strange[0]}" has a price but is not used; expected one of '
            f"{in_words(table['ingredient'], 'or')}."
        )
    cost = [
        known[name] * buy / 1000 if name in known else float("nan")
        for name, buy in zip(names, table["buy"], strict=True)
    ]
    return table.assign(**{f"cost ({prices.currency})": cost})


def per_day(
    round_: Round, batch: Batch | None = None, *, oil_fill: float | None = None
) -> pd.DataFrame:
    """Return what each day uses.

    Parameters
    ----------
    round_ : Round
    batch : Batch, optional
    oil_fill : float, optional
        Grams of frying oil in a fresh fill, one for each load; the kitchen's own when left out.

    Returns
    -------
    DataFrame
        Columns day, bakes, flour (g), dough (g), oil (g for fresh fills; fat in the dough apart).

    Raises
    ------
    RoundError
        When the oil of a fill is below 0.
    """
    if oil_fill is None:
        oil_fill = round_.kitchen.oil_fill if round_.kitchen else 0.0
    if not 0 <= oil_fill < float("inf"):
        raise RoundError(f"oil_fill is {oil_fill} g; 0 or more was expected.")
    formulas = bake_formulas(round_)
    grams = used(round_, batch)
    flours = {bake: set(formula.flours) for bake, formula in formulas.items()}
    is_flour = [name in flours[bake] for bake, name in grams[["bake", "ingredient"]].to_numpy()]
    aside = [part in formulas[bake].aside for bake, part in grams[["bake", "part"]].to_numpy()]
    flour = grams[is_flour].groupby("bake")["grams"].sum()
    dough = grams[[not one for one in aside]].groupby("bake")["grams"].sum()
    rows = []
    for day, bakes in round_.plan.table.groupby("day", sort=True):
        names = bakes["bake"]
        fills = bakes["load"].nunique() or (1 if oil_fill else 0)
        rows.append((day, len(bakes), flour[names].sum(), dough[names].sum(), fills * oil_fill))
    table = pd.DataFrame(rows, columns=["day", "bakes", "flour", "dough", "oil"])
    return table.round({"flour": 6, "dough": 6})


def pieces_needed(
    tasters: int, *, share: float = 1.0, measured: int = 0, kept: int = 1, spare: float = SPARE
) -> int:
    """Return how many pieces of each bake are needed.

    Parameters
    ----------
    tasters : int
        How many taste each bake, servings of hidden repeats included.
    share : float
        Of a piece, that one taster gets.
    measured : int
        Pieces weighed, broken or cut for measures.
    kept : int
        Pieces held back.
    spare : float
        Share on top.

    References
    ----------
    Common practice, no source: tasters times share, measured and kept pieces, a tenth to spare.

    Raises
    ------
    RoundError
        When a number is below 0.

    Examples
    --------
    >>> pieces_needed(8, share=0.5, measured=4)
    10
    """
    if min(tasters, share, measured, kept, spare) < 0:
        raise RoundError("pieces are counted from numbers of 0 or more.")
    return ceil(round((tasters * share + measured + kept) * (1 + spare), 9))


def pieces_sentence(round_: Round, batch: Batch, needed: int) -> str:
    """Return whether a batch gives the pieces that are needed, in words.

    Parameters
    ----------
    round_ : Round
    batch : Batch
    needed : int
        As :func:`pieces_needed` counts them.
    """
    tasters = f"{len(round_.tasters)} tasters" if round_.tasters else "the table"
    if batch.count is None:
        return f"{needed} pieces of each bake are needed for {tasters}; say what a piece weighs."
    if batch.count >= needed:
        return f"{batch.count} pieces a bake; {needed} are needed for {tasters}."
    dough = tidy_number(needed * float(batch.piece or 0))
    return (
        f"{batch.count} pieces a bake are too few: {needed} are needed for {tasters}. Make "
        f"{dough} g of dough a bake."
    )
