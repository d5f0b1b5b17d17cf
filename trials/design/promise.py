"""What a plan promises for a question: the chance to see each effect, aliases counted in."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from trials.design.aliasing import aliases, effects_up_to
from trials.design.plan import Plan, kitchen_group, plural
from trials.design.power import power
from trials.design.strata import strata
from trials.design.terms import model_matrix, model_terms
from trials.errors import TrialsError
from trials.factors import Component
from trials.tables import in_words

# A pair that was not asked about is taken to be about half as large as what is worth noticing
# (common practice: pairs are smaller than main effects; no source)
STRAY = 0.5
ALPHA = 0.05
USUAL_CHANCE = 0.8
FEWEST_EFFECTS = 3  # for Lenth's method
FEW_LEFT = 3  # fewer bakes left for error than this tell it worse than the smaller effects do
LEVEL_WORDS = {
    "bake": "between two bakes of one recipe",
    "tasting": "between one taster's scores of one bake",
    "load": "between two loads",
    "day": "between two days",
}


@dataclass(frozen=True, eq=False)
class Promise:
    """What a plan would tell of the effects that are asked about.

    Parameters
    ----------
    plan : Plan
    table : DataFrame
        term, chance (to see an effect worth noticing and not be misled by a pair that it is mixed
        with), mixed (how much of pairs that are not asked about it holds, 0 for none), smallest
        (seen with 80 % chance), judged_on (empty for terms that the plan can not tell), df.
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
        return self.table.loc[self.table["judged_on"] == "", "term"].tolist()

    @property
    def told(self) -> pd.DataFrame:
        """The terms that can be told apart from one another."""
        return self.table[self.table["judged_on"] != ""]


