"""What a plan can tell, before anything is baked: one record, its tables and its sentences."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from trials.base.arguments import checked_types
from trials.base.errors import PlanError
from trials.base.html import answer
from trials.base.words import in_words, kitchen_term, readable, tidy_number
from trials.core.exclusion import Exclusion
from trials.core.factors import Component
from trials.core.plan import Plan
from trials.core.roles import Role
from trials.core.terms import Model, basis, coded_settings, model_matrix, real_settings
from trials.design.aliasing import aliases
from trials.design.candidates import Candidates, candidates
from trials.design.layout import Ratios
from trials.design.power import Judgement, Strata, effect_tests_at, strata

SPACE_POINTS = 4096


@dataclass(frozen=True, eq=False)
class Quality:
    """What a plan can tell; all spreads in units of one bake's standard deviation.

    Parameters
    ----------
    effects : DataFrame
        term, se (of the effect as :func:`trials.power` has it, one bake's standard deviation
        being 1), df, judged_on, inflation (variance against a plan in which the effect is
        unrelated to all others; 1 is best).
    aliases : DataFrame
        As :func:`trials.aliases` gives it.
    correlations : DataFrame
        Between the columns of the model, days taken out.
    efficiency : DataFrame
        criterion, percent, meaning (what 100 % would be).
    space : DataFrame
        share, variance: this share of all settings is predicted with at most this variance, in
        units of one bake's (a fraction-of-design-space curve).
    leverage : DataFrame
        bake, leverage: how much a bake's own score pulls its own fitted value, 0 to 1.
    levels : DataFrame
        level, units, df: how many loads, days and bakes, and what is left of them for error.
    pure_error : int
        Degrees of freedom from bakes repeated alike, which no model needs; 0 for none.
    sentences : tuple of str
    """

    effects: pd.DataFrame
    aliases: pd.DataFrame = field(repr=False)
    correlations: pd.DataFrame = field(repr=False)
    efficiency: pd.DataFrame = field(repr=False)
    space: pd.DataFrame = field(repr=False)
    leverage: pd.DataFrame = field(repr=False)
    levels: pd.DataFrame = field(repr=False)
    pure_error: int
    sentences: tuple[str, ...]

    def __repr__(self) -> str:
        return "\n".join(self.sentences)

    def _repr_html_(self) -> str:
        tables = (self.effects, self.levels, self.efficiency)
        return answer(self.sentences, map(readable, tables))


@checked_types(PlanError)
def quality(plan: Plan, model: Model = None, *, variance_ratio: Ratios | None = None) -> Quality:
    """Return what a plan can tell.

    Parameters
    ----------
    plan : Plan
    model : str or list of str, optional
        The plan's own when left out.
    variance_ratio : float or mapping, optional
        Variance between loads (and many days) over that between bakes; the one the plan was
        made for, else 1.

    Returns
    -------
    Quality

    Raises
    ------
    FitError
        When the model is not made of the plan's factors.

    References
    ----------
    Atkinson, Donev & Tobias 2007, Optimum Experimental Designs, ch. 6 and 10 (efficiencies);
    Zahran, Anderson-Cook & Myers 2003, J. Qual. Technol. 35:377 (fraction of design space).

    Examples
    --------
    >>> from trials.design.layout import lay_out
    >>> from trials.core.factors import Numeric
    >>> factors = [Numeric("rest", 20, 60), Numeric("salt", 1, 3)]
    >>> bakes = pd.DataFrame({"rest": [20, 60, 20, 60] * 2, "salt": [1, 1, 3, 3] * 2})
    >>> found = quality(lay_out(factors, bakes, family="all", model="interactions", seed=1))
    >>> found.efficiency["percent"].round(6).tolist(), found.pure_error
    ([100.0, 100.0, 100.0, 100.0], 4)
    """
    levels = strata(plan, model)
    ratio = plan.details.get("variance_ratio", 1.0) if variance_ratio is None else variance_ratio
    variances = {"bake": 1.0}
    for name in (*levels.levels, *levels.merged):
        variances[name] = ratio.get(name, 1.0) if isinstance(ratio, Mapping) else float(ratio)
    # A level that can not be told from the bake is part of the one bake's spread
    variances = {n: v for n, v in variances.items() if levels.merged.get(n) is None}
    judgement = levels.fit(variances)
    effects = _effects(levels, judgement)
    mixed = aliases(plan)
    free = levels.free()
    region = _region(plan, levels)
    pure = _pure_error(plan, levels)
    efficiency = _efficiency(plan, levels, region)
    return Quality(
        effects=effects,
        aliases=mixed,
        correlations=_correlations(levels),
        efficiency=efficiency,
        space=_space(levels, judgement, region, plan),
        leverage=_leverage(plan, levels),
        levels=free,
        pure_error=pure,
        sentences=_sentences(plan, effects, mixed, free, efficiency, pure),
    )


def _effects(levels: Strata, judgement: Judgement) -> pd.DataFrame:
    inflation = _inflation(levels)
    rows = [
        {
            "term": test.term,
            "se": test.se,
            "df": test.df,
            "judged_on": test.judged_on,
            "inflation": inflation[test.term],
        }
        for test in effect_tests_at(levels, judgement)
    ]
    return pd.DataFrame(rows, columns=["term", "se", "df", "judged_on", "inflation"])


def _inflation(levels: Strata) -> dict[str, float]:
    """Return the largest variance inflation among the columns of each term."""
    X, estimable = levels.X, levels.estimable
    result = {}
    kept = X[:, estimable]
    inverse = np.linalg.inv(kept.T @ kept) if estimable.any() else np.zeros((0, 0))
    at = np.cumsum(estimable) - 1
    centred = X - X.mean(axis=0) if (levels.matrix.owner == -1).any() else X
    for term in levels.matrix.terms:
        columns = levels.matrix.of(term)
        if not estimable[columns].all():
            result[term.name] = float("inf")
            continue
        block = inverse[np.ix_(at[columns], at[columns])]
        alone = centred[:, columns].T @ centred[:, columns]
        result[term.name] = float(np.linalg.eigvals(block @ alone).real.max())
    return result


def _correlations(levels: Strata) -> pd.DataFrame:
    X = levels.matrix.X
    base = np.hstack([np.ones((len(X), 1)), levels.fixed])
    freed = X - base @ np.linalg.lstsq(base, X, rcond=None)[0]
    size = np.linalg.norm(freed, axis=0)
    own = (levels.matrix.owner >= 0) & (size > 1e-9)
    freed = freed[:, own] / size[own]
    names = [name for name, held in zip(levels.matrix.columns, own, strict=True) if held]
    return pd.DataFrame(np.round(freed.T @ freed, 12), index=names, columns=names)


def _region(plan: Plan, levels: Strata) -> np.ndarray:
    options = _options(plan, levels)
    return options.region(SPACE_POINTS)


def _options(plan: Plan, levels: Strata) -> Candidates:
    exclusion = Exclusion(plan.factors, list(plan.excluded) or None)
    return candidates(plan.factors, levels.matrix.terms, exclusion)


def _efficiency(plan: Plan, levels: Strata, region: np.ndarray) -> pd.DataFrame:
    """Return the four efficiencies, the bakes taken as independent of one another."""
    made = basis(levels.matrix.terms, plan.factors)
    table = plan.table
    X = made.rows(coded_settings(plan.factors, table[table["role"] != Role.REFERENCE]))
    X = np.hstack([X, levels.fixed])
    M = X.T @ X / len(X)
    p = made.size
    words = {
        "D": "every effect judged as sharply as if all bakes lay at the ends and no two effects "
        "were related",
        "A": "the average variance of the effects as small as if all bakes lay at the ends and no "
        "two effects were related",
        "G": "no setting predicted worse than the average bake",
        "I": "predictions as sure on average as if all bakes lay at the ends and no two effects "
        "were related",
    }
    values = dict.fromkeys(words, 0.0)
    eigen = np.linalg.eigvalsh(M)
    if eigen[0] > 1e-11 * eigen[-1]:
        inverse = np.linalg.inv(M)[:p, :p]
        rows = made.rows(_with_corners(plan, region, levels))
        worst = np.einsum("ij,jk,ik->i", rows, inverse, rows).max()
        moment = _options(plan, levels).moment(made)
        values["D"] = float(np.exp(-np.linalg.slogdet(inverse)[1] / p))
        values["A"] = float(p / np.trace(inverse))
        values["G"] = float(p / worst)
        values["I"] = float(np.trace(moment) / np.trace(inverse @ moment))
    if _is_blend(plan):
        words = {n: f"{word} (shares of a blend are always related)" for n, word in words.items()}
    return pd.DataFrame(
        [{"criterion": n, "percent": 100 * values[n], "meaning": words[n]} for n in words]
    )


def _is_blend(plan: Plan) -> bool:
    return any(isinstance(factor, Component) for factor in plan.factors)


def _with_corners(plan: Plan, region: np.ndarray, levels: Strata) -> np.ndarray:
    """Return the region's points with those of the grid, where the variance is largest."""
    return np.vstack([region, _options(plan, levels).listed(np.random.default_rng(0))[:20_000]])


