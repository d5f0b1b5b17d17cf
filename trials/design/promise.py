"""What a plan promises for a question: the chance to see each effect, aliases counted in."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from trials.design.aliasing import aliases
from trials.design.plan import Plan
from trials.design.power import power
from trials.errors import TrialsError
from trials.tables import in_words

# A pair that was not asked about is taken to be about half as large as what is worth noticing
# (common practice: pairs are smaller than main effects; no source)
STRAY = 0.5
ALPHA = 0.05
USUAL_CHANCE = 0.8


@dataclass(frozen=True, eq=False)
class Promise:
    """What a plan would tell of the effects that are asked about.

    Parameters
    ----------
    plan : Plan
    table : DataFrame
        term, chance (to see an effect worth noticing and not be misled by a pair that it is mixed
        with), mixed (how much of pairs that are not asked about it holds, 0 for none), smallest
        (seen with 80 % chance), judged_on, df. Terms that the plan can not tell have chance 0.
    score : float
        The mean chance.
    spreads : str
        The spreads assumed, in words.
    """

    plan: Plan
    table: pd.DataFrame
    score: float
    spreads: str

    @property
    def smallest(self) -> float:
        """The difference that the easily changed effects show with 80 % chance (the median)."""
        return float(self.table["smallest"].median())

    @property
    def lost(self) -> list[str]:
        """The terms that can not be told at all."""
        return self.table.loc[self.table["chance"] == 0, "term"].tolist()


def promise(plan: Plan, targets: Sequence[str], *, worth: float, tasters: int) -> Promise:
    """Return what a plan promises for the effects that are asked about.

    Parameters
    ----------
    plan : Plan
    targets : sequence of str
        The terms that are asked about.
    worth : float
        The smallest difference worth noticing, in points.
    tasters : int

    Returns
    -------
    Promise

    References
    ----------
    Noncentral t for the chance; where every bake is spent on an effect, a third of the effects
    as degrees of freedom (Lenth 1989). Box & Wilson 1951 for the alias matrix.

    Examples
    --------
    >>> from trials.design.factorial import full_factorial
    >>> from trials.factors import Numeric
    >>> factors = [Numeric("rest", 20, 60), Numeric("fat", 5, 15)]
    >>> plan = full_factorial(factors, replicates=4, seed=1)
    >>> found = promise(plan, ["rest", "fat"], worth=0.7, tasters=6)
    >>> found.table["mixed"].tolist(), found.score > 0.5
    ([0.0, 0.0], True)
    """
    known, words = _known(plan, targets, worth, tasters)
    stray = _stray(plan, targets)
    rows = []
    for term in targets:
        if term not in known.index or not np.isfinite(known.loc[term, "se"]):
            rows.append((term, 0.0, 0.0, np.nan, "", 0.0))
            continue
        own = known.loc[term]
        df = max(float(own["df"]), len(known) / 3 if own["df"] == 0 else 0.0)
        mixed = stray.get(term, 0.0)
        chance = _seen(worth / own["se"], df) * _unspoilt(mixed)
        smallest = own["smallest_effect"]
        if not np.isfinite(smallest):
            smallest = _smallest(own["se"], df)
        rows.append((term, chance, mixed, smallest, own["judged_on"], float(own["df"])))
    names = ["term", "chance", "mixed", "smallest", "judged_on", "df"]
    table = pd.DataFrame(rows, columns=names)
    return Promise(plan, table, float(table["chance"].mean()), words)


def _known(
    plan: Plan, targets: Sequence[str], worth: float, tasters: int
) -> tuple[pd.DataFrame, str]:
    """Return the power table of the targets; of the plan's own model where those are too many."""
    for model in (list(targets), plan.model):
        try:
            table = power(plan, effect=worth, tasters=tasters, model=model)
        except TrialsError:
            continue
        if np.isfinite(table["se"]).all():
            return table.set_index("term"), _spread_words(table.attrs.get("spreads", {}))
    return pd.DataFrame(columns=["se", "df", "smallest_effect", "judged_on"]), ""


def _spread_words(spreads: Mapping[str, str]) -> str:
    """Return the spreads in one line: those that were assumed, and those that were not."""
    said = [f"{name} {words.split(', ')[0]}" for name, words in spreads.items()]
    sources = dict.fromkeys(words.split(", ", 1)[-1] for words in spreads.values())
    return f"spreads between bakes and the like: {in_words(said)} ({in_words(sources)})"


def _stray(plan: Plan, targets: Sequence[str]) -> dict[str, float]:
    """Return for each target how much it holds of effects that are not asked about.

    Targets that are mixed with one another are told apart by the fit, at a price that their
    errors already show.
    """
    try:
        mixed = aliases(plan, order=2)
    except TrialsError:
        return {}
    sizes: dict[str, float] = {}
    for row in mixed.itertuples():
        one, other = _owner(row.term, targets), _owner(row.aliased_with, targets)
        for target, stranger in ((one, other), (other, one)):
            if target in targets and stranger not in targets:
                sizes[target] = sizes.get(target, 0.0) + row.coefficient**2
    return {name: size**0.5 for name, size in sizes.items()}


def _owner(column: str, targets: Sequence[str]) -> str:
    """Return the term that a column belongs to; the kinds of a factor have one each."""
    return column if column in targets else column.split(" = ")[0]


def _seen(ratio: float, df: float) -> float:
    limit = stats.t.ppf(1 - ALPHA / 2, df)
    return float(stats.nct.sf(limit, df, ratio) + stats.nct.cdf(-limit, df, ratio))


def _unspoilt(mixed: float) -> float:
    """Return the chance that what an effect is mixed with moves it by less than half its size."""
    if mixed < 1e-9:
        return 1.0
    return float(2 * stats.norm.cdf(0.5 / (STRAY * mixed)) - 1)


def _smallest(se: float, df: float) -> float:
    """Return the effect seen with 80 % chance, by bisection."""
    low, high = 0.0, 100.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if _seen(middle, df) < USUAL_CHANCE else (low, middle)
    return se * high
