"""What a fit would say without one bake or one taster, or with a column more."""

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from trials.analysis.contrasts import contrasts, effects_table
from trials.analysis.cross_products import RandomTerm, dependent_columns
from trials.analysis.mixed import MixedFit, fit_mixed
from trials.analysis.results import Findings
from trials.analysis.small_sample import SmallSample, small_sample
from trials.design.terms import ModelMatrix, model_matrix
from trials.errors import FitError

MOST_LEFT_OUT = 60  # refits; beyond this many bakes those that stand out most are taken


@dataclass(frozen=True, eq=False)
class Influence:
    """What each refit changed.

    Parameters
    ----------
    table : DataFrame
        left_out, term, level, reference, estimate, before, change, change_in_se, verdict,
        verdict_before; one row per effect and refit.
    carriers : tuple of str
        Without these some effect could not be told at all.
    """

    table: pd.DataFrame = field(repr=False)
    carriers: tuple[str, ...] = ()

    def largest(self) -> pd.Series:
        """Return for each one left out the largest change of any effect, in standard errors."""
        sizes = self.table["change_in_se"].abs().groupby(self.table["left_out"], sort=False)
        return sizes.max()

    def turned(self) -> pd.DataFrame:
        """Return the rows in which leaving one out changes a verdict."""
        changed = self.table["verdict"] != self.table["verdict_before"]
        return self.table[changed].reset_index(drop=True)


def mixed_fit(findings: Findings) -> MixedFit | None:
    """Return the mixed model behind findings; None where no error was measured.

    Examples
    --------
    >>> mixed_fit.__name__
    'mixed_fit'
    """
    return findings.engine.fit if isinstance(findings.engine, SmallSample) else None


def with_columns(findings: Findings, columns: np.ndarray) -> tuple[SmallSample, np.ndarray] | None:
    """Return the fit with more fixed columns and where these stand in it.

    Parameters
    ----------
    findings : Findings
    columns : ndarray, shape (rows, columns)
        Those that say nothing new are left out.

    Returns
    -------
    (SmallSample, ndarray of int) or None
        None when nothing new is left, or no error would be.

    Examples
    --------
    >>> with_columns.__name__
    'with_columns'
    """
    fit = mixed_fit(findings)
    if fit is None:
        return None
    whole = np.hstack([fit.X, columns])
    repeated = dependent_columns(whole)
    kept = [column for column in range(whole.shape[1]) if column not in repeated]
    new = np.flatnonzero(np.array(kept) >= fit.X.shape[1])
    if not len(new) or len(kept) >= len(fit.y):
        return None
    try:
        return _refit(findings, fit.y, whole[:, kept], fit.terms), new
    except FitError:
        return None


def effects_without(findings: Findings, gone: np.ndarray) -> pd.DataFrame | None:
    """Return the effects as they would be without some rows.

    Parameters
    ----------
    findings : Findings
    gone : ndarray of bool, shape (rows,)

    Returns
    -------
    DataFrame or None
        With the columns of findings' effects; None when the other rows can not tell them all.

    Examples
    --------
    >>> effects_without.__name__
    'effects_without'
    """
    fit = mixed_fit(findings)
    if fit is None:
        return None
    matrix = _model(findings)
    columns = _still_told(fit.X[~gone], matrix)
    if columns is None or len(columns) >= (~gone).sum():
        return None
    terms = [_thinned(term, ~gone) for term in fit.terms]
    useful = [term for term in terms if 1 < term.levels < (~gone).sum()]
    try:
        engine = _refit(findings, fit.y[~gone], fit.X[~gone][:, columns], tuple(useful))
    except FitError:
        return None
    found = contrasts(matrix, findings.factors, len(columns))
    return effects_table(found, engine, findings.margin)


def leave_each_out(findings: Findings, column: str, names: list[str] | None = None) -> Influence:
    """Refit without each bake or each taster in turn.

    Parameters
    ----------
    findings : Findings
    column : str
        "bake" or "taster", or any column of the residuals.
    names : list of str, optional
        Which to leave out; all when not given.

    Returns
    -------
    Influence
        Empty where no error was measured, or only one would be left.

    References
    ----------
    Belsley, Kuh & Welsch 1980, Regression Diagnostics, ch. 2 (change of an estimate by one row,
    in its standard errors), here with the variances estimated anew each time.

    Examples
    --------
    >>> from trials.analysis.fitting import fit
    >>> table = pd.DataFrame({"bake": list("ABCDEF"), "rest": [20, 60] * 3,
    ...                       "spread": [60, 63, 61, 64, 62, 75.0]})
    >>> leave_each_out(fit(table, "spread", ["rest"]), "bake").largest().round(1).idxmax()
    'F'
    """
    labels = findings.residuals[column].astype(str)
    every = list(dict.fromkeys(labels)) if names is None else names
    before = findings.effects
    tables, carriers = [], []
    if mixed_fit(findings) is None or labels.nunique() < 2:
        every = []
    for name in every:
        after = effects_without(findings, (labels == name).to_numpy())
        if after is None:
            carriers.append(name)
            continue
        change = after["estimate"] - before["estimate"]
        tables.append(
            after[["term", "level", "reference", "estimate"]].assign(
                left_out=name,
                before=before["estimate"],
                change=change,
                change_in_se=change / before["se"],
                verdict=after["verdict"],
                verdict_before=before["verdict"],
            )
        )
    order = ["left_out", "term", "level", "reference", "estimate", "before", "change"]
    order += ["change_in_se", "verdict", "verdict_before"]
    table = pd.concat(tables, ignore_index=True)[order] if tables else pd.DataFrame(columns=order)
    return Influence(table, tuple(carriers))


def _model(findings: Findings) -> ModelMatrix:
    row = pd.DataFrame([{factor.name: factor.levels[0] for factor in findings.factors}])
    return model_matrix(findings.terms, findings.factors, row)


def _still_told(X: np.ndarray, matrix: ModelMatrix) -> list[int] | None:
    """Return the columns still told apart, blocks giving way; None when an effect is not."""
    lead = int((matrix.owner < 0).sum())
    model = len(matrix.owner)
    order = [*range(lead), *range(model, X.shape[1]), *range(lead, model)]
    repeated = {order[place] for place in dependent_columns(X[:, order])}
    if any(column < model for column in repeated):
        return None
    return [column for column in range(X.shape[1]) if column not in repeated]


def _thinned(term: RandomTerm, kept: np.ndarray) -> RandomTerm:
    codes = np.unique(term.codes[kept], return_inverse=True)[1]
    slope = None if term.slope is None else term.slope[kept]
    return replace(term, codes=codes, slope=slope)


def _refit(
    findings: Findings, y: np.ndarray, X: np.ndarray, terms: tuple[RandomTerm, ...]
) -> SmallSample:
    method = findings.engine.method if isinstance(findings.engine, SmallSample) else "none"
    return small_sample(fit_mixed(y, X, terms), method=method)
