"""Tasters described, never expelled: agreement, repeatability, discrimination, scale, drift."""

import html
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from trials.analysis.influence import Influence, leave_each_out, with_columns
from trials.analysis.model_checks import bake_codes
from trials.analysis.no_error import unit_means
from trials.analysis.results import Findings
from trials.analysis.verdicts import decimals, kitchen_term, readable, rounded, signed
from trials.analysis.wording import few_tasters_note, smallest_shown, unit_of
from trials.errors import FitError
from trials.rounds.round import Round
from trials.rounds.scores import scores
from trials.tables import in_words, tidy_number

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
        same bake); F, num_df, den_df, p (whether bakes differ by more than repeats do); used_low,
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
        said = "".join(f"<p>{html.escape(sentence)}</p>" for sentence in self.sentences)
        shown = self.table[["taster", "scores", "level", "agreement", "repeatability", "spread"]]
        return said + readable(shown).to_html(index=False, border=0, escape=True)


def describe_tasters(findings: Findings, data: Round | pd.DataFrame | None = None) -> Tasters:
    """Describe each taster of a fit: a description, not a mark, and nobody is left out for it.

    Parameters
    ----------
    findings : Findings
    data : Round or DataFrame, optional
        What was fitted; with its column position, drift over the places of a sitting is told.

    Returns
    -------
    Tasters

    Raises
    ------
    FitError
        When no taster is named, or the data are not those of the findings.

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
    table = _scored(findings, data)
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


def _scored(findings: Findings, data: Any) -> pd.DataFrame:
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
            "position": np.nan,
        }
    )
    if data is None:
        return scored
    given = scores(data) if isinstance(data, Round) else pd.DataFrame(data)
    rows = table["row"].to_numpy(dtype=int) - 1
    same = findings.response in given and len(given) > rows.max()
    if same:
        values = pd.to_numeric(given[findings.response], errors="coerce").to_numpy(dtype=float)
        same = bool(np.array_equal(values[rows], scored["score"]))
    if not same:
        raise FitError("the data are not those that the findings come from; give the same table.")
    if "position" in given:
        scored["position"] = given["position"].iloc[rows].astype(float).to_numpy()
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
    both = both[both["position"].notna()].reset_index(drop=True)
    both["apart"] = both["residual"]
    for _, one in both.groupby("taster", sort=False):
        X, y = _around(one)
        both.loc[one.index, "apart"] = y - X @ np.linalg.lstsq(X, y, rcond=None)[0]
    return both[["taster", "position", "apart", "score", "others", "residual"]]


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
    found |= {"num_df": float(len(means) - 1), "den_df": df, "p": _NAN}
    if df > 0:
        found["repeatability"] = float(np.sqrt(within / df))
        if within > 0 and len(means) > 1:
            found["F"] = between / (len(means) - 1) / (within / df)
            found["p"] = float(stats.f.sf(found["F"], len(means) - 1, df))
    return found


def _drift(at: pd.DataFrame) -> tuple[float, float, float]:
    """Return what changes from the first place to the last, by a straight line."""
    if at["position"].nunique() < 3:
        return _NAN, _NAN, _NAN
    X, y = _around(at)
    span = float(np.ptp(at["position"]))
    X = np.column_stack([X, at["position"] / span])
    df = len(y) - X.shape[1]
    if df < 2 or np.linalg.matrix_rank(X) < X.shape[1]:
        return _NAN, _NAN, _NAN
    beta = np.linalg.lstsq(X, y, rcond=None)[0]
    variance = float(np.square(y - X @ beta).sum()) / df * np.linalg.inv(X.T @ X)[-1, -1]
    reach = float(stats.t.ppf(0.975, df)) * float(np.sqrt(variance))
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
        shown = smallest_shown(findings.effects, findings.terms)
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
        between = (
            f"agreement {row.agreement:.2f}, {row.agreement_low:.2f} to {row.agreement_high:.2f}"
        )
        if row.agreement_low > 0:
            close = row.agreement >= CLOSE
            word = "orders the bakes much as the others do" if close else "leans with the others"
        elif row.agreement_high < 0:
            word = "has a taste of its own, against the order of the others"
        else:
            word = "shows no clear agreement with the others"
        parts.append(f"{word} ({between})")
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
    position = table["position"].to_numpy()
    if not np.isfinite(position).all() or len(set(position)) < 3:
        return ""
    column = (position - position.min()) / np.ptp(position) - 0.5
    found = with_columns(findings, column[:, None])
    if found is None:
        return ""
    engine, places = found
    estimate, se, df = engine.estimate(np.eye(len(engine.beta))[places[0]])
    reach = float(stats.t.ppf(0.975, df)) * se if df > 0 else _NAN
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
