"""What to weigh for each bake: its settings make its formula, its batch makes grams of it."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from trials.errors import FormulaError
from trials.recipe.formula import Formula
from trials.recipe.weighing import smallest_batch, weigh
from trials.rounds.batch import Batch
from trials.rounds.mixing import Dough, bake_formulas, shared_doughs
from trials.rounds.round import Round
from trials.tables import in_words, tidy_number

WEIGHED = ("part", "ingredient", "percent", "grams", "scale", "exact", "error", "within")


def weights(round_: Round, batch: Batch | None = None) -> pd.DataFrame:
    """Return what to weigh: one row per bake and ingredient.

    Where bakes are divided from one dough, its share is one row of the bake, and
    :func:`dough_weights` says what to weigh for the dough.

    Parameters
    ----------
    round_ : Round
    batch : Batch, optional
        The round's own when left out.

    Returns
    -------
    DataFrame
        Columns bake, part, ingredient, percent (of the bake's flour), grams (to weigh), scale
        (g, the one that shows it), exact (g), error (baker's percentage points) and within
        (whether the error will do).

    Raises
    ------
    RoundError
        When the round has no formula.
    FormulaError
        When a bake's settings can not be mixed.

    References
    ----------
    Gisslen, Professional Baking (baker's percentage, yield).

    Examples
    --------
    >>> import tempfile
    >>> from trials.design.laying_out import lay_out
    >>> from trials.factors import Numeric
    >>> from trials.measures import Measure
    >>> wet = Numeric("hydration", 49, 50, "%", changes=("total", "hydration"))
    >>> bakes = pd.DataFrame({"hydration": [49, 50]})
    >>> plan = lay_out([wet], bakes, family="ends", model="main", seed=2)
    >>> snap = Formula("rye snap", {"rye flour, medium": 100, "water": 49, "salt": 1})
    >>> round_ = Round.create(tempfile.mkdtemp() + "/one", plan=plan, formula=snap,
    ...     measures=[Measure("liking", "hedonic 9")])
    >>> weights(round_, Batch(dough=150)).query("bake == 'B01'")[["ingredient", "grams"]]
               ingredient  grams
    0  rye flour, medium  100.0
    1               water   49.0
    2                salt    1.0
    """
    batch = batch or round_.batch
    formulas = bake_formulas(round_)
    doughs = shared_doughs(round_, formulas)
    pieces = []
    for bake, formula in formulas.items():
        grams = _exact(formula, batch)
        for dough in doughs:
            if bake in dough.bakes:
                grams = _portioned(grams, dough)
        pieces.append(_weighed(grams, batch).assign(bake=bake))
    return pd.concat(pieces, ignore_index=True)[["bake", *WEIGHED]]


def dough_weights(round_: Round, batch: Batch | None = None) -> pd.DataFrame:
    """Return what to weigh for doughs that are made once and divided between bakes.

    Parameters
    ----------
    round_ : Round
    batch : Batch, optional
        The round's own when left out.

    Returns
    -------
    DataFrame
        Columns dough (its name), bakes (how many it is divided into), part, ingredient, percent
        (of the flour), grams (to weigh), scale, exact, error and within as in :func:`weights`;
        no row where no dough is shared.
    """
    batch = batch or round_.batch
    formulas = bake_formulas(round_)
    pieces = []
    for dough in shared_doughs(round_, formulas):
        shares = [_of_part(_exact(formulas[bake], batch), dough.part) for bake in dough.bakes]
        whole = shares[0].copy()
        whole["grams"] = sum(share["grams"].to_numpy() for share in shares)
        pieces.append(_weighed(whole, batch).assign(dough=dough.name, bakes=len(dough.bakes)))
    columns = ["dough", "bakes", *WEIGHED]
    return (
        pd.concat(pieces, ignore_index=True)[columns] if pieces else pd.DataFrame(columns=columns)
    )


def used(round_: Round, batch: Batch | None = None) -> pd.DataFrame:
    """Return the grams of every ingredient that each bake uses, its share of a dough included.

    Parameters
    ----------
    round_ : Round
    batch : Batch, optional

    Returns
    -------
    DataFrame
        Columns bake, part, ingredient and grams, as weighed.
    """
    batch = batch or round_.batch
    formulas = bake_formulas(round_)
    doughs = shared_doughs(round_, formulas)
    own = weights(round_, batch)
    if not doughs:
        return own[["bake", "part", "ingredient", "grams"]]
    names = [dough.name for dough in doughs]
    pieces = [own[~own["ingredient"].isin(names)]]
    weighed = dough_weights(round_, batch)
    for dough in doughs:
        pieces += _shares(dough, weighed[weighed["dough"] == dough.name], formulas, batch)
    table = pd.concat(pieces, ignore_index=True)[["bake", "part", "ingredient", "grams"]]
    order = {bake: place for place, bake in enumerate(formulas)}
    return table.sort_values("bake", key=lambda one: one.map(order), kind="stable").reset_index(
        drop=True
    )


def _shares(
    dough: Dough, weighed: pd.DataFrame, formulas: Mapping[str, Formula], batch: Batch
) -> Sequence[pd.DataFrame]:
    """Return what each bake gets of a dough as it was weighed."""
    parts = [
        _of_part(_exact(formulas[bake], batch), dough.part)["grams"].sum() for bake in dough.bakes
    ]
    return [
        weighed.assign(bake=bake, grams=weighed["grams"] * own / sum(parts))
        for bake, own in zip(dough.bakes, parts, strict=True)
    ]


def _exact(formula: Formula, batch: Batch) -> pd.DataFrame:
    """Return the exact grams of a bake, once they sum to what was asked for."""
    table = formula.grams(dough=batch.grams, loss=batch.loss)
    if "part" not in table:
        table["part"] = ""
    mixed = table[~table["part"].isin(formula.aside)]
    wanted = batch.grams / (1 - batch.loss / 100)
    if not np.isclose(mixed["grams"].sum(), wanted, rtol=1e-9, atol=0):
        found, expected = tidy_number(mixed["grams"].sum()), tidy_number(wanted)
        raise FormulaError(f"the ingredients sum to {found} g where {expected} g was asked for.")
    return table[table["percent"] > 0]


def _of_part(grams: pd.DataFrame, part: str) -> pd.DataFrame:
    # A formula of one part shows no part
    return grams[grams["part"].isin([part, ""])]


def _portioned(grams: pd.DataFrame, dough: Dough) -> pd.DataFrame:
    """Return the grams of a bake with one row for its share of a dough."""
    share = _of_part(grams, dough.part)
    row = share.iloc[[0]].assign(
        ingredient=dough.name, percent=share["percent"].sum(), grams=share["grams"].sum()
    )
    return pd.concat([row, grams.drop(share.index)])


def _weighed(grams: pd.DataFrame, batch: Batch) -> pd.DataFrame:
    return weigh(grams, batch.scales).rename(columns={"grams": "exact", "weighed": "grams"})


def batch_sentence(round_: Round, batch: Batch) -> str:
    """Return what the scales make of this batch size, in words; the smallest that will do if not.

    Parameters
    ----------
    round_ : Round
    batch : Batch
    """
    formulas = bake_formulas(round_)
    # Yeast that goes into a dough for four bakes is weighed for all four
    if shared_doughs(round_, formulas):
        return _shared_sentence(round_, batch)
    smallest = max(
        (smallest_batch(formula, batch.scales) for formula in formulas.values()),
        key=lambda one: one.dough,
    )
    made = batch.grams / (1 - batch.loss / 100)
    if made >= smallest.dough * (1 - 1e-9):
        return f"{tidy_number(made, 4)} g of dough can be weighed well on your scales."
    return f"{tidy_number(made, 4)} g of dough is too little to weigh well. {smallest.sentence}"


def _shared_sentence(round_: Round, batch: Batch) -> str:
    tables = (weights(round_, batch), dough_weights(round_, batch))
    coarse = [name for one in tables for name in one.loc[~one["within"].astype(bool), "ingredient"]]
    if not coarse:
        return "All doughs and bakes can be weighed well on your scales."
    names = in_words(dict.fromkeys(coarse))
    return f"Too little of {names} to weigh well on your scales: make larger batches."
