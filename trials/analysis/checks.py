"""Checks of a fit: what is left over, who decides, what drifted, what was not as planned."""

import html
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import stats

from trials.analysis.fitting import fit
from trials.analysis.influence import MOST_LEFT_OUT, Influence, leave_each_out, mixed_fit
from trials.analysis.model_checks import (
    Check,
    bake_codes,
    baking_drift,
    baking_order,
    curvature,
    day_differences,
    heeded,
    lack_of_fit,
    other_scale,
    ranks_agree,
)
from trials.analysis.no_error import unit_means
from trials.analysis.results import Findings
from trials.analysis.verdicts import decimals, kitchen_term, readable, signed
from trials.errors import FitError
from trials.rounds.round import Round, read_actual
from trials.rounds.scores import scores
from trials.tables import in_words

FAR_OUT = 3.5  # robust standard deviations
FEWEST_FOR_TAILS = 20
_LISTED = 4


@dataclass(frozen=True, eq=False)
class Checks:
    """What a look behind a fit found.

    Parameters
    ----------
    response : str
    table : DataFrame
        check, heed, value, low, high, p, said; what asks for a second look first.
    bakes : DataFrame
        bake, order, day, residual (of the bake's mean, tasters apart), far_out, leverage (0 to 1:
        how much the model follows this bake alone), influence (the largest change of an effect
        without it, in standard errors), turns (effects whose verdict it decides).
    levels : DataFrame
        source, level, value: what each day, load, bake and taster adds, as predicted.
    sentences : tuple of str
    """

    response: str
    table: pd.DataFrame = field(repr=False)
    bakes: pd.DataFrame = field(repr=False)
    levels: pd.DataFrame = field(repr=False)
    sentences: tuple[str, ...]

    def __repr__(self) -> str:
        return "\n".join(self.sentences)

    def _repr_html_(self) -> str:
        said = "".join(f"<li>{html.escape(sentence)}</li>" for sentence in self.sentences)
        shown = readable(self.bakes)
        return f"<ul>{said}</ul>{shown.to_html(index=False, border=0, escape=True)}"


def checks(findings: Findings, round_: Round | None = None) -> Checks:
    """Look behind a fit: residuals, influence, fit, drift, days, ranks, scale.

    Parameters
    ----------
    findings : Findings
    round_ : Round, optional
        The round they come from, to hold planned settings against those really made.

    Returns
    -------
    Checks

    References
    ----------
    Iglewicz & Hoaglin 1993, How to Detect and Handle Outliers (robust distance, 3.5); Anscombe &
    Glynn 1983, Biometrika 70:227 (heavy tails); Conover & Iman 1981, Am. Stat. 35:124 (ranks);
    Box & Cox 1964; lack of fit against pure error as in Box & Draper 1987, ch. 3.

    Examples
    --------
    >>> table = pd.DataFrame({"bake": list("ABCDEFGH"), "rest": [20, 60] * 4,
    ...                       "spread": [60, 63, 61, 64, 62, 75, 60, 62.0]})
    >>> found = checks(fit(table, "spread", ["rest"]))
    >>> found.bakes.loc[found.bakes["far_out"], "bake"].tolist()
    ['F']
    """
    bakes = _bakes(findings)
    influence = _influence(findings, bakes)
    bakes = _with_influence(bakes, influence)
    found = [
        lack_of_fit(findings),
        curvature(findings),
        baking_drift(findings),
        day_differences(findings),
        _outliers(bakes),
        _lone_scores(findings),
        _tails(findings),
        ranks_agree(findings),
        other_scale(findings),
        _who_decides(influence, averaged=findings.told is not None),
        _as_planned(findings, round_) if round_ is not None else None,
    ]
    known = heeded([one for one in found if one is not None])
    rows = [(c.name, c.heed, c.value, c.low, c.high, c.p, c.said) for c in known]
    names = ["check", "heed", "value", "low", "high", "p", "said"]
    return Checks(
        response=findings.response,
        table=pd.DataFrame(rows, columns=names),
        bakes=bakes,
        levels=level_residuals(findings),
        sentences=tuple(c.said for c in known),
    )


