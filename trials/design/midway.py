"""A round that changes midway.

Bakes dropped, added or repeated, and the one bake more that mends most.
"""

import html
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from trials.base.errors import PlanError
from trials.base.words import in_words, tidy_number
from trials.core.exclusion import Exclusion
from trials.core.factors import Factor
from trials.core.plan import Plan, kitchen_group, whole_number
from trials.core.roles import Role
from trials.core.terms import (
    Model,
    basis,
    coded_settings,
    kitchen_names,
    model_terms,
    real_settings,
)
from trials.design.candidates import candidates
from trials.design.layout import Ratios, same
from trials.design.power import Promise, promise

# -- A round that changes midway: bakes dropped, added or repeated, and what the rest still tells.
#
# A bake fails at noon, an ingredient runs out, a taster stays home. Plans are never changed: each
# step gives a new one, the bakes that stay keeping their names, days and loads.


def drop(plan: Plan, bakes: Sequence[str] | str, why: str = "") -> Plan:
    """Return a plan without some bakes.

    Parameters
    ----------
    plan : Plan
    bakes : str or sequence of str
        Their names, as "B03".
    why : str
        Kept with the plan's reasons.

    Raises
    ------
    PlanError
        When a name is none of the plan's, or nothing is left.

    Examples
    --------
    >>> from trials.design.factorial import full_factorial
    >>> from trials.core.factors import Numeric
    >>> plan = full_factorial([Numeric("rest", 20, 60)], replicates=3, seed=1)
    >>> drop(plan, "B02", "burned").count()
    5
    """
    gone = _known(plan, bakes)
    rows = plan.table
    rows = rows[~rows["bake"].isin(gone)].reset_index(drop=True)
    if not (rows["role"] != Role.REFERENCE).any():
        raise PlanError("no bake is left; keep at least one.")
    reason = f"Dropped {in_words(gone)}{f': {why}' if why else ''}."
    return replace(plan, rows=rows, reasons=(*plan.reasons, reason))


def repeat(plan: Plan, bakes: Sequence[str] | str, *, day: int | None = None) -> Plan:
    """Return a plan in which some bakes are made once more.

    Parameters
    ----------
    plan : Plan
    bakes : str or sequence of str
        Their names.
    day : int, optional
        The last day when left out.

    Raises
    ------
    PlanError
        When a name is none of the plan's.

    Examples
    --------
    >>> from trials.design.factorial import full_factorial
    >>> from trials.core.factors import Numeric
    >>> plan = full_factorial([Numeric("rest", 20, 60)], replicates=3, seed=1)
    >>> repeat(plan, "B02").table["rest"].iloc[[1, -1]].nunique()
    1
    """
    rows = plan.table.set_index("bake")
    names = [factor.name for factor in plan.factors]
    for bake in _known(plan, bakes):
        plan = add(plan, rows.loc[bake, names].to_dict(), day=day)
    return plan


def add(plan: Plan, settings: Mapping[str, Any], *, day: int | None = None) -> Plan:
    """Return a plan with one bake more, at the end.

    It goes into a load of that day that has its hard-to-change settings, else into a new one.

    Parameters
    ----------
    plan : Plan
    settings : mapping
        A setting for every factor.
    day : int, optional
        The last day when left out.

    Raises
    ------
    PlanError, FactorError
        When a factor has no setting or one that is not its own, or the setting is excluded.

    Examples
    --------
    >>> from trials.design.factorial import full_factorial
    >>> from trials.core.factors import Numeric
    >>> plan = full_factorial([Numeric("rest", 20, 60)], replicates=3, seed=1)
    >>> add(plan, {"rest": 40}).table["bake"].iloc[-1]
    'B07'
    """
    setting = _read(plan, settings)
    day = int(plan.rows["day"].max()) if day is None else whole_number("day", day, least=1)
    homes = {group: _home(plan, group, setting, day) for group in plan.groups}
    return placed(plan, setting, {"day": day, **homes})


def placed(plan: Plan, setting: Mapping[str, Any], place: Mapping[str, int]) -> Plan:
    """Return a plan with one bake more, on a day and in loads that are known."""
    rows = plan.table
    number = max(int("".join(filter(str.isdigit, name)) or 0) for name in rows["bake"]) + 1
    row = {"bake": f"B{number:02d}", "role": Role.TRIAL.value, **setting, **place}
    new = pd.DataFrame([row]).reindex(columns=rows.columns).astype(rows.dtypes.to_dict())
    grown = pd.concat([rows, new], ignore_index=True)
    return replace(plan, rows=grown)


def _known(plan: Plan, bakes: Sequence[str] | str) -> list[str]:
    names = [bakes] if isinstance(bakes, str) else list(bakes)
    there = plan.rows["bake"].tolist()
    unknown = [name for name in names if name not in there]
    if unknown or not names:
        found = in_words(unknown) if unknown else "no name"
        raise PlanError(f"bakes names {found}; the plan has {in_words(there[:3])} to {there[-1]}.")
    return names


def _read(plan: Plan, settings: Mapping[str, Any]) -> dict[str, Any]:
    missing = [factor.name for factor in plan.factors if factor.name not in settings]
    if missing:
        raise PlanError(f"the bake to add has no setting for {in_words(missing)}.")
    setting = {factor.name: factor.read(settings[factor.name]) for factor in plan.factors}
    rules = Exclusion(plan.factors, list(plan.excluded) or None)
    coded = coded_settings(plan.factors, pd.DataFrame([setting]))
    if not rules.allows(coded).all():
        raise PlanError(
            f"this plan leaves out {shown_setting(plan.factors, setting)}: it is excluded."
        )
    return setting


