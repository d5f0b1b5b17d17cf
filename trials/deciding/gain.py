"""What is believed after the bakes so far, and what more bakes are expected to gain."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.answers import Answers
from trials.analysis.choice import Choice, choice, chosen_setting
from trials.analysis.draws import shares_of_best
from trials.analysis.explanations import Priors
from trials.analysis.forecast import Forecast, counted_goals, fast_basis
from trials.analysis.goals import Goal
from trials.analysis.question import READING, is_of_tasting
from trials.analysis.region import Region, coded
from trials.analysis.results import Findings
from trials.base.errors import FitError
from trials.core.evidence import ROUND, Evidence
from trials.core.exclusion import Exclude
from trials.core.factors import Component, Factor, Numeric, group_names
from trials.core.measures import Measure
from trials.core.plan import FIXED_COLUMNS
from trials.core.roles import Role
from trials.core.terms import Basis, Term, coded_settings

# -- What is believed after the bakes so far, as joint draws that more bakes would narrow.


MOST_SETTINGS = 1200  # between which the choice is made while bakes are only imagined
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
        own = (self.made["role"] != Role.REFERENCE) & ~self.made["bake"].isin(self.unbaked)
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
        return self.choice.worth(means)

    @property
    def noticeable(self) -> float:
        """How much that worth drops when every measure turns worse by what is worth noticing."""
        here = [one.rows(self.best[None]) @ one.mean for one in self.beliefs]
        return self.choice.noticeable(here)


def findings_to_choose(answers: Answers) -> dict[str, Findings]:
    """Return what is known of every measure with a goal that can be averaged, to choose by."""
    with_goals = [one for one in answers.evidence.measures if one.goal is not None]
    wanted = [one for one in with_goals if one.averaged]
    if with_goals and not wanted:
        raise FitError(counted_goals(with_goals))
    if not wanted:
        raise FitError(
            'no measure has a goal, so no setting is better than another. Give one goal="higher", '
            '"lower", ("target", x, tolerance) or ("between", a, b).'
        )
    found: dict[str, Findings] = {}
    refusals: list[FitError] = []
    for measure in wanted:
        try:
            found[measure.name] = answers.on(measure.name)
        except FitError as error:
            refusals.append(error)
    if not found:
        raise refusals[0]
    return found


def all_known(answers: Answers) -> "Knowledge":
    """Return all that some rounds together tell of the measures with a goal."""
    evidence = answers.evidence
    found = findings_to_choose(answers)
    wanted = [one for one in evidence.measures if one.name in found]
    knowledge: Knowledge = answers.once(
        "knowledge",
        work=lambda: known(
            found,
            wanted,
            exclude=list(evidence.exclusions) or None,
            made=made_of(evidence),
        ),
    )
    return knowledge


def known(
    findings: Mapping[str, Findings],
    measures: Sequence[Measure],
    *,
    exclude: Exclude = None,
    made: pd.DataFrame | None = None,
    same_day: bool = False,
    best: Mapping[str, Any] | None = None,
) -> Knowledge:
    """Return all that is known; `best` is the setting to go for where that was chosen already.

    References
    ----------
    Raiffa & Schlaifer 1961, Applied Statistical Decision Theory, ch. 4 (preposterior analysis).
    """
    asked = choice(findings, measures, exclude)
    beliefs = tuple(
        replace(_belief(one, goal, place), same_day=same_day)
        for place, (one, goal) in enumerate(zip(asked.forecasts, asked.goals, strict=True))
    )
    fits = tuple(one.findings for one in asked.forecasts)
    grid = asked.region.grid(MOST_SETTINGS)
    chosen = chosen_setting(asked) if best is None else coded(asked.region.factors, best)[0]
    kept = made_so_far(fits, asked.region.factors) if made is None else made
    return Knowledge(
        findings=fits,
        choice=asked,
        made=kept,
        beliefs=beliefs,
        settings=np.vstack([chosen, grid]),
        best=chosen,
    )


def made_of(evidence: Evidence) -> pd.DataFrame | None:
    """Return the bakes of all rounds as rows of one plan; None for tables without any."""
    rows = evidence.planned
    return rows.drop(columns=ROUND) if len(rows) else None


def made_so_far(fits: Sequence[Findings], factors: Sequence[Factor]) -> pd.DataFrame:
    """Return the bakes behind some findings as rows of a plan, failed ones included."""
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
    defaults = {"day": 1, "load": pd.NA, "role": Role.TRIAL.value}
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
    terms = (*terms, *(Term(((name, 2),)) for name in one.told))
    added = _unseen_bends(terms, found)
    wide = fast_basis((*terms, *added), found.factors)
    rng = np.random.default_rng(_SEED + place)
    guesses = UNSEEN_BEND * goal.notice * rng.standard_normal((len(added), one.draws.shape[1]))
    # What does nothing by itself or beside others hardly has a best amount in between, and what
    # does bends no more often than is believed of a bend that is looked for
    at_work = np.array([_at_work(term.factors[0], one) for term in added])
    bent = rng.random(guesses.shape) < Priors().all_parents
    guesses = guesses * bent * at_work.reshape(guesses.shape)
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
        bends=(*one.told, *(term.factors[0] for term in added)),
    )


def _at_work(name: str, one: Forecast) -> np.ndarray:
    """Say in which draws a factor does anything, by itself or with others."""
    names = [factor.name for factor in one.findings.factors]
    rows = one.basis.touched(names.index(name))
    return (np.abs(one.draws[rows]) > 0).any(axis=0)


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
        if not is_of_tasting(name) and name not in ("bake", "day")
    }
    left = one.findings.residuals
    scores = left["taster"].nunique() if "taster" in left else 1
    if READING in spread and "bake" in left:
        scores = left.groupby("bake").size().median()
    # A taster's own level is shared by all bakes, so it adds nothing between them
    scored = sum(
        value for name, value in spread.items() if is_of_tasting(name) and name != "taster"
    )
    if "bake" not in spread and not scored:
        return max(sum(shared.values()), least), 0.0
    bake = spread.get("bake", 0.0) + scored / max(1, scores)
    return max(bake, least), sum(shared.values())


def chance_best(knowledge: Knowledge, most: int = 1000) -> np.ndarray:
    """Return how likely each setting of the knowledge is the best of them; those alike share it."""
    drawn = [one.rows(knowledge.settings) @ one.draws[:, :most] for one in knowledge.beliefs]
    flat = [values.ravel() for values in drawn]
    worth = knowledge.worth(flat).reshape(drawn[0].shape)
    # In many draws a factor does nothing: then no setting of it is better than another
    return shares_of_best(worth)


def coded_made(knowledge: Knowledge) -> np.ndarray:
    """Return the settings of the trial bakes so far, coded."""
    return coded_settings(knowledge.factors, knowledge.baked)


def numbers_of(factors: Sequence[Factor]) -> list[int]:
    """Return which factors are plain numbers.

    Examples
    --------
    >>> from trials.core.factors import Categorical
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