def level_residuals(findings: Findings) -> pd.DataFrame:
    """Return what each day, load, bake and taster adds to the model, as predicted.

    Parameters
    ----------
    findings : Findings

    Returns
    -------
    DataFrame
        source, level, value; empty where the fit has no random groups.

    References
    ----------
    Robinson 1991, Stat. Sci. 6:15 (best linear unbiased prediction).

    Examples
    --------
    >>> level_residuals.__name__
    'level_residuals'
    """
    model = mixed_fit(findings)
    tables = []
    for term in model.terms if model else ():
        names = _level_names(findings.residuals, term.name, term.codes)
        frame = {"source": term.name, "level": names, "value": model.blups[term.name]}  # type: ignore[union-attr]
        tables.append(pd.DataFrame(frame))
    if not tables:
        return pd.DataFrame({"source": [], "level": [], "value": []})
    return pd.concat(tables, ignore_index=True)


def _level_names(table: pd.DataFrame, group: str, codes: np.ndarray) -> list[str]:
    first = np.unique(codes, return_index=True)[1]
    columns = [group] if group in table else group.split("/")
    if not set(columns) <= set(table.columns):
        return [str(code + 1) for code in range(len(first))]
    return [", ".join(str(table[name].iloc[row]) for name in columns) for row in first]


def _bakes(findings: Findings) -> pd.DataFrame:
    """Return the residual and leverage of every bake, tasters' levels taken out."""
    table, codes = findings.residuals, bake_codes(findings)
    first = np.unique(codes, return_index=True)[1]
    model = mixed_fit(findings)
    left = model.residuals if model else table["residual"].to_numpy(dtype=float)
    named = "taster" in table and table["taster"].notna().all() and table["taster"].nunique() > 1
    tasters = [pd.factorize(table["taster"])[0]] if named else []
    residual = unit_means(left, codes, tasters)[0]
    label = table["bake"] if "bake" in table else table["row"]
    frame = pd.DataFrame(
        {
            "bake": label.iloc[first].astype(str).to_numpy(),
            "order": baking_order(table).iloc[first].to_numpy(),
            "day": table["day"].iloc[first].to_numpy() if "day" in table else 1,
            "residual": residual - np.median(residual) if tasters else residual,
            "leverage": _leverage(model.X, codes) if model else np.nan,
        }
    )
    frame["far_out"] = np.abs(_robust(frame["residual"].to_numpy())) > FAR_OUT
    return frame.sort_values("order", kind="stable", ignore_index=True)


def _leverage(X: np.ndarray, codes: np.ndarray) -> np.ndarray:
    rows = pd.DataFrame(X).groupby(codes).mean().to_numpy()
    q, r = np.linalg.qr(rows)
    told = np.abs(np.diag(r)) > 1e-9 * np.abs(np.diag(r)).max()
    return np.square(q[:, told]).sum(axis=1)


def _robust(values: np.ndarray) -> np.ndarray:
    """Return distances from the median in robust standard deviations; zeros without spread."""
    middle = np.median(values)
    spread = stats.median_abs_deviation(values, scale="normal")
    if spread <= 1e-9 * np.abs(values - middle).max(initial=0):
        return np.zeros(len(values))
    return (values - middle) / spread


def _influence(findings: Findings, bakes: pd.DataFrame) -> Influence:
    if "bake" not in findings.residuals:
        return Influence(pd.DataFrame({"left_out": [], "change_in_se": []}))
    apart = np.abs(bakes["residual"]).rank() + bakes["leverage"].rank()
    order = apart.sort_values(ascending=False, kind="stable").index[:MOST_LEFT_OUT]
    return leave_each_out(findings, "bake", bakes["bake"].loc[order.sort_values()].tolist())


def _with_influence(bakes: pd.DataFrame, influence: Influence) -> pd.DataFrame:
    if influence.table.empty:
        return bakes.assign(influence=np.nan, turns="")
    turned = influence.turned()
    terms = {
        name: in_words(dict.fromkeys(kitchen_term(str(term)) for term in own["term"]))
        for name, own in turned.groupby("left_out")
    }
    largest: Mapping[str, float] = influence.largest().to_dict()
    return bakes.assign(
        influence=[round(largest.get(bake, np.nan), 9) for bake in bakes["bake"]],
        turns=[terms.get(bake, "") for bake in bakes["bake"]],
    )