def _home(plan: Plan, group: str, setting: Mapping[str, Any], day: int) -> int:
    """Return a load of the day that has the settings, the last such; else a new one."""
    hard = [factor.name for factor in plan.factors if factor.group == group]
    rows = plan.rows
    there = rows[(rows["day"] == day) & rows[group].notna() & (rows["role"] != Role.REFERENCE)]
    for name in hard:
        there = there[there[name] == setting[name]]
    if len(there):
        return int(there[group].iloc[-1])
    return int(rows[group].max()) + 1


def shown_setting(factors: Sequence[Factor], setting: Mapping[str, Any]) -> str:
    """Return a setting in words."""
    return ", ".join(f"{factor.name} {factor.show(setting[factor.name])}" for factor in factors)


@dataclass(frozen=True, eq=False)
class Change:
    """What a change of plan costs or brings.

    Parameters
    ----------
    before, after : Promise
    table : DataFrame
        term, smallest_before, smallest_after (the difference seen with 80 % chance), told_before,
        told_after (whether it can be told from the others at all).
    sentences : tuple of str
    """

    before: Promise = field(repr=False)
    after: Promise = field(repr=False)
    table: pd.DataFrame
    sentences: tuple[str, ...]

    def __repr__(self) -> str:
        return "\n".join(self.sentences)

    def _repr_html_(self) -> str:
        said = "".join(f"<p>{html.escape(sentence)}</p>" for sentence in self.sentences)
        factors = self.after.plan.factors
        shown = pd.DataFrame(
            {"effect": [kitchen_names([one], factors) for one in self.table["term"]]}
        )
        for when in ("before", "after"):
            pairs = zip(self.table[f"told_{when}"], self.table[f"smallest_{when}"], strict=True)
            shown[f"smallest shown {when}"] = [_shown_size(told, size) for told, size in pairs]
        return said + shown.to_html(index=False, border=0)


def _shown_size(told: bool, size: float) -> str:
    if not told:
        return "not told apart"
    return f"{size:.1f} points" if np.isfinite(size) else "none for sure"


def still_tells(
    before: Plan,
    after: Plan,
    *,
    tasters: int = 6,
    tasters_left: int | None = None,
    worth_noticing: float = 0.7,
    sd_bake: float | None = None,
) -> Change:
    """Return what a changed plan still tells, beside what it told before.

    Parameters
    ----------
    before, after : Plan
        The same one twice when only a taster stays home.
    tasters : int
        Who was to taste.
    tasters_left : int, optional
        Who will taste now; all when left out.
    worth_noticing : float
        In points.
    sd_bake : float, optional
        Spread between bakes of one recipe; the usual one when left out.

    Returns
    -------
    Change

    Examples
    --------
    >>> from trials.design.factorial import full_factorial
    >>> from trials.core.factors import Numeric
    >>> plan = full_factorial([Numeric("rest", 20, 60), Numeric("salt", 1, 3)], seed=1)
    >>> still_tells(plan, drop(plan, "B01")).table["told_after"].tolist()
    [True, True, False]
    """
    terms = [term.name for term in model_terms(before.model, before.factors)]
    left = whole_number("tasters_left", tasters if tasters_left is None else tasters_left, least=1)
    first = promise(before, terms, worth=worth_noticing, tasters=tasters, sd_bake=sd_bake)
    then = promise(after, terms, worth=worth_noticing, tasters=left, sd_bake=sd_bake)
    table = pd.DataFrame(
        {
            "term": terms,
            "smallest_before": first.table["smallest"],
            "smallest_after": then.table["smallest"],
            "told_before": ~first.table["term"].isin(first.lost),
            "told_after": ~then.table["term"].isin(then.lost),
        }
    )
    counts = (before.count(), after.count(), tasters, left)
    said = list(_change_words(first, then, table, counts))
    return Change(first, then, table, tuple(said))


def _change_words(
    first: Promise, then: Promise, table: pd.DataFrame, counts: tuple[int, int, int, int]
) -> Iterator[str]:
    bakes, now, tasters, left = counts
    here = f"{now} bakes" if now == bakes else f"{now} bakes instead of {bakes}"
    tasting = f"{left} tasters" if left == tasters else f"{left} tasters instead of {tasters}"
    yield f"{here}, {tasting}."
    lost = table.loc[table["told_before"] & ~table["told_after"], "term"].tolist()
    won = table.loc[~table["told_before"] & table["told_after"], "term"].tolist()
    factors = then.plan.factors
    if lost:
        rest = (
            " The others are judged as if that were nothing." if table["told_after"].any() else ""
        )
        yield f"No longer told apart from the others: {kitchen_names(lost, factors)}.{rest}"
    if won:
        yield f"Now told as well: {kitchen_names(won, factors)}."
    if not lost and not won:
        yield f"The same {int(table['told_after'].sum())} effects are told apart."
    if np.isfinite(first.smallest) and np.isfinite(then.smallest):
        yield (
            f"Smallest difference it would likely show: {then.smallest:.1f} points, "
            f"{first.smallest:.1f} before."
        )
    elif np.isfinite(first.smallest):
        yield "No bake is left to tell a difference from chance."


# -- The one bake more that would mend a plan most, of all that could still be made today.


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
    >>> from trials.core.factors import Numeric
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
    bakes = bakes[bakes["role"] != Role.REFERENCE].reset_index(drop=True)
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
