"""What is believed after the bakes so far, as joint draws that more bakes would narrow."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from trials.analysis.choosing import Choice, choice
from trials.analysis.desirability import Goal, score
from trials.analysis.drawing import shares_of_best
from trials.analysis.fast_rows import fast_basis
from trials.analysis.forecast import Forecast
from trials.analysis.region import Region
from trials.analysis.results import Findings
from trials.analysis.searching import best_setting
from trials.design.basis import Basis, coded_settings
from trials.design.exclusion import Exclude
from trials.design.plan import FIXED_COLUMNS
from trials.design.terms import Term
from trials.errors import FitError
from trials.factors import Component, Factor, Numeric, group_names
from trials.measures import Measure

MOST_SETTINGS = 1200  # between which the choice is made while bakes are only imagined
OF_TASTING = ("taster", "tasting")
# A bend that nobody looked for may be as large as what is worth noticing, and a bake's own spread
# is never below a fifth of it (our own assumptions)
UNSEEN_BEND, LEAST_SPREAD = 1.0, 0.2
_SEED = 4143


@dataclass(frozen=True, eq=False)
class Belief:
    """What is believed of one measure.

    Parameters
    ----------
    measure : Measure
    places : ndarray of int
        Which of all factors it depends on.
    basis : Basis
    mean : ndarray, shape (columns,)
    cov : ndarray, shape (columns, columns)
    draws : ndarray, shape (columns, draws)
    bake, load : float
        Variance of one bake's mean score around what is expected, and between loads.
    bends : tuple of str
        Factors whose bend nobody looked for; it is in the belief as a guess around zero.
    same_day : bool
        Whether new bakes are made on the day of the last ones, so that no new level comes in.
    """

    measure: Measure
    places: np.ndarray
    basis: Basis = field(repr=False)
    mean: np.ndarray = field(repr=False)
    cov: np.ndarray = field(repr=False)
    draws: np.ndarray = field(repr=False)
    bake: float
    load: float
    bends: tuple[str, ...]
    same_day: bool = False

    def rows(self, X: np.ndarray) -> np.ndarray:
        """Return model rows for settings, shape (settings, columns)."""
        return self.basis.rows(X[:, self.places])


@dataclass(frozen=True, eq=False)
class Knowledge:
    """All that is known, ready to be asked what more bakes would tell.

    Parameters
    ----------
    findings : tuple of Findings
        One per measure with a goal, the first one first.
    choice : Choice
    made : DataFrame
        The bakes so far as rows of a plan.
    beliefs : tuple of Belief
    settings : ndarray, shape (settings, factors)
        Allowed settings between which the choice is made.
    best : ndarray, shape (factors,)
        The setting chosen as things stand.
    unbaked : frozenset of str
        Bakes among `made` that were planned and not baked after all.
    """

    findings: tuple[Findings, ...]
    choice: Choice
    made: pd.DataFrame = field(repr=False)
    beliefs: tuple[Belief, ...]
    settings: np.ndarray = field(repr=False)
    best: np.ndarray
    unbaked: frozenset[str] = frozenset()

    @property
    def baked(self) -> pd.DataFrame:
        """The bakes that were made, reference bakes apart."""
        own = (self.made["role"] != "control") & ~self.made["bake"].isin(self.unbaked)
        return self.made[own].reset_index(drop=True)

    @property
    def factors(self) -> tuple[Factor, ...]:
        """What varies."""
        return self.choice.region.factors

    @property
    def region(self) -> Region:
        """What may be baked."""
        return self.choice.region

    @property
    def goals(self) -> tuple[Goal, ...]:
        """What is wanted."""
        return self.choice.goals

    def worth(self, means: Sequence[np.ndarray]) -> np.ndarray:
        """Return how good expected responses are, as the choice counts it."""
        return score(self.goals, means)

    @property
    def noticeable(self) -> float:
        """How much that worth drops when every measure turns worse by what is worth noticing."""
        if len(self.goals) == 1 and self.goals[0].kind in ("higher", "lower"):
            return self.goals[0].notice
        here = [one.rows(self.best[None]) @ one.mean for one in self.beliefs]
        top = float(self.worth(here)[0])
        worse = list(here)
        for place, goal in enumerate(self.goals):
            tried = [
                [*here[:place], here[place] + sign * goal.notice, *here[place + 1 :]]
                for sign in (-1.0, 1.0)
            ]
            worths = [float(self.worth(means)[0]) for means in tried]
            worse[place] = tried[int(np.argmin(worths))][place]
        drop = top - float(self.worth(worse)[0])
        return drop if drop > 1e-9 else 1.0


def known(
    findings: Mapping[str, Findings],
    measures: Sequence[Measure],
    *,
    exclude: Exclude = None,
    made: pd.DataFrame | None = None,
    same_day: bool = False,
) -> Knowledge:
    """Return all that is known.

    Parameters
    ----------
    findings : mapping of measure name to Findings
    measures : sequence of Measure
        Those with a goal count.
    exclude : optional
        Settings that never go together.
    made : DataFrame, optional
        The bakes so far; those of the findings when left out.
    same_day : bool
        Whether new bakes will be made on the day of the last ones.

    Returns
    -------
    Knowledge

    Raises
    ------
    FitError, PlanError
        When no measure has a goal, or nothing is allowed.

    References
    ----------
    Raiffa & Schlaifer 1961, Applied Statistical Decision Theory, ch. 4 (preposterior analysis).

    Examples
    --------
    >>> known.__name__
    'known'
    """
    asked = choice(findings, measures, exclude)
    beliefs = tuple(
        replace(_belief(one, goal, place), same_day=same_day)
        for place, (one, goal) in enumerate(zip(asked.forecasts, asked.goals, strict=True))
    )
    fits = tuple(one.findings for one in asked.forecasts)
    grid = asked.region.grid(MOST_SETTINGS)
    best = best_setting(asked.region, asked.candidates, asked.score)
    kept = made_so_far(fits, asked.region.factors) if made is None else made
    return Knowledge(
        findings=fits,
        choice=asked,
        made=kept,
        beliefs=beliefs,
        settings=np.vstack([best, grid]),
        best=best,
    )


def made_so_far(fits: Sequence[Findings], factors: Sequence[Factor]) -> pd.DataFrame:
    """Return the bakes behind some findings as rows of a plan, failed ones included.

    Raises
    ------
    FitError
        When the findings do not hold the settings of their bakes.

    Examples
    --------
    >>> made_so_far.__name__
    'made_so_far'
    """
    names = [factor.name for factor in factors]
    tables = []
    for found in fits:
        tables += [
            table if "bake" in table else _numbered(table)
            for table in (found.residuals, found.failed)
            if len(table) and set(names) <= set(table)
        ]
    if not tables:
        raise FitError(
            "the findings hold no bake with a setting for every factor; give next_round the round."
        )
    rows = pd.concat(tables, ignore_index=True).drop_duplicates("bake")
    rows = rows.sort_values("bake", key=lambda column: column.astype(str), ignore_index=True)
    defaults = {"day": 1, "load": pd.NA, "role": "trial"}
    for name, value in defaults.items():
        rows[name] = rows[name].fillna(value) if name in rows else value
    groups = [name for name in group_names(factors) if name != "load" and name in rows]
    rows["day"] = pd.factorize(rows["day"])[0] + 1
    if rows["load"].notna().any():
        codes = pd.factorize(rows["load"])[0]
        rows["load"] = pd.array(np.where(codes < 0, -1, codes + 1), dtype="Int64")
        rows.loc[rows["load"] == -1, "load"] = pd.NA
    return rows[[*FIXED_COLUMNS, *names, *groups]].astype({"bake": str, "role": str})


def _numbered(table: pd.DataFrame) -> pd.DataFrame:
    width = max(2, len(str(len(table))))
    names = [f"B{place:0{width}d}" for place in range(1, len(table) + 1)]
    return table.assign(bake=names)


def _belief(one: Forecast, goal: Goal, place: int) -> Belief:
    found = one.findings
    terms = found.averaged.terms if found.averaged else found.terms
    added = _unseen_bends(terms, found)
    wide = fast_basis((*terms, *added), found.factors)
    rng = np.random.default_rng(_SEED + place)
    guesses = UNSEEN_BEND * goal.notice * rng.standard_normal((len(added), one.draws.shape[1]))
    draws = np.vstack([one.draws, guesses])
    if len(added):
        # At both ends a square is one: what the bakes say of their level is the sum of both
        draws[0] = draws[0] - guesses.sum(axis=0)
    mean = draws.mean(axis=1)
    centred = draws - mean[:, None]
    bake, load = _spreads(one, goal)
    return Belief(
        measure=one.measure,
        places=one.places,
        basis=wide,
        mean=np.concatenate([one.mean, np.zeros(len(added))]),
        cov=centred @ centred.T / draws.shape[1],
        draws=draws,
        bake=bake,
        load=load,
        bends=tuple(term.factors[0] for term in added),
    )


def _unseen_bends(terms: Sequence[Term], found: Findings) -> tuple[Term, ...]:
    if any(isinstance(factor, Component) for factor in found.factors):
        return ()
    held = {term.name for term in terms}
    bends = (Term(((factor.name, 2),)) for factor in found.factors if isinstance(factor, Numeric))
    return tuple(term for term in bends if term.name not in held)


def _spreads(one: Forecast, goal: Goal) -> tuple[float, float]:
    """Return the variance of one bake's mean score, and that between loads."""
    spread, least = one.findings.spread, (LEAST_SPREAD * goal.notice) ** 2
    if not spread:
        return max(one.own, least), 0.0
    shared = {
        name: value
        for name, value in spread.items()
        if name not in OF_TASTING and name not in ("bake", "day")
    }
    left = one.findings.residuals
    tasters = left["taster"].nunique() if "taster" in left else 1
    bake = spread.get("bake", 0.0) + spread.get("tasting", 0.0) / max(1, tasters)
    if "bake" not in spread and "tasting" not in spread:
        return max(sum(shared.values()), least), 0.0
    return max(bake, least), sum(shared.values())


