"""One value per bake, corrected for who happened to taste it."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from trials.analysis.no_error import unit_means

_ROUNDING = 12  # decimals of a share that are more than rounding


def bake_means(
    table: pd.DataFrame, values: np.ndarray, response: str, keep: Sequence[str]
) -> pd.DataFrame:
    """Return one row per bake with its mean, tasters being given equal weight.

    Parameters
    ----------
    table : DataFrame
        One row per tasting, with columns bake and taster.
    values : ndarray, shape (tastings,)
        What is averaged, between 0 and 1 or the like.
    response : str
        How the column of means is called.
    keep : sequence of str
        Columns that are the same for all tastings of a bake, kept beside.

    Returns
    -------
    DataFrame

    Examples
    --------
    >>> table = pd.DataFrame({"bake": ["B01", "B01", "B02", "B02"], "rest": [20, 20, 60, 60],
    ...                       "taster": ["Ada", "Ben", "Ada", "Ben"]})
    >>> bake_means(table, np.array([0, 1, 1, 1]), "crisp", ["rest"])
      bake  rest  crisp
    0  B01    20    0.5
    1  B02    60    1.0
    """
    bakes = pd.factorize(table["bake"])[0]
    tasters = pd.factorize(table["taster"])[0]
    crossed = [tasters] if tasters.max() > 0 else []
    means, first = unit_means(np.asarray(values, dtype=float), bakes, crossed)
    rows = table.iloc[first][["bake", *keep]].reset_index(drop=True)
    return rows.assign(**{response: np.round(means, _ROUNDING)})