# -- What bakes are expected to gain before they are made: preposterior analysis.


IMAGINED = 400  # outcomes imagined for every set of bakes
PASSES = 2  # through the bakes of a set when settings are exchanged
NEW_DAY = 3.0  # a new day's level is taken as unknown: this many spreads of a bake
_GAIN_SEED = 1961


@dataclass(frozen=True)
class Gain:
    """What a set of bakes is expected to gain.

    Parameters
    ----------
    worth : float
        Expected improvement of the choice, in the units in which the choice is judged.
    noticed : float
        The same as a share of what is worth noticing.
    moved : float
        The chance that the choice moves by anything worth noticing.
    """

    worth: float
    noticed: float
    moved: float


def expected_gain(
    knowledge: Knowledge,
    X: np.ndarray,
    days: np.ndarray | None = None,
    loads: np.ndarray | None = None,
    *,
    settings: np.ndarray | None = None,
) -> Gain:
    """Return what a set of bakes is expected to gain for the choice.

    Outcomes are drawn from what is believed now; after each the belief is brought up to date (to
    first and second moments) and the best setting chosen anew. The gain is how much better that
    setting is then expected to be than the one chosen today. The level of every new day is taken
    as unknown.

    References
    ----------
    Raiffa & Schlaifer 1961, section 4.5 (expected value of sample information); Frazier, Powell
    & Dayanik 2009, INFORMS J. Comput. 21:599 (correlated normal beliefs); Goldstein & Wooff 2007,
    Bayes Linear Statistics, ch. 3 (updating by two moments).
    """
    if not len(X):
        return Gain(0.0, 0.0, 0.0)
    open_to = knowledge.settings if settings is None else settings
    days = np.zeros(len(X), dtype=int) if days is None else days
    at = [one.rows(open_to) for one in knowledge.beliefs]
    gained = _gained(knowledge, at, X, days, loads, _GAIN_SEED)
    noticeable = knowledge.noticeable
    return Gain(
        worth=float(gained.mean()),
        noticed=float(gained.mean() / noticeable),
        moved=float((gained > noticeable).mean()),
    )


