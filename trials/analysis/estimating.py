"""The estimates that answer a question, each with the right error, or none where none is left."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from trials.analysis.contrasts import Tester
from trials.analysis.levels import levels_of_terms, unit_words
from trials.analysis.mixed import MixedFit, fit_mixed
from trials.analysis.no_error import KnownErrorFit, exact_fit, is_orthogonal, unit_means
from trials.analysis.preparing import CONTROL, Question
from trials.analysis.repeats import is_of_tasting
from trials.analysis.small_sample import small_sample
from trials.analysis.unreplicated import FEWEST_EFFECTS, lenth
from trials.errors import FitError
from trials.tables import in_words

LENTH = "Lenth's method"


@dataclass(frozen=True, eq=False)
class Estimated:
    """A question with its answer in numbers.

    Parameters
    ----------
    question : Question
    engine : Tester
        Coefficients with their errors.
    variance : DataFrame
        source, variance, sd, share.
    residuals : ndarray, shape (rows,)
        What the model leaves of each score, random groups included.
    method : str
    notes : tuple of str
    error_df : float
        How many bakes are left to measure the error between bakes; infinite where it does not
        come to that.
    """

    question: Question
    engine: Tester
    variance: pd.DataFrame
    residuals: np.ndarray
    method: str
    notes: tuple[str, ...] = ()
    error_df: float = float("inf")


def estimated(asked: Question, method: str) -> Estimated:
    """Return the estimates that answer a question, and the error that each is judged against.

    Parameters
    ----------
    asked : Question
    method : "kenward-roger" or "satterthwaite"

    Returns
    -------
    Estimated

    References
    ----------
    Patterson & Thompson 1971 (REML); Kenward & Roger 1997, Biometrics 53:983; Lenth 1989 where
    every bake was spent on an effect.

    Examples
    --------
    >>> estimated.__name__
    'estimated'
    """
    exact = exact_fit(asked.y, asked.X, asked.groups)
    if exact is not None:
        note = "The scores follow the model exactly: there is no error to judge the effects by."
        return _known(asked, exact, "exact solution", (note,))
    if len(asked.y) <= asked.X.shape[1]:
        return _without_error(asked)
    mixed = fit_mixed(asked.y, asked.X, asked.groups)
    if "bake" in mixed.unidentified:
        return _without_error(_on_bakes(asked))
    lost = [name for name in mixed.unidentified if not is_of_tasting(name)]
    notes = tuple(
        f"No error was measured between {unit_words(name, asked.table, asked.factors)}: "
        "what changes only between them can not be judged. Repeat a setting on another of them."
        for name in lost
    )
    return Estimated(
        question=asked,
        engine=small_sample(mixed, method=method),
        variance=_variance(mixed, asked),
        residuals=mixed.conditional_residuals,
        method=_method_words(mixed, method, asked),
        notes=notes,
        error_df=_error_df(mixed),
    )


def _error_df(mixed: MixedFit) -> float:
    """Return how many bakes are left for the error between bakes."""
    left = mixed.error_df
    return left["bake"] if "bake" in left else left["residual"]


def _method_words(mixed: MixedFit, method: str, asked: Question) -> str:
    if not mixed.terms:
        known = "bake" in asked.table and bool(asked.table["bake"].notna().all())
        units = "one value per bake" if known else "each row taken as a bake of its own"
        return f"ordinary least squares, {units}"
    names = in_words(term.name for term in mixed.terms)
    adjusted = {"kenward-roger": "Kenward-Roger", "satterthwaite": "Satterthwaite"}.get(method, "")
    return f"REML with random {names}; {adjusted} standard errors and degrees of freedom"


def _variance(mixed: MixedFit, asked: Question) -> pd.DataFrame:
    names = [term.name for term in mixed.terms] + [unit_words(None, asked.table).removesuffix("s")]
    values = np.asarray(mixed.variances, dtype=float)
    total = np.nansum(values)
    return pd.DataFrame(
        {
            "source": names,
            "variance": values,
            "sd": np.sqrt(values),
            "share": values / total,
        }
    )


def _known(
    asked: Question,
    engine: KnownErrorFit,
    method: str,
    notes: tuple[str, ...],
    error_df: float = float("inf"),
) -> Estimated:
    empty = pd.DataFrame({"source": [], "variance": [], "sd": [], "share": []})
    left = asked.y - asked.X @ engine.beta
    return Estimated(asked, engine, empty, left, method, notes, error_df)


def _on_bakes(asked: Question) -> Question:
    """Return the question with one row per bake, its mean score as the response."""
    codes = {group.name: group.codes for group in asked.groups}
    crossed = [codes["taster"]] if "taster" in codes else []
    means, first = unit_means(asked.y, codes["bake"], crossed)
    matrix = replace(asked.matrix, X=asked.matrix.X[first])
    proposed = replace(asked.proposed, X=asked.proposed.X[first])
    return replace(
        asked,
        y=means,
        table=asked.table.iloc[first]
        .drop(columns="taster", errors="ignore")
        .reset_index(drop=True),
        matrix=matrix,
        proposed=proposed,
        nuisance=asked.nuisance[first],
        groups=tuple(
            replace(group, codes=group.codes[first])
            for group in asked.groups
            if group.name != "bake" and not is_of_tasting(group.name)
        ),
    )


def _without_error(asked: Question) -> Estimated:
    """Return effects of a plan that spent every bake on an effect, judged by Lenth's method."""
    X = asked.X
    beta = np.linalg.lstsq(X, asked.y, rcond=None)[0]
    cov = np.full((len(beta), len(beta)), np.nan)
    spent = (
        f"All {len(asked.y)} {unit_words(None, asked.table)} are spent on {X.shape[1]} quantities, "
        "so no error was measured."
    )
    levels = levels_of_terms(asked.matrix, asked.groups, silent_rows(asked))
    judged = [
        int(column)
        for term in asked.matrix.terms
        if levels[term.name] is None and len(asked.matrix.of(term)) == 1
        for column in asked.matrix.of(term)
    ]
    if len(judged) >= FEWEST_EFFECTS and is_orthogonal(X[:, judged]):
        length = np.sqrt((X[:, judged[0]] ** 2).mean())
        try:
            found = lenth({asked.matrix.columns[c]: 2 * beta[c] * length for c in judged})
        except FitError as error:
            return _untold(asked, beta, f"{spent} As it happens, {error.message}")
        cov[np.ix_(judged, judged)] = np.diag(np.full(len(judged), (found.pse / length / 2) ** 2))
        note = (
            f"{spent} The table of effects judges each by the smaller ones (Lenth's method: a "
            f"margin of {found.margin:.2g}); repeat a few bakes to measure how alike two bakes are."
        )
        engine = KnownErrorFit(beta, cov, found.df)
        return _known(asked, engine, LENTH, (note,), 0.0)
    return _untold(
        asked, beta, f"{spent} Nothing can be told from chance; repeat some of the settings."
    )


def _untold(asked: Question, beta: np.ndarray, note: str) -> Estimated:
    engine = KnownErrorFit(beta, np.full((len(beta), len(beta)), np.nan), 0.0)
    return _known(asked, engine, "least squares without error", (note,), 0.0)


def silent_rows(asked: Question) -> np.ndarray:
    """Return which rows say nothing of the factors: reference bakes with a level of their own.

    Examples
    --------
    >>> silent_rows.__name__
    'silent_rows'
    """
    if CONTROL in asked.nuisance_names:
        return (asked.table["role"] == "control").to_numpy()
    return np.zeros(len(asked.y), dtype=bool)