def _outliers(bakes: pd.DataFrame) -> Check:
    far = bakes[bakes["far_out"]]
    if far.empty:
        return Check("bakes far out", "No bake lies far from what the model expects of it.")
    digits = decimals(pd.Series([bakes["residual"].std()]))
    named = [
        f"{row.bake} ({signed(float(row.residual), digits)})"
        for row in far.head(_LISTED).itertuples()
    ]
    said = f"Far from what the model expects: {in_words(named)}. Was anything else different there?"
    return Check("bakes far out", said, True, float(len(far)))


def _lone_scores(findings: Findings) -> Check | None:
    table = findings.residuals
    if "taster" not in table or mixed_fit(findings) is None:
        return None
    far = table[np.abs(_robust(table["residual"].to_numpy(dtype=float))) > FAR_OUT]
    if far.empty:
        return Check("scores far out", "No single score lies far from the rest.")
    named = [f"{row.taster} on {row.bake}" for row in far.head(_LISTED).itertuples()]
    more = f" and {len(far) - _LISTED} more" if len(far) > _LISTED else ""
    said = f"Scores far from the rest: {in_words(named)}{more}. Look whether they were meant."
    return Check("scores far out", said, True, float(len(far)))


def _tails(findings: Findings) -> Check | None:
    left = findings.residuals["residual"].to_numpy(dtype=float)
    if len(left) < FEWEST_FOR_TAILS or np.ptp(left) == 0 or mixed_fit(findings) is None:
        return None
    excess = float(stats.kurtosis(left))
    p = float(stats.kurtosistest(left).pvalue)
    heavy = p < 0.01 and excess > 0
    said = (
        f"What is left has heavy tails (excess {excess:.1f}): a few extreme values weigh much."
        if heavy
        else "What is left spreads much as chance does: no heavy tails."
    )
    return Check("heavy tails", said, heavy, excess, p=p)


def _who_decides(influence: Influence, *, averaged: bool) -> Check | None:
    if influence.table.empty and not influence.carriers:
        return None
    turned = influence.turned() if len(influence.table) else influence.table
    names = list(dict.fromkeys(turned["left_out"]))
    said = []
    if influence.carriers:
        said.append(
            f"Without {in_words(influence.carriers, 'or')} some effect could not be told at all."
        )
    if names:
        many = len(names) > _LISTED
        listed = [*names[:_LISTED], f"{len(names) - _LISTED} others"] if many else names
        terms = in_words(dict.fromkeys(kitchen_term(str(term)) for term in turned["term"]))
        where = " in the table of effects" if averaged else ""
        hangs = "it hangs on one bake" if len(names) == 1 else "it is a near thing"
        said.append(
            f"Without {in_words(listed, 'or')} the verdict on {terms}{where} would change: {hangs}."
        )
    words = " ".join(said) or "No verdict hangs on a single bake."
    return Check("single bakes", words, bool(said), float(len(names)))


def _as_planned(findings: Findings, round_: Round) -> Check:
    """Say which settings were not as planned, and what a fit on the planned ones would change."""
    actual = read_actual(round_)
    plan = round_.plan
    changed = [
        f"{row['bake']} {factor.name} {factor.show(factor.read(row[factor.name]))}"
        for _, row in actual.iterrows()
        for factor in plan.factors
        if row[factor.name] != ""
    ]
    if not changed:
        return Check("as planned", "Every bake was made as planned.")
    more = f" and {len(changed) - _LISTED} more" if len(changed) > _LISTED else ""
    said = f"Not as planned: {in_words(changed[:_LISTED])}{more}; the fit uses what was really done"
    turned = _turned_by_plan(findings, round_)
    heed = bool(turned)
    tail = f"; by the planned settings {in_words(turned)} would be judged otherwise" if heed else ""
    return Check("as planned", f"{said}{tail}.", heed, float(len(changed)))


def _turned_by_plan(findings: Findings, round_: Round) -> list[str]:
    terms = [term.name for term in findings.terms]
    planned = scores(round_, actual=False)
    try:
        other = fit(
            planned, findings.response, findings.factors, model=terms, measure=findings.measure
        )
    except FitError:
        return []
    both = findings.effects.merge(other.effects, on=["term", "level"], suffixes=("", "_planned"))
    turned = both[both["verdict"] != both["verdict_planned"]]
    return list(dict.fromkeys(kitchen_term(str(term)) for term in turned["term"]))
