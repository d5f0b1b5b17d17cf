"""Whether the model fits: lack of fit, a bend in the middle, drift, days, rival scales."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from trials.analysis.contrasts import interval
from trials.analysis.influence import mixed_fit, with_columns
from trials.analysis.mixed import fit_mixed
from trials.analysis.results import Findings
from trials.analysis.small_sample import SmallSample, small_sample
from trials.analysis.transforming import WIDEST, power_scale
from trials.analysis.verdicts import decimals, kitchen_term, signed
from trials.analysis.wording import unit_of
from trials.design.plan import kitchen_group, plural
from trials.errors import FitError
from trials.tables import in_words, percent, tidy_number

LIMIT = 0.05
NAN = float("nan")


@dataclass(frozen=True)
class Check:
    """One thing looked at.

    Parameters
    ----------
    name : str
    said : str
        What was found, in a sentence.
    heed : bool
        Whether it asks for a second look.
    value, low, high, p : float
        The number behind it with its 95 % interval and p value, where there are such.
    """

    name: str
    said: str
    heed: bool = False
    value: float = NAN
    low: float = NAN
    high: float = NAN
    p: float = NAN


def lack_of_fit(findings: Findings) -> Check:
    """Test the model against the spread of bakes made at the very same settings.

    Every setting gets a mean of its own; what those means add to the model is judged against what
    repeats differ by, on the level of the bake.

    Examples
    --------
    >>> lack_of_fit.__name__
    'lack_of_fit'
    """
    name = "lack of fit"
    cells = setting_codes(findings)
    if mixed_fit(findings) is None:
        return Check(name, "Lack of fit: no error was measured, so it can not be judged.")
    if len(set(cells)) == len(set(bake_codes(findings))):
        return Check(name, "Lack of fit: no setting was baked twice, so it can not be judged.")
    found = with_columns(findings, np.eye(cells.max() + 1)[cells])
    if found is None:
        return Check(name, "Lack of fit: the model has a number for every setting already.")
    engine, places = found
    test = engine.test(np.eye(len(engine.beta))[places])
    if not np.isfinite(test.p):
        return Check(name, "Lack of fit: too few repeats to judge it.")
    fits = test.p > LIMIT
    words = (
        "The model fits the bakes as well as repeats of the same settings agree"
        if fits
        else "The settings differ more than the model says and repeats explain: something bends or "
        "works together that is not in the model"
    )
    return Check(name, f"{words}.", not fits, test.F, p=test.p)


def curvature(findings: Findings) -> Check | None:
    """Say how far the middle-setting bakes lie off the straight-line model; None without them.

    Examples
    --------
    >>> curvature.__name__
    'curvature'
    """
    fit = mixed_fit(findings)
    if fit is None or "role" not in findings.residuals:
        return None
    centre = (findings.residuals["role"] == "centre").to_numpy(dtype=float)
    same = np.flatnonzero((centre[:, None] == fit.X).all(axis=0))
    if not centre.any() or not len(same):
        return None
    return _coefficient(
        findings,
        findings.engine,  # type: ignore[arg-type]
        int(same[0]),
        "curvature",
        "Middle-setting bakes against the straight line between the ends",
        "the response bends somewhere between the ends",
    )


def baking_drift(findings: Findings) -> Check | None:
    """Say what changed from the first bake to the last, settings and days apart.

    Examples
    --------
    >>> baking_drift.__name__
    'baking_drift'
    """
    order = baking_order(findings.residuals)
    if mixed_fit(findings) is None or order.nunique() < 3:
        return None
    column = (order - order.min()) / (order.max() - order.min()) - 0.5
    found = with_columns(findings, column.to_numpy()[:, None])
    if found is None:
        said = "Drift over baking order: it can not be told apart from the settings."
        return Check("baking order", said)
    engine, places = found
    what = "From the first bake to the last, settings apart"
    return _coefficient(
        findings, engine, int(places[0]), "baking order", what, "something drifted while baking"
    )


def day_differences(findings: Findings) -> Check | None:
    """Say how much days differ, as a fixed block or as a random group; None with one day.

    Examples
    --------
    >>> day_differences.__name__
    'day_differences'
    """
    table = findings.residuals
    fit = mixed_fit(findings)
    if fit is None or "day" not in table or table["day"].nunique() < 2:
        return None
    unit = unit_of(findings.measure)
    if "day" in findings.spread:
        sd = float(np.sqrt(findings.spread["day"]))
        share = float(findings.variance.set_index("source").loc["day", "share"])
        said = (
            f"Days differ by a standard deviation of {tidy_number(sd, 2)}{unit} "
            f"({percent(share)} of the spread)."
        )
        return Check("days", said, value=sd)
    block = _day_block(findings, fit.X)
    if not len(block):
        same = _same_groups(table, "day", findings.spread)
        what = f"the {plural(same)}, one a day" if same else "the settings"
        return Check("days", f"Days: they can not be told apart from {what}.")
    test = findings.engine.test(np.eye(fit.X.shape[1])[block])  # type: ignore[attr-defined]
    differ = np.isfinite(test.p) and test.p < LIMIT
    words = "Days differ" if differ else "No day stands out from the others"
    said = f"{words}; the effects are freed from what days share."
    return Check("days", said, value=test.F, p=test.p)


def ranks_agree(findings: Findings) -> Check | None:
    """Ask whether a few extreme scores carry an effect: the same model on the ranks of scores.

    Examples
    --------
    >>> ranks_agree.__name__
    'ranks_agree'
    """
    fit = mixed_fit(findings)
    if fit is None or not isinstance(findings.engine, SmallSample):
        return None
    ranks = stats.rankdata(fit.y) / (len(fit.y) + 1)
    try:
        ranked = fit_mixed(stats.norm.ppf(ranks), fit.X, fit.terms)
        engine = small_sample(ranked, method=findings.engine.method)
    except FitError:
        return None
    places = model_places(findings)
    turned = []
    for term, p in zip(findings.tests["term"], findings.tests["p"], strict=True):
        by_rank = engine.test(np.eye(len(engine.beta))[places[term]]).p
        if np.isfinite(p) and (p < LIMIT) != (by_rank < LIMIT) and _far(p, by_rank):
            turned.append(kitchen_term(str(term)))
    if not turned:
        said = "Ranks instead of scores lead to the same conclusions: no extreme score carries them"
        return Check("ranks", f"{said}.")
    said = f"With ranks instead of scores {in_words(turned)} would be judged otherwise"
    return Check("ranks", f"{said}: look at the extreme scores.", True)


def other_scale(findings: Findings) -> Check | None:
    """Ask whether a weighed or measured response fits better as a logarithm, root or inverse.

    Examples
    --------
    >>> other_scale.__name__
    'other_scale'
    """
    fit = mixed_fit(findings)
    weighed = findings.measure is None or findings.measure.kind == "number"
    if fit is None or not weighed or not (fit.y > 0).all():
        return None
    try:
        found = power_scale(fit.y, fit.X, fit.terms)
    except FitError:
        return None
    if found.low <= -WIDEST and found.high >= WIDEST:
        said = f"{findings.response} spans too little for any other scale to tell."
        return Check("scale", said, False, found.power, found.low, found.high)
    between = f"best power {found.power:.1f}, {found.low:.1f} to {found.high:.1f}"
    name = findings.response
    heed = found.suggested != 1
    words = f"{name} fits best as {found.words}" if heed else f"{name} is best left as it is"
    return Check("scale", f"{words} ({between}).", heed, found.power, found.low, found.high)


def _far(one: float, other: float) -> bool:
    """Two p values on both sides of the limit only count when they are well apart."""
    return max(one, other) > 2 * min(one, other)


def _coefficient(
    findings: Findings, engine: SmallSample, place: int, name: str, what: str, meaning: str
) -> Check:
    weights = np.eye(len(engine.beta))[place]
    estimate, se, df = engine.estimate(weights)
    low, high, p = interval(estimate, se, df)
    if not np.isfinite(p):
        return Check(name, f"{what}: no error was measured at that level.", value=estimate)
    digits = decimals(pd.Series([se]))
    unit = unit_of(findings.measure)
    size = f"{signed(estimate, digits)}{unit} ({signed(low, digits)} to {signed(high, digits)})"
    heed = p < LIMIT
    tail = f": {meaning}" if heed else ", no more than chance"
    return Check(name, f"{what}: {size}{tail}.", bool(heed), estimate, low, high, p)


def _day_block(findings: Findings, X: np.ndarray) -> np.ndarray:
    """Return the columns behind the model's that are not of middle or reference bakes."""
    roles = findings.residuals.get("role", pd.Series("trial", index=findings.residuals.index))
    marks = [(roles == role).to_numpy(dtype=float) for role in ("control", "centre")]
    behind = range(len(findings.level_df), X.shape[1])
    return np.array(
        [c for c in behind if not any((X[:, c] == mark).all() for mark in marks)], dtype=int
    )


