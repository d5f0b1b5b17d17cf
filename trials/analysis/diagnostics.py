"""How far to trust a fit.

What is left over, who decides, what drifted, whether the model and the scale fit.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from scipy import stats
from scipy.optimize import brentq, minimize_scalar

from trials.analysis.contrasts import contrasts, effects_table, interval
from trials.analysis.fitting import fit
from trials.analysis.mixed import MixedFit, RandomTerm, dependent_columns, fit_mixed
from trials.analysis.no_error import unit_means
from trials.analysis.results import Findings
from trials.analysis.small_sample import SmallSample, small_sample
from trials.analysis.wording import unit_of
from trials.base.arguments import checked_types
from trials.base.errors import FitError
from trials.base.html import answer
from trials.base.words import (
    decimals,
    in_words,
    kitchen_term,
    percent,
    readable,
    signed,
    tidy_number,
)
from trials.core.evidence import Evidence
from trials.core.factors import Factor, is_blank
from trials.core.plan import kitchen_group, plural
from trials.core.roles import Role
from trials.core.scales import Number
from trials.core.terms import ModelMatrix, model_matrix
from trials.core.verdicts import CONFIDENCE, MATTERS

# -- What a fit would say without one bake or one taster, or with a column more.


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
    """Return the mixed model behind findings; None where no error was measured."""
    return findings.engine.fit if isinstance(findings.engine, SmallSample) else None


def with_columns(findings: Findings, columns: np.ndarray) -> tuple[SmallSample, np.ndarray] | None:
    """Return the fit with more fixed columns and where these stand in it."""
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
    """Return the effects as they would be without some rows."""
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


MOST_TO_HANG_ON = 16  # bakes; of more a single one hardly turns what is spoken of


def leading(findings: Findings) -> pd.Series | None:
    """Return the largest change of one factor that matters, else of a pair; None where none does.

    Examples
    --------
    >>> from trials.analysis.fitting import fit
    >>> table = pd.DataFrame({"bake": list("ABCDEFGH"), "rest": [20, 60] * 4,
    ...                       "liking": [3, 7, 3, 8, 4, 7, 3, 8.0]})
    >>> from trials.core.measures import Measure
    >>> liking = Measure("liking", "hedonic 9")
    >>> leading(fit(table, "liking", ["rest"], measure=liking))["term"]
    'rest'
    """
    matters = findings.spoken[findings.spoken["verdict"] == MATTERS]
    alone = matters[~matters["term"].str.contains("[:^]")]
    rows = alone if len(alone) else matters
    return rows.loc[rows["estimate"].abs().idxmax()] if len(rows) else None


def hangs_on(findings: Findings) -> tuple[str, ...]:
    """Return the bakes without any one of which the leading finding would not be said to matter.

    Each bake in turn is left out and the same is asked anew, as if it had not been made.

    References
    ----------
    Belsley, Kuh & Welsch 1980, Regression Diagnostics, ch. 2 (what one row decides).
    """
    known, top = findings.evidence, leading(findings)
    if known is None or top is None or "bake" not in findings.residuals:
        return ()
    bakes = list(dict.fromkeys(findings.residuals["bake"].dropna()))
    if len(bakes) > MOST_TO_HANG_ON:
        return ()
    return tuple(str(bake) for bake in bakes if not _stands(findings, known, top, bake))


def _stands(findings: Findings, known: Evidence, top: pd.Series, bake: object) -> bool:
    rest = known.table[known.table["bake"] != bake].reset_index(drop=True)
    try:
        other = fit(
            replace(known, table=rest),
            findings.response,
            measure=findings.measure,
            **findings.asked,
        ).spoken
    except FitError:
        return False
    own = other[(other["term"] == top["term"]) & (other["level"] == top["level"])]
    return bool((own["verdict"] == MATTERS).any())


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


# -- Whether a measured response asks for another scale: logarithm, root or inverse.


WIDEST = 3.0
SCALES = (
    (1.0, "as it is"),
    (0.0, "its logarithm"),
    (0.5, "its square root"),
    (-1.0, "its inverse"),
    (-0.5, "the inverse of its square root"),
    (2.0, "its square"),
)


@dataclass(frozen=True)
class PowerScale:
    """The power of the response that makes the model fit best.

    Parameters
    ----------
    power, low, high : float
        The best power and its 95 % interval; 1 is the response as it is, 0 its logarithm.
    suggested : float
        The simplest power within the interval.
    words : str
        The suggestion in words.
    """

    power: float
    low: float
    high: float
    suggested: float
    words: str


def power_scale(y: np.ndarray, X: np.ndarray, terms: Sequence[RandomTerm] = ()) -> PowerScale:
    """Return the power of a positive response that a model fits best, with its interval.

    References
    ----------
    Box & Cox 1964, J. R. Stat. Soc. B 26:211; for mixed models Gurka, Edwards, Muller & Kupper
    2006, J. R. Stat. Soc. A 169:273.

    Examples
    --------
    >>> x = np.tile([-1.0, 1.0], 20)
    >>> noise = np.repeat(stats.norm.ppf((np.arange(20) + 0.5) / 20), 2)
    >>> found = power_scale(np.exp(2 + x + noise), np.column_stack([np.ones(40), x]))
    >>> found.words
    'its logarithm'
    """
    y = np.asarray(y, dtype=float)
    if not (y > 0).all():
        raise FitError(
            "a logarithm or a root needs values above zero; the smallest found is "
            f"{y.min():g}. Leave the response as it is."
        )
    y = y / np.exp(np.log(y).mean())

    def likelihood(power: float) -> float:
        return _likelihood(y, X, tuple(terms), power)

    found = minimize_scalar(
        lambda power: -likelihood(power), bounds=(-WIDEST, WIDEST), method="bounded"
    )
    best = float(found.x)
    limit = likelihood(best) - stats.chi2.ppf(CONFIDENCE, 1) / 2

    def above(power: float) -> float:
        return likelihood(power) - limit

    low = float(brentq(above, -WIDEST, best)) if above(-WIDEST) < 0 else -WIDEST
    high = float(brentq(above, best, WIDEST)) if above(WIDEST) < 0 else WIDEST
    inside = [(power, words) for power, words in SCALES if low <= power <= high]
    suggested, words = inside[0] if inside else (round(best, 1), f"its power {best:.1f}")
    return PowerScale(best, low, high, suggested, words)


def _likelihood(y: np.ndarray, X: np.ndarray, terms: tuple[RandomTerm, ...], power: float) -> float:
    """Return the log-likelihood in units of y, whose geometric mean is one."""
    logs = np.log(y)
    changed = logs if abs(power) < 1e-8 else np.expm1(power * logs) / power
    return fit_mixed(changed, X, terms, method="ML").loglik


# -- Whether the model fits: lack of fit, a bend in the middle, drift, days, rival scales.


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
    """
    name = "lack of fit"
    cells = setting_codes(findings)
    if mixed_fit(findings) is None:
        return Check(name, "Whether the model fits can not be judged: no error was measured.")
    if len(set(cells)) == len(set(bake_codes(findings))):
        return Check(name, "Whether the model fits can not be judged: no setting was baked twice.")
    found = with_columns(findings, np.eye(cells.max() + 1)[cells])
    if found is None:
        return Check(
            name,
            "Whether the model fits can not be judged: it has a number a setting.",
        )
    engine, places = found
    test = engine.test(np.eye(len(engine.beta))[places])
    if not np.isfinite(test.p):
        return Check(name, "Whether the model fits can not be judged: too few repeats.")
    fits = test.p > LIMIT
    words = (
        "The model fits the bakes as well as repeats of the same settings agree"
        if fits
        else "The settings differ more than the model says and repeats explain: something bends or "
        "works together that is not in the model"
    )
    return Check(name, f"{words}.", not fits, test.F, p=test.p)


