"""Does everyone agree about a factor? Slopes or views of it that differ by taster."""

import html
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import stats

from trials.analysis.contrasts import contrasts, interval
from trials.analysis.cross_products import RandomTerm
from trials.analysis.influence import mixed_fit
from trials.analysis.mixed import MixedFit, fit_mixed
from trials.analysis.results import Findings
from trials.analysis.small_sample import SmallSample, small_sample
from trials.analysis.verdicts import decimals, readable, rounded, signed
from trials.analysis.wording import unit_of
from trials.design.terms import model_matrix
from trials.errors import FitError
from trials.factors import Categorical, Component, Factor
from trials.tables import in_words

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
        said = "".join(f"<p>{html.escape(sentence)}</p>" for sentence in self.sentences)
        return said + readable(self.tasters).to_html(index=False, border=0, escape=True)


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

    Examples
    --------
    >>> agreement_on.__name__
    'agreement_on'
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
    said = _sentences(findings, factor, sd, p, effects, tasters)
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
        slope = np.where(table["role"] == "control", 0.0, slope)
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


def _sentences(
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