def _space(levels: Strata, judgement: Judgement, region: np.ndarray, plan: Plan) -> pd.DataFrame:
    from_sum_to_zero = _model_rows(levels, plan, region)
    kept = np.flatnonzero(levels.estimable[: from_sum_to_zero.shape[1]])
    cov = judgement.cov[: len(kept), : len(kept)]
    rows = from_sum_to_zero[:, kept]
    variance = np.sort(np.einsum("ij,jk,ik->i", rows, cov, rows))
    shares = np.linspace(0, 1, 101)
    if len(kept) < from_sum_to_zero.shape[1]:
        return pd.DataFrame({"share": shares, "variance": np.inf})
    return pd.DataFrame({"share": shares, "variance": np.quantile(variance, shares)})


def _model_rows(levels: Strata, plan: Plan, region: np.ndarray) -> np.ndarray:
    table = pd.DataFrame(real_settings(plan.factors, region))
    return model_matrix(levels.matrix.terms, plan.factors, table).X


def _leverage(plan: Plan, levels: Strata) -> pd.DataFrame:
    table = plan.table
    names = table.loc[table["role"] != Role.REFERENCE, "bake"].tolist()
    Q = np.linalg.svd(levels.X, full_matrices=False)
    sound = 1e-10 * Q.S[0] < Q.S
    return pd.DataFrame({"bake": names, "leverage": (Q.U[:, sound] ** 2).sum(axis=1)})


