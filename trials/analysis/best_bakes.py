"""The bakes in the order of what a repeat is expected to score, with what they did score.

The best of several bakes was lucky as a rule: baked again it comes out lower. What a repeat is
expected to score is therefore what the explanations that stand say of its setting, drawn towards
the others by as much as bakes differ by chance, and the interval holds for the bake on top too.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.draws import expected_draws, one_more
from trials.analysis.kitchen_error import KitchenError
from trials.analysis.question import is_of_tasting
from trials.analysis.results import Findings, bakes_drawn, spread_left
from trials.analysis.wording import unit_of
from trials.base.words import figure, in_words
from trials.core.factors import Factor, is_blank
from trials.core.roles import Role
from trials.core.verdicts import CONFIDENCE

COLUMNS = ("bake", "settings", "mean", "low", "high", "scores", "status", "reason")
NAMED = 3  # bakes that the sentence names
BEST_SO_FAR = "Best bake so far"  # how it begins


def error_again(
    findings: Findings, kitchen: KitchenError | None, error_df: float
) -> tuple[float, float]:
    """Return the variance of the mean score of one bake made again, and its degrees of freedom."""
    rows = findings.bakes_scored()
    known = "bake" in rows and bool(rows["bake"].notna().all())
    observed = rows.groupby("bake", sort=False)["observed"].mean() if known else rows["observed"]
    spread, scores = findings.spread, len(findings.residuals) / max(len(observed), 1)
    of_bakes = [v for name, v in spread.items() if not is_of_tasting(name)]
    of_scores = [v for name, v in spread.items() if is_of_tasting(name) and name != "taster"]
    df = error_df if np.isfinite(error_df) else 0.0
    measured = sum(of_bakes) + sum(of_scores) / scores if spread and df > 0 else None
    if kitchen is None:
        if measured is not None:
            return measured, df
        first = rows.drop_duplicates("bake") if known else rows
        return spread_left(observed.to_numpy(), expected_draws(findings, first))
    held = (df if measured is not None else 0.0) * (measured or 0.0)
    df = df if measured is not None else 0.0
    return (held + kitchen.df * kitchen.variance) / (df + kitchen.df), df + kitchen.df


def bake_table(findings: Findings) -> pd.DataFrame:
    """Return the bakes, the best to repeat first and those that gave no score last.

    References
    ----------
    Robinson 1991, Stat. Sci. 6:15 (why what is best so far is to be drawn towards the rest).
    """
    rows = findings.residuals
    if "bake" not in rows or rows["bake"].isna().any():
        return pd.DataFrame(columns=list(COLUMNS))
    first = rows.drop_duplicates("bake").reset_index(drop=True)
    scores = rows.groupby("bake", sort=False)["observed"].apply(tuple)
    trial = np.ones(len(first), dtype=bool)
    if "role" in first:
        trial = (first["role"] != Role.REFERENCE).to_numpy()
    table = first[["bake"]].assign(
        settings=[_words(row, findings.factors) for _, row in first.iterrows()],
        mean=np.nan,
        low=np.nan,
        high=np.nan,
        scores=[scores[bake] for bake in first["bake"]],
        status="made",
        reason="",
    )
    edges = ((1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2)
    observed = rows.groupby("bake", sort=False)["observed"].mean().to_numpy()
    if trial.any():
        expected = expected_draws(findings, first[trial])
        assert findings.again is not None
        own = findings.again
        reach = one_more(findings, first[trial])
        low, high = reach["new_low"].to_numpy(), reach["new_high"].to_numpy()
        wide = high > low
        table.loc[trial, "mean"] = expected.mean(axis=1)
        table.loc[trial, "low"] = np.where(wide, low, np.nan)
        table.loc[trial, "high"] = np.where(wide, high, np.nan)
        if not trial.all():
            # Reference bakes are repeats of one another, and of nothing else
            mean, count = observed[~trial].mean(), int((~trial).sum())
            one = np.full((1, expected.shape[1]), mean)
            again = bakes_drawn(one, (own[0] * (1 + 1 / count), own[1]))
            low, high = np.quantile(again[0], edges)
            table.loc[~trial, ["mean", "low", "high"]] = mean, low, high
    measure = findings.measure
    if measure is not None:
        told = ["mean", "low", "high"]
        table[told] = measure.on_scale(table[told])
    # Of settings that are expected alike the bake that came out better stands first
    scored = _badness(findings, table["scores"].map(np.mean).astype(float))
    table = table.iloc[np.lexsort([scored, _badness(findings, table["mean"]).round(9)])]
    return pd.concat([table, _without(findings)], ignore_index=True)[list(COLUMNS)]


def _badness(findings: Findings, mean: pd.Series) -> np.ndarray:
    """Return a number for each bake, the less the better by the goal of the measure."""
    goal = findings.measure.goal if findings.measure else None
    values = mean.to_numpy(dtype=float)
    if goal == "lower":
        return values
    if isinstance(goal, tuple) and goal[0] == "target":
        return np.asarray(np.maximum(np.abs(values - goal[1]) - goal[2], 0))
    if isinstance(goal, tuple):
        return np.asarray(np.maximum(np.maximum(goal[1] - values, values - goal[2]), 0))
    return -values


def _without(findings: Findings) -> pd.DataFrame:
    """Return the bakes that gave no score, with their reasons."""
    failed = findings.failed
    rows = [
        {
            "bake": row["bake"],
            "settings": _words(row, findings.factors),
            "mean": np.nan,
            "low": np.nan,
            "high": np.nan,
            "scores": (),
            "status": row["status"],
            "reason": "" if is_blank(row.get("reason", "")) else str(row["reason"]),
        }
        for _, row in failed.iterrows()
    ]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _words(row: pd.Series, factors: Sequence[Factor]) -> str:
    named: list[str] = []
    for factor in factors:
        value: Any = row.get(factor.name)
        if not is_blank(value):
            named.append(f"{factor.name} {factor.show(value)}")
    return ", ".join(named)


def best_bakes(findings: Findings) -> str:
    """Return one sentence on the best bakes so far; empty without a goal or bakes."""
    measure, made = findings.measure, findings.bakes
    if measure is None or measure.goal is None or made.empty:
        return ""
    made = made[made["status"] == "made"].head(NAMED)
    if made.empty:
        return ""
    unit = unit_of(measure)
    said: list[str] = []
    for row in made.itertuples():
        scored = f"{figure(float(np.mean(row.scores)))}{unit}"
        expect = figure(row.mean)
        known = np.isfinite(row.low) and not said
        reach = f" ({figure(row.low)} to {figure(row.high)})" if known else ""
        said.append(f"{row.bake} scored {scored}; expect about {expect} again{reach}")
    first = made.iloc[0]
    parent = _parent(findings, first["settings"])
    then = f" Then {in_words(said[1:])}." if said[1:] else ""
    best = f"{BEST_SO_FAR} for {measure.name}: {said[0]}. It was {parent}{first['settings']}.{then}"
    return f"{best}{_order_words(findings)}"


def _order_words(findings: Findings) -> str:
    """Return why a bake stands below one that scored less, where any does."""
    made = findings.bakes[findings.bakes["status"] == "made"]
    scored = _badness(findings, made["scores"].map(np.mean).astype(float)).round(9)
    above = next((n for n in range(min(NAMED, len(made))) if scored[n:].min() < scored[n]), None)
    if above is None:
        return ""
    below = int(above + np.argmin(scored[above:]))
    upper, lower = made.iloc[above], made.iloc[below]
    return (
        f" They stand in the order of what a repeat is expected to score: {upper['bake']} above "
        f"{lower['bake']}, which scored {figure(float(np.mean(lower['scores'])))}, because all "
        "bakes together speak for its setting, and a single score is partly luck."
    )


def _parent(findings: Findings, settings: str) -> str:
    """Return the name of the parent that has these settings, as what goes before them."""
    known = findings.evidence.parents if findings.evidence is not None else {}
    named = {_words(pd.Series(own), findings.factors): name for name, own in known.items()}
    return f"{named[settings]}: " if settings in named else ""