def promise(
    plan: Plan,
    targets: Sequence[str],
    *,
    worth: float,
    tasters: int,
    sd_bake: float | None = None,
) -> Promise:
    """Return what a plan promises for the effects that are asked about.

    Parameters
    ----------
    plan : Plan
    targets : sequence of str
        The terms that are asked about.
    worth : float
        The smallest difference worth noticing, in points.
    tasters : int
    sd_bake : float, optional
        Spread between bakes of one recipe; the usual one when left out.

    Returns
    -------
    Promise

    References
    ----------
    Noncentral t for the chance; where every bake but one or two is spent on an effect, a third of
    the effects as degrees of freedom (Lenth 1989). Box & Wilson 1951 for the alias matrix.

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
    known, allowed, words = _known(plan, targets, worth, tasters, sd_bake)
    stray = _stray(plan, allowed)
    # Lenth's method reads the error off the smaller effects; a blend's are related by nature
    blend = any(isinstance(factor, Component) for factor in plan.factors)
    spare = 0.0 if blend or len(known) < FEWEST_EFFECTS else len(known) / 3
    rows = []
    for term in targets:
        if term not in known.index or not np.isfinite(known.loc[term, "se"]):
            rows.append((term, 0.0, 0.0, np.nan, "", 0.0))
            continue
        own = known.loc[term]
        df = float(own["df"])
        few = not df or (df < FEW_LEFT and own["judged_on"] == "bakes")
        df = max(df, spare) if few else df
        mixed = stray.get(term, 0.0)
        chance = _seen(worth / own["se"], df) * _unspoilt(mixed) if df else 0.0
        smallest = own["smallest_effect"]
        if few and df:
            smallest = _smallest(own["se"], df)
        rows.append((term, chance, mixed, smallest, own["judged_on"], float(own["df"])))
    names = ["term", "chance", "mixed", "smallest", "judged_on", "df"]
    table = pd.DataFrame(rows, columns=names)
    return Promise(plan, table, float(table["chance"].mean()), words)


def _known(
    plan: Plan, targets: Sequence[str], worth: float, tasters: int, sd_bake: float | None
) -> tuple[pd.DataFrame, list[str], str]:
    """Return the power table of what can be judged, the effects allowed for, and the spreads.

    All targets if they can be; else the plan's own model; else that less what the bakes can not
    tell, as the analysis would leave it out: what is left out then counts as a stranger.
    """
    own = [term.name for term in model_terms(plan.model, plan.factors)]
    tries: list[Callable[[], tuple[list[str], list[str]]]] = [
        lambda: (list(targets), list(targets)),
        lambda: (own, list(targets)),
        lambda: (_told_terms(plan, own),) * 2,
    ]
    for attempt in tries:
        model, allowed = attempt()
        try:
            table = power(plan, effect=worth, tasters=tasters, sd_bake=sd_bake, model=model)
        except TrialsError:
            continue
        if len(table) and np.isfinite(table["se"]).all():
            words = _spread_words(plan, table.attrs.get("spreads", {}))
            return table.set_index("term"), allowed, words
    columns = ["se", "df", "smallest_effect", "judged_on"]
    return pd.DataFrame(columns=columns), list(targets), ""


def _told_terms(plan: Plan, model: Sequence[str]) -> list[str]:
    """Return the terms of a model that the bakes can tell, each beside those before it."""
    levels = strata(plan, list(model))
    matrix = levels.matrix
    base = np.hstack([matrix.X[:, matrix.owner < 0], levels.fixed])
    told = []
    for term in matrix.terms:
        grown = np.hstack([base, matrix.X[:, matrix.of(term)]])
        if np.linalg.matrix_rank(grown) == grown.shape[1]:
            base = grown
            told.append(term.name)
    return told


def _spread_words(plan: Plan, spreads: Mapping[str, str]) -> str:
    """Return the spreads that a plan is weighed with in one line, and where they come from."""
    there = {"bake", "tasting", *(["load"] if plan.groups else [])}
    there |= {"day"} if plan.days > 1 else set()
    parts = {name: words.split(", ", 1) for name, words in spreads.items() if name in there}
    loads = plural(kitchen_group("load", plan.factors))
    words = LEVEL_WORDS | {"load": f"between two {loads}"}
    said = [f"{value} {words[name]}" for name, (value, _) in parts.items()]
    sources = {
        source: [words[n].split(" ", 1)[1] for n, part in parts.items() if part[1] == source]
        for _, source in parts.values()
    }
    return f"standard deviations, in points, of {in_words(said)} ({in_words(_sources(sources))})"


def _sources(names: Mapping[str, Sequence[str]]) -> list[str]:
    if len(names) == 1:
        return list(names)
    return [f"{in_words(those)} {source}" for source, those in names.items()]


def _stray(plan: Plan, targets: Sequence[str]) -> dict[str, float]:
    """Return for each target how much it holds of effects that are not asked about.

    Targets that are mixed with one another are told apart by the fit, at a price that their
    errors already show.
    """
    try:
        mixed = aliases(plan, order=2)
    except TrialsError:
        return {}
    owners = _owners(plan)
    sizes: dict[str, float] = {}
    for row in mixed.itertuples():
        one, other = owners[row.term], owners[row.aliased_with]
        for target, stranger in ((one, other), (other, one)):
            if target in targets and stranger not in targets:
                sizes[target] = sizes.get(target, 0.0) + row.coefficient**2
    return {name: size**0.5 for name, size in sizes.items()}


def _owners(plan: Plan) -> dict[str, str]:
    """Return the term that each column of an effect belongs to; kinds have several each."""
    table = plan.table[plan.table["role"] != "control"]
    matrix = model_matrix(effects_up_to(plan, table, 2), plan.factors, table)
    owned = zip(matrix.columns, matrix.owner, strict=True)
    return {column: matrix.terms[place].name for column, place in owned if place >= 0}


def _seen(ratio: float, df: float) -> float:
    """Return the chance that a t test finds an effect of so many standard errors."""
    limit = special.fdtri(1, df, 1 - ALPHA)
    return float(1 - special.ncfdtr(1, df, ratio**2, limit))


def _unspoilt(mixed: float) -> float:
    """Return the chance that what an effect is mixed with moves it by less than half its size."""
    if mixed < 1e-9:
        return 1.0
    return float(2 * special.ndtr(0.5 / (STRAY * mixed)) - 1)


def _smallest(se: float, df: float) -> float:
    """Return the effect seen with 80 % chance, by bisection."""
    low, high = 0.0, 100.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if _seen(middle, df) < USUAL_CHANCE else (low, middle)
    return se * high