def _pure_error(plan: Plan, levels: Strata) -> int:
    """Return the bakes beyond one of each setting, what loads and days take already taken."""
    table = plan.table
    table = table[table["role"] != Role.REFERENCE]
    settings = table.groupby([factor.name for factor in plan.factors], dropna=False).ngroup()
    marks = [pd.get_dummies(settings).to_numpy(dtype=float), levels.fixed]
    marks += [np.unique(shared, axis=1) for shared in levels.levels.values()]
    return len(table) - int(np.linalg.matrix_rank(np.hstack(marks)))


def _sentences(
    plan: Plan,
    effects: pd.DataFrame,
    mixed: pd.DataFrame,
    free: pd.DataFrame,
    efficiency: pd.DataFrame,
    pure: int,
) -> tuple[str, ...]:
    said = [f"{plan.sentence()}."]
    lost = effects.loc[effects["judged_on"] == "nothing", "term"].tolist()
    if lost:
        said.append(f"This plan can not judge {in_words(lost)}.")
    for level, rows in effects[effects["judged_on"] != "nothing"].groupby("judged_on", sort=False):
        said.append(_on_level(str(level), rows, free))
    said.append(_mixed_up(mixed))
    if not _is_blend(plan) and not lost:
        shown = [f"{row.criterion} {row.percent:.0f} %" for row in efficiency.itertuples()]
        said.append(
            "Against a plan with all bakes at the ends and no two effects related: "
            f"{in_words(shown)}."
        )
    if pure:
        said.append(
            f"{pure} repeated bake{'' if pure == 1 else 's'} show{'s' if pure == 1 else ''} how "
            "alike two bakes of one recipe are, whatever the model."
        )
    else:
        said.append("No bake is repeated alike: how alike two bakes are is read off the model.")
    return tuple(said)


def _on_level(level: str, rows: pd.DataFrame, free: pd.DataFrame) -> str:
    names = rows["term"].tolist()
    verb = "is" if len(names) == 1 else "are"
    worst = tidy_number(float(rows["se"].max()), 2)
    units = free.loc[free["level"] == level]
    left = f", of which {units['df'].iloc[0]} are left for error" if len(units) else ""
    count = f"{units['units'].iloc[0]} " if len(units) else ""
    shown = in_words(names) if len(names) <= 8 else f"{len(names)} effects"
    return (
        f"{shown[0].upper()}{shown[1:]} {verb} judged on {count}{level}{left}; standard error at "
        f"most {worst} of one bake's spread."
    )


def _mixed_up(mixed: pd.DataFrame) -> str:
    if mixed.empty:
        return "No effect is mixed up with any other up to pairs and squares."
    whole = mixed[mixed["complete"]]
    if whole.empty:
        return (
            f"No two effects are wholly mixed up; {mixed['term'].nunique()} hold a share of some "
            "other."
        )
    first = whole.iloc[0]
    return (
        f"{len(whole)} pairs of effects can not be told apart, such as {_said(first['term'])} and "
        f"{_said(first['aliased_with'])}."
    )


def _said(term: str) -> str:
    """Return an effect as it is said: "rest = long" is rest long, a pair is one with the other."""
    return kitchen_term(term).replace(" = ", " ")
