"""What to weigh for each bake: its settings make its formula, its batch makes grams of it."""

from typing import Any

import numpy as np
import pandas as pd

from trials.errors import FormulaError, RoundError
from trials.factors import Component, Factor
from trials.recipe.changes import apply_changes
from trials.recipe.formula import Formula
from trials.recipe.weighing import smallest_batch, weigh
from trials.rounds.batch import Batch
from trials.rounds.round import Round
from trials.tables import tidy_number

COLUMNS = ("bake", "part", "ingredient", "percent", "grams", "scale", "exact", "error", "within")


def bake_formulas(round_: Round) -> dict[str, Formula]:
    """Return the formula of every bake: the round's own with what its settings change.

    Parameters
    ----------
    round_ : Round

    Returns
    -------
    dict
        Bake to formula, in baking order.

    Raises
    ------
    RoundError
        When the round has no formula.
    FormulaError
        When a bake's settings can not be mixed, naming the bake.
    """
    if round_.formula is None:
        raise RoundError("this round has no formula, so there is nothing to weigh; name one.")
    factors = [factor for factor in round_.plan.factors if factor.changes is not None]
    formulas = {}
    for row in round_.plan.table.to_dict("records"):
        changes = [(factor.changes, _amount(factor, row[factor.name])) for factor in factors]
        try:
            formulas[row["bake"]] = apply_changes(round_.formula, changes)  # type: ignore[arg-type]
        except FormulaError as error:
            raise FormulaError(f"bake {row['bake']}: {error.message}", error.place) from None
    return formulas


def _amount(factor: Factor, setting: Any) -> Any:
    # A blend's share runs from 0 to 1; a formula counts in percent
    in_percent = isinstance(factor, Component) and factor.changes[0] != "cross"  # type: ignore[index]
    return 100.0 * setting if in_percent else setting


def weights(round_: Round, batch: Batch | None = None) -> pd.DataFrame:
    """Return what to weigh: one row per bake and ingredient.

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
    >>> from trials.design.plan import lay_out
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
    pieces = [
        _weighed(formula, batch).assign(bake=bake)
        for bake, formula in bake_formulas(round_).items()
    ]
    return pd.concat(pieces, ignore_index=True)[list(COLUMNS)]


def _weighed(formula: Formula, batch: Batch) -> pd.DataFrame:
    grams = formula.grams(dough=batch.grams, loss=batch.loss)
    table = weigh(grams, batch.scales).rename(columns={"grams": "exact", "weighed": "grams"})
    if "part" not in table:
        table["part"] = ""
    mixed = table[~table["part"].isin(formula.aside)]
    wanted = batch.grams / (1 - batch.loss / 100)
    if not np.isclose(mixed["exact"].sum(), wanted, rtol=1e-9, atol=0):
        found, expected = tidy_number(mixed["exact"].sum()), tidy_number(wanted)
        raise FormulaError(f"the ingredients sum to {found} g where {expected} g was asked for.")
    return table[table["percent"] > 0]


def batch_sentence(round_: Round, batch: Batch) -> str:
    """Return what the scales make of this batch size, in words; the smallest that will do if not.

    Parameters
    ----------
    round_ : Round
    batch : Batch
    """
    smallest = max(
        (smallest_batch(formula, batch.scales) for formula in bake_formulas(round_).values()),
        key=lambda one: one.dough,
    )
    made = batch.grams / (1 - batch.loss / 100)
    if made >= smallest.dough * (1 - 1e-9):
        return f"{tidy_number(made, 4)} g of dough can be weighed well on your scales."
    return f"{tidy_number(made, 4)} g of dough is too little to weigh well. {smallest.sentence}"