def chance_best(knowledge: Knowledge, most: int = 1000) -> np.ndarray:
    """Return how likely each setting of the knowledge is the best of them; those alike share it.

    Parameters
    ----------
    knowledge : Knowledge
    most : int
        Draws used.

    Returns
    -------
    ndarray, shape (settings,)

    Examples
    --------
    >>> chance_best.__name__
    'chance_best'
    """
    drawn = [one.rows(knowledge.settings) @ one.draws[:, :most] for one in knowledge.beliefs]
    flat = [values.ravel() for values in drawn]
    worth = knowledge.worth(flat).reshape(drawn[0].shape)
    # In many draws a factor does nothing: then no setting of it is better than another
    return shares_of_best(worth)


def coded_made(knowledge: Knowledge) -> np.ndarray:
    """Return the settings of the trial bakes so far, coded.

    Examples
    --------
    >>> coded_made.__name__
    'coded_made'
    """
    return coded_settings(knowledge.factors, knowledge.baked)


def numbers_of(factors: Sequence[Factor]) -> list[int]:
    """Return which factors are plain numbers.

    Examples
    --------
    >>> from trials.factors import Categorical
    >>> numbers_of([Categorical("fat", ["butter", "lard"]), Numeric("rest", 20, 60)])
    [1]
    """
    return [place for place, factor in enumerate(factors) if isinstance(factor, Numeric)]


def with_goal(measure: Measure) -> Measure:
    """Return a measure that has a goal: higher, where none was set.

    Examples
    --------
    >>> with_goal(Measure("liking", "hedonic 9")).goal
    'higher'
    """
    return measure if measure.goal is not None else replace(measure, goal="higher")