def gaining(knowledge: Knowledge, starts: Sequence[np.ndarray], pool: np.ndarray) -> np.ndarray:
    """Return the bakes that are expected to gain most, exchanged one by one from the best start.

    References
    ----------
    Wu & Frazier 2016, Adv. Neural Inf. Process. Syst. 29 (the parallel knowledge gradient: the
    gain of a whole batch); Fedorov 1972, ch. 3 (exchange).
    """
    gain = gain_of(knowledge)
    gains = [gain(X) for X in starts]
    first = int(np.argmax(gains))
    chosen, reached = starts[first].copy(), gains[first]
    for _ in range(PASSES):
        before = reached
        for turn in range(len(chosen)):
            for setting in pool:
                tried = chosen.copy()
                tried[turn] = setting
                value = gain(tried)
                if value > reached:
                    chosen, reached = tried, value
        if reached == before:
            break
    return chosen


def gain_of(knowledge: Knowledge) -> Callable[[np.ndarray], float]:
    """Return what says the mean gain of bakes of one day, to choose among bakes by.

    By outcomes of their own, so that a choice is not flattered where it is judged.
    """
    at = [one.rows(knowledge.settings) for one in knowledge.beliefs]

    def gain(X: np.ndarray) -> float:
        days = np.zeros(len(X), dtype=int)
        return round(float(_gained(knowledge, at, X, days, None, _GAIN_SEED + 1).mean()), 9)

    return gain


def _gained(
    knowledge: Knowledge,
    at: Sequence[np.ndarray],
    X: np.ndarray,
    days: np.ndarray,
    loads: np.ndarray | None,
    seed: int,
) -> np.ndarray:
    """Return for every imagined outcome how much better the best setting then is than today's."""
    rng = np.random.default_rng(seed)
    after = [
        rows @ (one.mean[:, None] + _moves(one, X, days, loads, rng))
        for one, rows in zip(knowledge.beliefs, at, strict=True)
    ]
    shape = after[0].shape
    worth = knowledge.worth([values.ravel() for values in after]).reshape(shape)
    today = 0  # the first setting is the one chosen today
    if knowledge.choice.leads:
        # Chosen within a band of the first goal; gained is over what is best by the sum of both
        now = knowledge.worth(
            [rows @ one.mean for one, rows in zip(knowledge.beliefs, at, strict=True)]
        )
        today = int(np.argmax(now))
    return np.asarray(worth.max(axis=0) - worth[today])