def _same_groups(table: pd.DataFrame, name: str, others: Iterable[str]) -> str:
    """Return the other group that splits the rows in the very same way, or nothing."""
    for other in others:
        if other in table and other != name:
            pairs = len(table[[name, other]].drop_duplicates())
            if pairs == table[name].nunique() == table[other].nunique():
                return kitchen_group(other)
    return ""


def model_places(findings: Findings) -> dict[str, list[int]]:
    """Return the columns of each term.

    Examples
    --------
    >>> model_places.__name__
    'model_places'
    """
    lead = len(findings.level_df) - int(findings.tests["num_df"].sum())
    places, at = {}, lead
    for term, width in zip(findings.tests["term"], findings.tests["num_df"], strict=True):
        places[str(term)] = list(range(at, at + int(width)))
        at += int(width)
    return places


def setting_codes(findings: Findings) -> np.ndarray:
    """Return a number for every row's settings; reference bakes are a setting of their own.

    Examples
    --------
    >>> setting_codes.__name__
    'setting_codes'
    """
    table = findings.residuals
    keys = pd.DataFrame({f"_{n}": table[f.name] for n, f in enumerate(findings.factors)})
    keys["_role"] = table["role"] == "control" if "role" in table else False
    return keys.groupby(list(keys.columns), sort=False, dropna=False).ngroup().to_numpy()


