"""The one bake more that would mend a plan most, of all that could still be made today."""

import html
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from trials.design.basis import basis, coded_settings, real_settings
from trials.design.candidates import candidates
from trials.design.exclusion import Exclusion
from trials.design.kitchen import Ratios, same
from trials.design.midway import Change, placed, shown_setting, still_tells
from trials.design.plan import Plan, kitchen_group
from trials.design.terms import Model, model_terms
from trials.tables import in_words, tidy_number

# What holds up a direction that no bake tells about, as a share of one bake's information: far
# below what any bake brings, so that a bake that tells about it always comes first
UNTOLD = 1e-8
SHOWN = 5


@dataclass(frozen=True, eq=False)
class ExtraBake:
    """The single bake that would mend a plan most.

    Parameters
    ----------
    plan : Plan
        With that bake added.
    settings : dict
    choices : DataFrame
        The best few: one column per factor, day and groups, and gain: how many times the
        information on all effects together grows; a very large one means that the bake tells of
        what was lost altogether.
    change : Change
        What it brings.
    sentences : tuple of str
    """

    plan: Plan
    settings: Mapping[str, Any]
    choices: pd.DataFrame
    change: Change
    sentences: tuple[str, ...]

    def __repr__(self) -> str:
        return "\n".join(self.sentences)

    def _repr_html_(self) -> str:
        said = "".join(f"<p>{html.escape(sentence)}</p>" for sentence in self.sentences)
        shown = self.choices.assign(gain=[_times(float(gain)) for gain in self.choices["gain"]])
        return said + shown.to_html(index=False, border=0)


def best_extra(
    plan: Plan,
    *,
    model: Model = None,
    tasters: int = 6,
    variance_ratio: Ratios = 1.0,
) -> ExtraBake:
    """Return the one bake more, of all that may be made on the last day, that mends most.

    Parameters
    ----------
    plan : Plan
        As it is now, failed bakes dropped.
    model : str or list of str, optional
        What is to be judged; the plan's own when left out.
    tasters : int
    variance_ratio : float or mapping
        Variance between loads over that between the bakes of a load.

    Returns
    -------
    ExtraBake

    Raises
    ------
    PlanError
        When exclusions leave nothing to bake.

    Notes
    -----
    Every setting is tried in every load of the last day that allows it, and in a new one. Given
    the bakes before it, a bake with row x adds x*x*'/s to the information, x* being what they
    do not foresee of x, and s of its variance; so one product weighs each of them exactly.

    References
    ----------
    Dykstra 1971, Technometrics 13:682 (augmentation); Harville 1997, Matrix Algebra, 18.1
    (determinant of a rank-one change).

    Examples
    --------
    >>> from trials.design.factorial import full_factorial
    >>> from trials.design.midway import drop
    >>> from trials.factors import Numeric
    >>> plan = full_factorial([Numeric("rest", 20, 60), Numeric("salt", 1, 3)], seed=1)
    >>> lost = plan.table.iloc[0][["rest", "salt"]].to_dict()
    >>> best_extra(drop(plan, "B01")).settings == lost
    True
    """
    terms = model_terms(plan.model if model is None else model, plan.factors)
    rules = Exclusion(plan.factors, list(plan.excluded) or None)
    options = candidates(plan.factors, terms, rules)
    points = options.listed(np.random.default_rng(0))
    made = basis(terms, plan.factors)
    bakes = plan.table
    bakes = bakes[bakes["role"] != "control"].reset_index(drop=True)
    X, inverse = _information(
        plan, bakes, made.rows(coded_settings(plan.factors, bakes)), variance_ratio
    )
    tried = []
    for place in _places(plan, bakes):
        fits = points[_fitting(plan, bakes, points, place)]
        gains = _gains(plan, bakes, X, inverse, made.rows(fits), place, variance_ratio)
        frame = pd.DataFrame(real_settings(plan.factors, fits)).assign(**place, gain=gains)
        tried.append(frame)
    every = pd.concat(tried, ignore_index=True)
    # Rounded, so that rounding errors never choose between settings that are alike
    order = np.argsort(-np.round(np.log(every["gain"]), 6), kind="stable")
    choices = every.iloc[order[:SHOWN]].reset_index(drop=True)
    return _mended(plan, choices, tasters)