def _moves(
    one: Belief,
    X: np.ndarray,
    days: np.ndarray,
    loads: np.ndarray | None,
    rng: np.random.Generator,
) -> np.ndarray:
    """Return how far the believed mean may move, shape (columns, outcomes)."""
    rows = one.rows(X)
    toward = one.cov @ rows.T
    spread = rows @ toward + error_covariance(one, days, loads)
    root = np.linalg.cholesky(spread)
    noise = rng.standard_normal((len(X), IMAGINED // 2))
    # Mirrored outcomes keep the mean where it is believed to be
    noise = np.hstack([noise, -noise])
    return toward @ np.linalg.solve(root.T, noise)


def error_covariance(one: Belief, days: np.ndarray, loads: np.ndarray | None) -> np.ndarray:
    """Return the covariance of new bakes around what is expected of them."""
    covariance = one.bake * np.eye(len(days)) + new_day(one) * np.equal.outer(days, days)
    if loads is not None:
        covariance = covariance + one.load * np.equal.outer(loads, loads)
    return covariance


def new_day(one: Belief) -> float:
    """Return the variance of the level of a new day: unknown, unless it is the day of before."""
    return 0.0 if one.same_day else NEW_DAY**2 * (one.bake + one.load)


def narrowing(
    one: Belief, pool: np.ndarray, weight: np.ndarray, bakes: int, start: Sequence[int] = ()
) -> list[int]:
    """Return the bakes that narrow a weighted belief most, one after another, then exchanged.

    References
    ----------
    Chaloner 1984, Ann. Stat. 12:283-300 (Bayesian linear optimality); Fedorov 1972, Theory of
    Optimal Experiments, ch. 3 (exchange).
    """
    rows, cov, weights = _with_day(one, pool, weight)
    chosen = list(start)
    for place in chosen:
        cov = _updated(cov, rows[place], one.bake)
    for _ in range(bakes - len(chosen)):
        place = _best_next(rows, cov, weights, one.bake)
        chosen.append(place)
        cov = _updated(cov, rows[place], one.bake)
    for _ in range(2):
        before = list(chosen)
        for turn in range(len(start), len(chosen)):
            cov = _updated(cov, rows[chosen[turn]], -one.bake)
            chosen[turn] = _best_next(rows, cov, weights, one.bake)
            cov = _updated(cov, rows[chosen[turn]], one.bake)
        if chosen == before:
            break
    return chosen


def _with_day(
    one: Belief, pool: np.ndarray, weight: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return rows, covariance and weights with the unknown level of the new day added."""
    size = len(one.mean)
    rows = np.column_stack([one.rows(pool), np.ones(len(pool))])
    cov, weights = np.zeros((size + 1, size + 1)), np.zeros((size + 1, size + 1))
    cov[:size, :size] = one.cov
    cov[size, size] = new_day(one)
    weights[:size, :size] = weight
    return rows, cov, weights


def _best_next(rows: np.ndarray, cov: np.ndarray, weights: np.ndarray, error: float) -> int:
    toward = rows @ cov
    drop = np.einsum("ij,jk,ik->i", toward, weights, toward)
    drop /= error + np.einsum("ij,ij->i", toward, rows)
    top = np.abs(drop).max()
    return int(np.argmax(np.round(drop / top, 9))) if top > 0 else 0


def _updated(cov: np.ndarray, row: np.ndarray, error: float) -> np.ndarray:
    """Return the covariance after a bake; with a negative error, as it was before it."""
    toward = cov @ row
    return cov - np.outer(toward, toward) / (error + row @ toward)


def contest(one: Belief, settings: np.ndarray, chances: np.ndarray) -> np.ndarray:
    """Return the weight of a belief's columns in the contest for the best setting."""
    rows = one.rows(settings)
    centred = rows - chances @ rows
    return centred.T @ (chances[:, None] * centred)


def as_table(gains: Sequence[tuple[str, int, Gain]]) -> pd.DataFrame:
    """Return candidate actions side by side, the most expected per bake first.

    Examples
    --------
    >>> as_table([("repeat", 4, Gain(0.2, 0.4, 0.1))])["per_bake"].tolist()
    [0.05]
    """
    table = pd.DataFrame(
        [
            (name, bakes, gain.worth, gain.noticed, gain.moved, gain.worth / max(bakes, 1))
            for name, bakes, gain in gains
        ],
        columns=["action", "bakes", "gain", "noticed", "moved", "per_bake"],
    )
    return table.sort_values("per_bake", ascending=False, kind="stable", ignore_index=True)
