"""Tasters described, never expelled: agreement, repeatability, discrimination, scale, drift."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from trials.analysis.contrasts import contrasts, interval
from trials.analysis.diagnostics import (
    Influence,
    bake_codes,
    leave_each_out,
    mixed_fit,
    with_columns,
)
from trials.analysis.mixed import MixedFit, RandomTerm, fit_mixed
from trials.analysis.no_error import unit_means
from trials.analysis.results import Findings
from trials.analysis.small_sample import SmallSample, small_sample
from trials.analysis.wording import few_tasters_note, smallest_shown, unit_of
from trials.base.arguments import checked_types
from trials.base.errors import FitError
from trials.base.html import answer
from trials.base.words import (
    decimals,
    in_words,
    kitchen_term,
    readable,
    rounded,
    signed,
    tidy_number,
)
from trials.core.factors import Categorical, Component, Factor
from trials.core.roles import Role
from trials.core.terms import model_matrix
from trials.core.verdicts import UPPER

# -- Tasters described, never expelled: agreement, repeatability, discrimination, scale, drift.


CLOSE = 0.6  # a correlation called close (common practice, no source)
FEWEST_BAKES = 4  # with fewer in common, agreement says nothing
_NAN = float("nan")


@dataclass(frozen=True, eq=False)
class Tasters:
    """What the scores say about those who gave them.

    Parameters
    ----------
    response : str
    table : DataFrame
        One row per taster. taster, scores, bakes; level (how far above the others this taster
        scores); agreement, agreement_low, agreement_high (correlation of the bakes' means with
        those of the others, 95 %); repeats, repeatability (standard deviation of scores of the
        same bake); F, df, error_df, p (whether bakes differ by more than repeats do); used_low,
        used_high (lowest and highest score given), spread (standard deviation of the bakes' means
        over the middle taster's); drift, drift_low, drift_high (from the first place of a sitting
        to the last); turns (effects whose verdict would change without this taster).
    bakes : DataFrame
        taster, bake, own (mean score, the taster's level taken out), others (mean of the others).
    places : DataFrame
        taster, position, apart (the score less what the taster makes of such a bake elsewhere),
        score, others, residual.
    influence : Influence
        The effects without each taster.
    sentences : tuple of str
    """

    response: str
    table: pd.DataFrame = field(repr=False)
    bakes: pd.DataFrame = field(repr=False)
    places: pd.DataFrame = field(repr=False)
    influence: Influence = field(repr=False)
    sentences: tuple[str, ...]

    def __repr__(self) -> str:
        return "\n".join(self.sentences)

    def _repr_html_(self) -> str:
        shown = self.table[["taster", "scores", "level", "agreement", "repeatability", "spread"]]
        return answer(self.sentences, [readable(shown)])


@checked_types(FitError)
def describe_tasters(findings: Findings) -> Tasters:
    """Describe each taster of a fit: a description, not a mark, and nobody is left out for it.

    Parameters
    ----------
    findings : Findings
        Where their evidence tells the places of a sitting, drift over them is told.

    Returns
    -------
    Tasters

    Raises
    ------
    FitError
        When no taster is named.

    References
    ----------
    ISO 11132 (discrimination, agreement, repeatability of a panel). Correlations by Fisher's z.

    Examples
    --------
    >>> from trials.analysis.fitting import fit
    >>> table = pd.DataFrame({"bake": list("ABCDEF") * 2, "taster": ["Ada"] * 6 + ["Ben"] * 6,
    ...     "rest": [20, 60] * 6, "liking": [5, 7, 4, 8, 5, 7, 6, 7, 5, 9, 6, 8.0]})
    >>> found = describe_tasters(fit(table, "liking", ["rest"]))
    >>> found.table[["taster", "level", "agreement"]].round(2)
      taster  level  agreement
    0    Ada  -0.42       0.96
    1    Ben   0.42       0.96
    """
    table = _scored(findings)
    own = _own_means(table)
    places = _places(table, own)
    influence = leave_each_out(findings, "taster")
    rows = [_describe(name, table, own, places, influence) for name in own["taster"].unique()]
    described = pd.DataFrame(rows)
    described["spread"] = described["spread"] / described["spread"].median()
    return Tasters(
        response=findings.response,
        table=described,
        bakes=own.drop(columns="level"),
        places=places,
        influence=influence,
        sentences=_sentences(findings, table, described, influence),
    )


def _scored(findings: Findings) -> pd.DataFrame:
    """Return taster, bake, score and, where known, position of every row of the fit."""
    table = findings.residuals
    if "taster" not in table or table["taster"].isna().any():
        raise FitError("no taster is named in these findings; give the table a column taster.")
    bake = table["bake"].astype(str) if "bake" in table else pd.Series(bake_codes(findings))
    scored = pd.DataFrame(
        {
            "taster": table["taster"].astype(str).to_numpy(),
            "bake": bake.to_numpy(),
            "score": table["observed"].to_numpy(dtype=float),
            "residual": table["residual"].to_numpy(dtype=float),
            "place": np.nan,
        }
    )
    known = findings.evidence.table if findings.evidence else None
    if known is not None and "place" in known and pd.api.types.is_numeric_dtype(known["place"]):
        rows = table["row"].to_numpy(dtype=int) - 1
        scored["place"] = known["place"].iloc[rows].astype(float).to_numpy()
    return scored


def _own_means(table: pd.DataFrame) -> pd.DataFrame:
    """Return each taster's mean of each bake and that of the others, levels taken out."""
    bake, taster = (pd.factorize(table[name])[0] for name in ("bake", "taster"))
    crossed = [bake] if len(set(bake)) > 1 else []
    level = unit_means(table["score"].to_numpy(), taster, crossed)[0]
    level = level - level.mean()
    means = table.groupby(["taster", "bake"], sort=False, as_index=False)["score"].mean()
    names = dict(zip(pd.unique(table["taster"]), level, strict=True))
    means["level"] = means["taster"].map(names)
    means["own"] = means["score"] - means["level"]
    whole = means.groupby("bake")["own"]
    total, count = whole.transform("sum"), whole.transform("count")
    others = (total - means["own"]) / (count - 1).where(count > 1)
    return means.assign(others=others).drop(columns="score")


def _places(table: pd.DataFrame, own: pd.DataFrame) -> pd.DataFrame:
    """Return how far each score with a known place lies from what this taster makes of the bake."""
    both = table.merge(own, on=["taster", "bake"], how="left")
    both = both[both["place"].notna()].reset_index(drop=True)
    both["apart"] = both["residual"]
    for _, one in both.groupby("taster", sort=False):
        X, y = _around(one)
        both.loc[one.index, "apart"] = y - X @ np.linalg.lstsq(X, y, rcond=None)[0]
    return both[["taster", "place", "apart", "score", "others", "residual"]]


def _around(one: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return what a taster's scores follow: the others' means, or failing those the model.

    The slope on the others is the taster's own, so that a wide hand or a taste of one's own is
    not taken for a drift.
    """
    ones = np.ones((len(one), 1))
    if one["others"].isna().any() or np.ptp(one["others"]) == 0:
        return ones, one["residual"].to_numpy(dtype=float)
    return np.column_stack([ones, one["others"]]), one["score"].to_numpy(dtype=float)


def _describe(
    name: str,
    table: pd.DataFrame,
    own: pd.DataFrame,
    places: pd.DataFrame,
    influence: Influence,
) -> dict[str, Any]:
    scored = table[table["taster"] == name]
    means = own[own["taster"] == name]
    alone = own["taster"].nunique() == 1
    agreement, low, high = _agreement(means["own"].to_numpy(), means["others"].to_numpy())
    described = {
        "taster": name,
        "scores": len(scored),
        "bakes": len(means),
        "level": _NAN if alone else float(means["level"].iloc[0]),
        "agreement": agreement,
        "agreement_low": low,
        "agreement_high": high,
        **_repeats(scored),
        "used_low": float(scored["score"].min()),
        "used_high": float(scored["score"].max()),
        "spread": float(means["own"].std()) if len(means) > 1 else _NAN,
    }
    at = places[places["taster"] == name]
    drift = dict(zip(("drift", "drift_low", "drift_high"), _drift(at), strict=True))
    turned = influence.turned() if len(influence.table) else influence.table
    terms = turned["term"][turned["left_out"] == name]
    turns = in_words(dict.fromkeys(kitchen_term(str(term)) for term in terms))
    return described | drift | {"turns": turns}


def _agreement(own: np.ndarray, others: np.ndarray) -> tuple[float, float, float]:
    """Return the correlation with the others and its interval; missing when it says nothing."""
    both = np.isfinite(own) & np.isfinite(others)
    own, others = own[both], others[both]
    if len(own) < FEWEST_BAKES or np.ptp(own) == 0 or np.ptp(others) == 0:
        return _NAN, _NAN, _NAN
    r = float(np.clip(np.corrcoef(own, others)[0, 1], -1, 1))
    if len(own) < FEWEST_BAKES + 1 or abs(r) > 1 - 1e-12:
        return r, _NAN, _NAN
    reach = 1.959964 / np.sqrt(len(own) - 3)
    return r, float(np.tanh(np.arctanh(r) - reach)), float(np.tanh(np.arctanh(r) + reach))


def _repeats(scored: pd.DataFrame) -> dict[str, float]:
    """Return how alike repeats are, and whether bakes differ by more."""
    cells = scored.groupby("bake")["score"]
    means, counts = cells.mean(), cells.count()
    within = float(((scored["score"] - cells.transform("mean")) ** 2).sum())
    df = float((counts - 1).sum())
    between = float((counts * (means - scored["score"].mean()) ** 2).sum())
    found = {"repeats": df, "repeatability": _NAN, "F": _NAN}
    found |= {"df": float(len(means) - 1), "error_df": df, "p": _NAN}
    if df > 0:
        found["repeatability"] = float(np.sqrt(within / df))
        if within > 0 and len(means) > 1:
            found["F"] = between / (len(means) - 1) / (within / df)
            found["p"] = float(stats.f.sf(found["F"], len(means) - 1, df))
    return found


def _drift(at: pd.DataFrame) -> tuple[float, float, float]:
    """Return what changes from the first place to the last, by a straight line."""
    if at["place"].nunique() < 3:
        return _NAN, _NAN, _NAN
    X, y = _around(at)
    span = float(np.ptp(at["place"]))
    X = np.column_stack([X, at["place"] / span])
    df = len(y) - X.shape[1]
    if df < 2 or np.linalg.matrix_rank(X) < X.shape[1]:
        return _NAN, _NAN, _NAN
    beta = np.linalg.lstsq(X, y, rcond=None)[0]
    variance = float(np.square(y - X @ beta).sum()) / df * np.linalg.inv(X.T @ X)[-1, -1]
    reach = float(stats.t.ppf(UPPER, df)) * float(np.sqrt(variance))
    return float(beta[-1]), float(beta[-1]) - reach, float(beta[-1]) + reach


def _sentences(
    findings: Findings, table: pd.DataFrame, described: pd.DataFrame, influence: Influence
) -> tuple[str, ...]:
    unit = unit_of(findings.measure)
    names = described["taster"].tolist()
    digits = decimals(findings.residuals["residual"].abs())
    said = [_one(row, unit, digits) for row in described.itertuples()]
    said.append(_noise(findings, described, unit, digits))
    said.append(_place_words(findings, table, unit, digits))
    said.append(_without(described, influence))
    if len(names) <= 2:
        shown = smallest_shown(findings.spoken, findings.terms)
        said.append(few_tasters_note(names, findings.measure, shown))
    return tuple(one for one in said if one)


def _one(row: Any, unit: str, digits: int) -> str:
    parts = []
    if np.isfinite(row.level):
        side = "above" if row.level > 0 else "below"
        parts.append(
            f"scores {rounded(abs(row.level), digits)}{unit} {side} the middle of all tasters"
        )
    if np.isfinite(row.agreement_low):
        if row.agreement_low > 0:
            close = row.agreement >= CLOSE
            word = "orders the bakes much as the others do" if close else "leans with the others"
        elif row.agreement_high < 0:
            word = "has a taste of its own, against the order of the others"
        else:
            word = "shows no clear agreement with the others"
        parts.append(word)
    low, high = (tidy_number(end, 3) for end in (row.used_low, row.used_high))
    parts.append(f"uses {low} to {high} of the scale" if low != high else f"always scores {low}")
    if row.repeats > 0:
        count = f"{row.repeats:.0f} repeat{'s' if row.repeats > 1 else ''}"
        parts.append(f"repeats itself within {rounded(row.repeatability, digits)}{unit} ({count})")
    if np.isfinite(row.p):
        parts.append("tells bakes apart" if row.p < 0.05 else "does not surely tell bakes apart")
    if np.isfinite(row.drift) and (row.drift_low > 0 or row.drift_high < 0):
        moved = f"{signed(row.drift, digits)}{unit} from the first piece of a sitting to the last"
        parts.append(f"drifts by {moved}")
    return f"{row.taster} {in_words(parts)}."


def _noise(findings: Findings, described: pd.DataFrame, unit: str, digits: int) -> str:
    """Part the noise of tasters from that of bakes, by hidden repeats."""
    df = described["repeats"].sum()
    if df == 0:
        return (
            "Nobody tasted a bake twice, so a taster's own noise can not be told from a taste of "
            "its own; hide a repeat or two in each sitting."
        )
    pooled = np.sqrt((described["repeatability"].fillna(0) ** 2 * described["repeats"]).sum() / df)
    said = f"Hidden repeats put a taster's own noise at {rounded(pooled, digits)}{unit}"
    bake = findings.spread.get("bake")
    tail = ""
    if bake is not None:
        tail = f"; bakes of one setting differ by {rounded(np.sqrt(bake), digits)}{unit}"
    return f"{said}{tail}. Repeats count for no person and no bake."


def _place_words(findings: Findings, table: pd.DataFrame, unit: str, digits: int) -> str:
    """Say what the whole panel drifts by from the first place to the last."""
    position = table["place"].to_numpy()
    if not np.isfinite(position).all() or len(set(position)) < 3:
        return ""
    column = (position - position.min()) / np.ptp(position) - 0.5
    found = with_columns(findings, column[:, None])
    if found is None:
        return ""
    engine, places = found
    estimate, se, df = engine.estimate(np.eye(len(engine.beta))[places[0]])
    reach = float(stats.t.ppf(UPPER, df)) * se if df > 0 else _NAN
    between = f"{signed(estimate - reach, digits)} to {signed(estimate + reach, digits)}"
    size = (
        f"{signed(estimate, digits)}{unit} ({between}) from the first place of a sitting to "
        "the last"
    )
    if not abs(estimate) > reach:
        return f"All tasters together: {size}, no more than chance."
    return f"All tasters together drift by {size}; orders that differ keep it out of the effects."


def _without(described: pd.DataFrame, influence: Influence) -> str:
    if influence.table.empty:
        return ""
    turning = described[described["turns"] != ""]
    if turning.empty:
        return "No verdict would change without any one taster."
    each = [f"{row.taster} ({row.turns})" for row in turning.itertuples()]
    hangs = "it hangs on one person's taste" if len(each) == 1 else "it is a near thing"
    return f"A verdict would change without {in_words(each, 'or')}: {hangs}."


# -- Does everyone agree about a factor? Slopes or views of it that differ by taster.


LIMIT = 0.05


@dataclass(frozen=True, eq=False)
class Agreement:
    """Whether tasters agree about one factor.

    Parameters
    ----------
    factor, response : str
    sd : float
        How much the effect differs from taster to taster, as a standard deviation, response units.
    p : float
        Of no difference at all.
    effects : DataFrame
        level, reference, estimate, se, df, low, high, p: the mean effect, judged with the
        disagreement in mind.
    tasters : DataFrame
        taster, level, reference, effect: as predicted for each, drawn towards the mean by as much
        as few scores deserve.
    sentences : tuple of str
    """

    factor: str
    response: str
    sd: float
    p: float
    effects: pd.DataFrame = field(repr=False)
    tasters: pd.DataFrame = field(repr=False)
    sentences: tuple[str, ...]

    def __repr__(self) -> str:
        return "\n".join(self.sentences)

    def _repr_html_(self) -> str:
        return answer(self.sentences, [readable(self.tasters)])


@checked_types(FitError)
def agreement_on(findings: Findings, factor: str) -> Agreement:
    """Ask whether everyone agrees about a factor, by giving each taster an effect of their own.

    Parameters
    ----------
    findings : Findings
        Of a table with tasters.
    factor : str

    Returns
    -------
    Agreement

    Raises
    ------
    FitError
        When no taster is named, fewer than three tasted, or the factor has no effect of its own
        in the model.

    References
    ----------
    Laird & Ware 1982, Biometrics 38:963 (random slopes); Self & Liang 1987, JASA 82:605 (the test
    of a variance at its limit: half the tail of chi-square on 1 df).
    """
    fit, chosen = _asked(findings, factor)
    own = _own_term(findings, chosen)
    try:
        wider = fit_mixed(fit.y, fit.X, (*fit.terms, own), method=fit.method)
    except FitError:
        raise FitError(
            f'one score per taster at each setting of "{factor}" does not tell a taste of one\'s '
            "own from noise; let tasters meet each setting in several bakes."
        ) from None
    gain = max(2 * (wider.loglik - fit.loglik), 0.0)
    p = float(stats.chi2.sf(gain, 1) / 2) if gain > 0 else 1.0
    method = findings.engine.method if isinstance(findings.engine, SmallSample) else "none"
    engine = small_sample(wider, method=method)
    effects = _effects(findings, factor, engine)
    scale = _scale(chosen, own)
    sd = float(np.sqrt(wider.variances[-2])) * scale
    tasters = _each_taster(findings, chosen, wider, own, effects)
    said = _agreement_sentences(findings, factor, sd, p, effects, tasters)
    return Agreement(factor, findings.response, sd, p, effects, tasters, said)


def _asked(findings: Findings, factor: str) -> tuple[MixedFit, Factor]:
    chosen = next((one for one in findings.factors if one.name == factor), None)
    if chosen is None:
        known = in_words((one.name for one in findings.factors), "or")
        raise FitError(f'there is no factor "{factor}"; expected {known}.')
    if isinstance(chosen, Component) or factor not in set(findings.effects["term"]):
        raise FitError(f'"{factor}" has no effect of its own in this model.')
    table = findings.residuals
    if "taster" not in table or table["taster"].nunique() < 3:
        raise FitError("whether everyone agrees takes three tasters or more.")
    fit = mixed_fit(findings)
    if fit is None:
        raise FitError("no error was measured, so no disagreement can be told from noise.")
    return fit, chosen


def _own_term(findings: Findings, factor: Factor) -> RandomTerm:
    """Return each taster's own effect: a slope, or for three kinds and more a view of each."""
    table = findings.residuals
    taster = pd.factorize(table["taster"])[0]
    coded = factor.code(table[factor.name])
    if not isinstance(factor, Categorical):
        slope = np.asarray(coded, dtype=float)
    elif len(factor.levels) == 2:
        slope = 2.0 * np.asarray(coded) - 1
    else:
        pairs = taster * len(factor.levels) + np.asarray(coded)
        return RandomTerm(f"taster/{factor.name}", np.unique(pairs, return_inverse=True)[1])
    if "role" in table:  # a reference bake is a setting of its own
        slope = np.where(table["role"] == Role.REFERENCE, 0.0, slope)
    return RandomTerm(f"taster:{factor.name}", taster, slope)


def _scale(factor: Factor, own: RandomTerm) -> float:
    """Return how many standard deviations of the term a difference of two levels holds."""
    return 2.0 if own.slope is not None else float(np.sqrt(2))


def _effects(findings: Findings, factor: str, engine: SmallSample) -> pd.DataFrame:
    row = pd.DataFrame([{one.name: one.levels[0] for one in findings.factors}])
    matrix = model_matrix(findings.terms, findings.factors, row)
    rows = []
    for one in contrasts(matrix, findings.factors, len(engine.beta)):
        if one.term.name == factor:
            estimate, se, df = engine.estimate(one.weights)
            rows.append((one.level, one.reference, estimate, se, df, *interval(estimate, se, df)))
    names = ["level", "reference", "estimate", "se", "df", "low", "high", "p"]
    return pd.DataFrame(rows, columns=names)


def _each_taster(
    findings: Findings, factor: Factor, fit: MixedFit, own: RandomTerm, effects: pd.DataFrame
) -> pd.DataFrame:
    table, blups = findings.residuals, fit.blups[own.name]
    names = list(dict.fromkeys(table["taster"].astype(str)))
    if own.slope is not None:
        one = effects.iloc[0]
        added = 2 * blups
        frame = {"level": one["level"], "reference": one["reference"]}
        return pd.DataFrame({"taster": names, **frame, "effect": one["estimate"] + added})
    label = table["taster"].astype(str) + "\n" + table[factor.name].map(factor.show)
    first = np.unique(own.codes, return_index=True)[1]
    view = dict(zip(label.iloc[first], blups, strict=True))
    rows = []
    for name in names:
        for one in effects.itertuples():
            high, low = (view.get(f"{name}\n{kind}", np.nan) for kind in (one.level, one.reference))
            rows.append((name, one.level, one.reference, one.estimate + high - low))
    return pd.DataFrame(rows, columns=["taster", "level", "reference", "effect"])


def _agreement_sentences(
    findings: Findings,
    factor: str,
    sd: float,
    p: float,
    effects: pd.DataFrame,
    tasters: pd.DataFrame,
) -> tuple[str, ...]:
    unit = unit_of(findings.measure)
    digits = decimals(effects["se"])
    said = []
    if p < LIMIT:
        said.append(
            f"Tasters do not agree about {factor}: its effect differs by a standard deviation of "
            f"{rounded(sd, digits)}{unit} from one to the next, more than chance brings about."
        )
    elif sd > 0:
        said.append(
            f"Nothing shows that tasters disagree about {factor}: its effect differs by "
            f"{rounded(sd, digits)}{unit} from one to the next, no more than chance brings about."
        )
    else:
        said.append(f"Tasters agree about {factor} as far as these scores can tell.")
    for one in effects.itertuples():
        between = f"({signed(one.low, digits)} to {signed(one.high, digits)})"
        size = f"{signed(one.estimate, digits)}{unit} {between}"
        own = tasters[tasters["level"] == one.level]["effect"]
        turn = int((np.sign(own) != np.sign(one.estimate)).sum())
        some = f"; for {turn} of {len(own)} it goes the other way" if p < LIMIT and turn else ""
        what = f"{factor[:1].upper()}{factor[1:]}, {one.level} over {one.reference}"
        said.append(f"{what}, for the middle of all tasters: {size}{some}.")
    return tuple(said)