def _information(
    plan: Plan, bakes: pd.DataFrame, X: np.ndarray, ratio: Ratios
) -> tuple[np.ndarray, np.ndarray]:
    """Return the rows of the bakes, days included, and the inverse of their information."""
    X = np.hstack([X, _day_marks(bakes, bakes["day"])])
    W = np.linalg.inv(_covariance(plan, bakes, ratio))
    M = X.T @ W @ X
    held = UNTOLD * np.trace(M) / len(X) / len(M)
    return X, np.linalg.inv(M + held * np.eye(len(M)))


def _day_marks(bakes: pd.DataFrame, days: pd.Series) -> np.ndarray:
    known = sorted(bakes["day"].unique())
    return np.array([[float(day == other) for other in known[1:]] for day in days]).reshape(
        len(days), len(known) - 1
    )


def _covariance(plan: Plan, bakes: pd.DataFrame, ratio: Ratios) -> np.ndarray:
    V = np.eye(len(bakes))
    for name in plan.groups:
        V += _ratio(ratio, name) * same(bakes[name])
    return V


def _ratio(ratio: Ratios, name: str) -> float:
    return ratio.get(name, 1.0) if isinstance(ratio, Mapping) else float(ratio)


def _places(plan: Plan, bakes: pd.DataFrame) -> list[dict[str, Any]]:
    """Return where a bake may go: the loads of the last day together, and new ones."""
    day = int(bakes["day"].max())
    today = bakes[bakes["day"] == day]
    if not plan.groups:
        return [{"day": day}]
    names = list(plan.groups)
    known = today[names].drop_duplicates().astype("Int64").to_dict("records")
    fresh = {name: int(bakes[name].max()) + 1 for name in names}
    places = [{"day": day, **{name: int(one[name]) for name in names}} for one in known]
    return [*places, {"day": day, **fresh}]


def _fitting(
    plan: Plan, bakes: pd.DataFrame, points: np.ndarray, place: Mapping[str, Any]
) -> np.ndarray:
    """Return which settings a load allows: those that have what it holds already."""
    fits = np.ones(len(points), dtype=bool)
    coded = coded_settings(plan.factors, bakes)
    for position, factor in enumerate(plan.factors):
        if not factor.group:
            continue
        inside = np.flatnonzero((bakes[factor.group] == place[factor.group]).fillna(False))
        if len(inside):
            fits &= np.abs(points[:, position] - coded[inside[0], position]) < 1e-9
    return fits


def _gains(
    plan: Plan,
    bakes: pd.DataFrame,
    X: np.ndarray,
    inverse: np.ndarray,
    rows: np.ndarray,
    place: Mapping[str, Any],
    ratio: Ratios,
) -> np.ndarray:
    """Return how many times the determinant of the information grows by each bake."""
    marks = _day_marks(bakes, pd.Series([place["day"]]))
    rows = np.hstack([rows, np.repeat(marks, len(rows), axis=0)])
    shared = np.zeros(len(bakes))
    own = 1.0
    for name in plan.groups:
        size = _ratio(ratio, name)
        own += size
        shared += size * (bakes[name] == place[name]).fillna(False).to_numpy(dtype=float)
    foreseen = np.linalg.solve(_covariance(plan, bakes, ratio), shared)
    rows = rows - foreseen @ X
    left = own - shared @ foreseen
    return 1 + np.einsum("ij,jk,ik->i", rows, inverse, rows) / left


def _mended(plan: Plan, choices: pd.DataFrame, tasters: int) -> ExtraBake:
    best = choices.iloc[0]
    settings = {factor.name: factor.read(best[factor.name]) for factor in plan.factors}
    grown = placed(plan, settings, {name: int(best[name]) for name in ("day", *plan.groups)})
    change = still_tells(plan, grown, tasters=tasters)
    said = (
        "One bake more would mend most: "
        f"{shown_setting(plan.factors, settings)}{_where(plan, best)}.",
        *change.sentences[1:],
        f"The information on all effects together grows {_times(float(best['gain']))}.",
    )
    return ExtraBake(grown, settings, choices, change, said)


def _where(plan: Plan, best: pd.Series) -> str:
    known = {name: set(plan.rows[name].dropna()) for name in plan.groups}
    said = [
        f"{'' if best[name] in known[name] else 'a new '}{kitchen_group(name)}"
        + (f" {int(best[name])}" if best[name] in known[name] else "")
        for name in plan.groups
    ]
    return f", in {in_words(said)}" if said else ""


def _times(gain: float) -> str:
    if gain > 1 / (UNTOLD * 1e4):
        return "beyond measure: it tells of what was lost"
    return f"{tidy_number(gain, 2)} times"