def curvature(findings: Findings) -> Check | None:
    """Say how far the middle-setting bakes lie off the straight-line model; None without them."""
    fit = mixed_fit(findings)
    if fit is None or "role" not in findings.residuals:
        return None
    centre = (findings.residuals["role"] == Role.CENTRE).to_numpy(dtype=float)
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
    """Say what changed from the first bake to the last, settings and days apart."""
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
    """Say how much days differ, as a fixed block or as a random group; None with one day."""
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
    """Ask whether a few extreme scores carry an effect: the same model on the ranks of scores."""
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
    """Ask whether a weighed or measured response fits better as a logarithm, root or inverse."""
    fit = mixed_fit(findings)
    weighed = findings.measure is None or isinstance(findings.measure.field, Number)
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
    measure = findings.measure
    if measure is not None and max(abs(low), abs(high)) > measure.span and p >= LIMIT:
        said = f"{what}: so few bakes can not tell."
        return Check(name, said, False, estimate, low, high, p)
    digits = decimals(pd.Series([se]))
    unit = unit_of(measure)
    size = f"{signed(estimate, digits)}{unit} ({signed(low, digits)} to {signed(high, digits)})"
    heed = p < LIMIT
    tail = f": {meaning}" if heed else ", no more than chance"
    return Check(name, f"{what}: {size}{tail}.", bool(heed), estimate, low, high, p)


def _day_block(findings: Findings, X: np.ndarray) -> np.ndarray:
    """Return the columns behind the model's that are not of middle or reference bakes."""
    roles = findings.residuals.get(
        "role", pd.Series(Role.TRIAL.value, index=findings.residuals.index)
    )
    marks = [(roles == role).to_numpy(dtype=float) for role in (Role.REFERENCE, Role.CENTRE)]
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
    """Return the columns of each term."""
    lead = len(findings.level_df) - int(findings.tests["df"].sum())
    places, at = {}, lead
    for term, width in zip(findings.tests["term"], findings.tests["df"], strict=True):
        places[str(term)] = list(range(at, at + int(width)))
        at += int(width)
    return places


