"""Many effects at once: a cap on the share of discoveries that are false."""

from collections.abc import Mapping
from typing import Any

import pandas as pd
from scipy import stats

from trials.analysis.results import Findings
from trials.analysis.simultaneous import false_discovery_p
from trials.analysis.verdicts import NOT_SETTLED, TOO_SMALL, verdict
from trials.errors import FitError


def controlled(findings: Findings | Mapping[str, Findings], *, share: float = 0.05) -> pd.DataFrame:
    """Return the effects with a cap on the share of false discoveries among all of them.

    Parameters
    ----------
    findings : Findings or mapping of measure name to Findings
        All effects of all measures count together.
    share : float
        The share of discoveries that may be false, on average.

    Returns
    -------
    DataFrame
        response, term, level, reference, estimate, p, p_controlled, stands (a difference from
        nothing that is still there), low, high (intervals widened for the choice of those that
        stand; missing for the others) and verdict, which is "not settled" for what does not stand
        unless it is too small to matter.

    Raises
    ------
    FitError
        When the share is not between 0 and 1.

    References
    ----------
    Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57:289; intervals: Benjamini & Yekutieli 2005,
    JASA 100:71.

    Examples
    --------
    >>> controlled.__name__
    'controlled'
    """
    if not 0 < share < 1:
        raise FitError(f"share is {share}; a number between 0 and 1 was expected, such as 0.05.")
    every = findings if isinstance(findings, Mapping) else {findings.response: findings}
    tables = [one.effects.assign(response=name, margin=one.margin) for name, one in every.items()]
    table = pd.concat(tables, ignore_index=True)
    table["p_controlled"] = false_discovery_p(table["p"].to_numpy(dtype=float))
    table["stands"] = table["p_controlled"] <= share
    confidence = 1 - share * table["stands"].sum() / max(table["p"].notna().sum(), 1)
    reach = stats.t.ppf((1 + confidence) / 2, table["df"]) * table["se"]
    table["low"] = (table["estimate"] - reach).where(table["stands"])
    table["high"] = (table["estimate"] + reach).where(table["stands"])
    table["verdict"] = [_controlled_verdict(row) for row in table.itertuples()]
    names = ["response", "term", "level", "reference", "estimate", "p", "p_controlled"]
    return table[[*names, "stands", "low", "high", "verdict"]]


def _controlled_verdict(row: Any) -> str:
    if row.stands:
        margin = None if pd.isna(row.margin) else row.margin
        return verdict(row.low, row.high, margin)
    return TOO_SMALL if row.verdict == TOO_SMALL else NOT_SETTLED