def bake_codes(findings: Findings) -> np.ndarray:
    """Return a number for every row's bake; every row is one where no bake is named.

    Examples
    --------
    >>> bake_codes.__name__
    'bake_codes'
    """
    table = findings.residuals
    if "bake" not in table or table["bake"].isna().any():
        return np.arange(len(table))
    return table.groupby("bake", sort=False).ngroup().to_numpy()


def baking_order(table: pd.DataFrame) -> pd.Series:
    """Return the place of each row's bake: by its number, or by where it first stands.

    Parameters
    ----------
    table : DataFrame
        With a column bake, or every row is a bake.

    Examples
    --------
    >>> baking_order(pd.DataFrame({"bake": ["B10", "B02", "B10"]})).tolist()
    [2.0, 1.0, 2.0]
    >>> baking_order(pd.DataFrame({"bake": ["soft", "crisp"]})).tolist()
    [1.0, 2.0]
    """
    if "bake" not in table or table["bake"].isna().any():
        return pd.Series(np.arange(1.0, len(table) + 1), index=table.index)
    bakes = list(dict.fromkeys(table["bake"].astype(str)))
    parts = [re.fullmatch(r"(.*?)(\d+)", bake) for bake in bakes]
    if all(parts):
        found = [(part.group(1), int(part.group(2))) for part in parts if part]
        rounds = list(dict.fromkeys(prefix for prefix, _ in found))
        keys = {b: (rounds.index(one), n) for b, (one, n) in zip(bakes, found, strict=True)}
        bakes.sort(key=keys.__getitem__)
    place = {bake: float(at) for at, bake in enumerate(bakes, start=1)}
    return table["bake"].astype(str).map(place)


def heeded(checks: Sequence[Check]) -> list[Check]:
    """Return the checks with those that ask for a second look first.

    Examples
    --------
    >>> [one.name for one in heeded([Check("a", ""), Check("b", "", True)])]
    ['b', 'a']
    """
    return sorted(checks, key=lambda one: not one.heed)