def setting_codes(findings: Findings) -> np.ndarray:
    """Return a number for every row's settings; reference bakes are a setting of their own."""
    table = findings.residuals
    keys = pd.DataFrame({f"_{n}": table[f.name] for n, f in enumerate(findings.factors)})
    keys["_role"] = table["role"] == Role.REFERENCE if "role" in table else False
    return keys.groupby(list(keys.columns), sort=False, dropna=False).ngroup().to_numpy()


def bake_codes(findings: Findings) -> np.ndarray:
    """Return a number for every row's bake; every row is one where no bake is named."""
    table = findings.residuals
    if "bake" not in table or table["bake"].isna().any():
        return np.arange(len(table))
    return table.groupby("bake", sort=False).ngroup().to_numpy()


def baking_order(table: pd.DataFrame) -> pd.Series:
    """Return the place of each row's bake: by its number, or by where it first stands.

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


# -- Checks of a fit: what is left over, who decides, what drifted, what was not as planned.


FAR_OUT = 3.5  # robust standard deviations
FEWEST_FOR_TAILS = 20
_LISTED = 4


@dataclass(frozen=True, eq=False)
class Diagnostics:
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
        return answer(self.sentences, [readable(self.bakes.round(9))])


@checked_types(FitError)
def diagnostics(findings: Findings) -> Diagnostics:
    """Look behind a fit: residuals, influence, fit, drift, days, ranks, scale.

    Parameters
    ----------
    findings : Findings

    Returns
    -------
    Diagnostics

    References
    ----------
    Iglewicz & Hoaglin 1993, How to Detect and Handle Outliers (robust distance, 3.5); Anscombe &
    Glynn 1983, Biometrika 70:227 (heavy tails); Conover & Iman 1981, Am. Stat. 35:124 (ranks);
    Box & Cox 1964; lack of fit against pure error as in Box & Draper 1987, ch. 3.

    Examples
    --------
    >>> table = pd.DataFrame({"bake": list("ABCDEFGH"), "rest": [20, 60] * 4,
    ...                       "spread": [60, 63, 61, 64, 62, 75, 60, 62.0]})
    >>> found = diagnostics(fit(table, "spread", ["rest"]))
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
        _as_planned(findings),
    ]
    known = heeded([one for one in found if one is not None])
    rows = [(c.name, c.heed, c.value, c.low, c.high, c.p, c.said) for c in known]
    names = ["check", "heed", "value", "low", "high", "p", "said"]
    return Diagnostics(
        response=findings.response,
        table=pd.DataFrame(rows, columns=names),
        bakes=bakes,
        levels=level_residuals(findings),
        sentences=tuple(c.said for c in known),
    )


def level_residuals(findings: Findings) -> pd.DataFrame:
    """Return what each day, load, bake and taster adds to the model, as predicted.

    References
    ----------
    Robinson 1991, Stat. Sci. 6:15 (best linear unbiased prediction).
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
        "A few scores lie much further from what is expected than the rest: they weigh much."
        if heavy
        else "What is left spreads much as chance does: no few scores weigh for all."
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


def _as_planned(findings: Findings) -> Check | None:
    """Say which settings were not as planned, and what a fit on the planned ones would change."""
    known = findings.evidence
    if known is None or not known.of_rounds:
        return None
    names = [factor.name for factor in known.factors if factor.name in known.planned]
    planned = known.planned.set_index("bake")[names]
    made = known.table.drop_duplicates("bake").set_index("bake")[names].reindex(planned.index)
    changed = [
        f"{bake} {factor.name} {factor.show(made.loc[bake, factor.name])}"
        for bake in planned.index
        for factor in known.factors
        if factor.name in names and _moved(planned, made, bake, factor)
    ]
    if not changed:
        return Check("as planned", "Every bake was made as planned.")
    more = f" and {len(changed) - _LISTED} more" if len(changed) > _LISTED else ""
    said = f"Not as planned: {in_words(changed[:_LISTED])}{more}; the fit uses what was really done"
    turned = _turned_by_plan(findings, known)
    heed = bool(turned)
    tail = f"; by the planned settings {in_words(turned)} would be judged otherwise" if heed else ""
    return Check("as planned", f"{said}{tail}.", heed, float(len(changed)))


def _moved(planned: pd.DataFrame, made: pd.DataFrame, bake: str, factor: Factor) -> bool:
    was, wanted = made.loc[bake, factor.name], planned.loc[bake, factor.name]
    return not is_blank(was) and factor.show(was) != factor.show(wanted)


def _turned_by_plan(findings: Findings, known: Evidence) -> list[str]:
    terms = [term.name for term in findings.terms]
    rows = known.planned.set_index("bake")
    table = known.table.copy()
    for name in (factor.name for factor in known.factors if factor.name in rows):
        table[name] = table["bake"].map(rows[name])
    try:
        other = fit(replace(known, table=table), findings.response, model=terms)
    except FitError:
        return []
    both = findings.effects.merge(other.effects, on=["term", "level"], suffixes=("", "_planned"))
    turned = both[both["verdict"] != both["verdict_planned"]]
    return list(dict.fromkeys(kitchen_term(str(term)) for term in turned["term"]))
