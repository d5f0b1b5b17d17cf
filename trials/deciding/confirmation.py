"""Confirmation bakes: whether they come out as foretold, and which setting tasters prefer."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.answers import Answers
from trials.analysis.region import coded
from trials.base.errors import FitError
from trials.base.html import answer
from trials.base.words import decimals, readable, signed
from trials.core.evidence import CONFIRMATION, ROUND
from trials.core.roles import Role
from trials.core.verdicts import CONFIDENCE
from trials.deciding.gain import Belief, Knowledge, all_known
from trials.rounds.round import Round
from trials.tasting.difference import DifferenceResult, paired

# With fewer tasters than this their choices are counted beside the means (common practice, no
# source)
FEW_TASTERS = 30
_SEED = 1996
LEVEL = "level"  # of what is held to what was foretold: how the bakes came out themselves


@dataclass(frozen=True, eq=False)
class Confirmation:
    """How confirmation bakes came out.

    Parameters
    ----------
    table : DataFrame
        measure, what ("level", "over the reference"), observed, expected, low, high, as_foretold,
        bakes (how many the observed mean rests on), references.
    better : bool or None
        Whether the best setting came out on the better side of the reference in the first measure;
        None without reference bakes.
    preference : DifferenceResult or None
        How many tasters scored the best setting above the reference, with its test.
    confirmed : bool
        Everything as foretold, and not worse than the reference by what is worth noticing.
    sentences : tuple of str
    """

    table: pd.DataFrame
    better: bool | None
    preference: DifferenceResult | None
    confirmed: bool
    sentences: tuple[str, ...] = field(default=())

    def __repr__(self) -> str:
        return "\n".join(self.sentences)

    def _repr_html_(self) -> str:
        return answer(self.sentences, [readable(self.table)])


def is_confirming(round_: Round) -> bool:
    """Say whether a round is one of confirmation bakes."""
    return bool(round_.parent) and round_.plan.family == CONFIRMATION


def confirmation(answers: Answers, round_: str | None = None) -> Confirmation:
    """Judge the confirmation bakes of a round, the last one if none is named, by those before it.

    The mean of the bakes must lie within the prediction interval for that many new bakes, and so
    must their distance from the reference bakes beside them, in which the day drops out. Where
    tasters are few, each taster's choice between the two is counted as well.

    References
    ----------
    Box, Hunter & Hunter 2005, section 12 (confirmatory runs); ISO 5495 (paired comparison).
    """
    name = answers.rounds[-1] if round_ is None else round_
    found: Confirmation = answers.until(name).once(
        "confirmation", work=lambda: _confirmation(answers, name)
    )
    return found


def _confirmation(answers: Answers, name: str) -> Confirmation:
    evidence = answers.until(name).evidence
    if len(evidence.rounds) < 2:
        raise FitError(
            f'"{name}" follows no round, so nothing foretold how it comes out; confirm with '
            'trials.next_round(round, bakes, action="confirm").'
        )
    rows = evidence.planned[evidence.planned[ROUND] == name]
    trial = rows[rows["role"] == Role.TRIAL]
    names = [factor.name for factor in evidence.factors]
    if trial[names].astype(str).drop_duplicates().shape[0] != 1:
        raise FitError(
            f'the bakes of "{name}" are of several settings; confirmation bakes are all of '
            "one, beside reference bakes."
        )
    return judged(all_known(answers.before(name)), evidence.of(name))


def held_settings(answers: Answers) -> tuple[Mapping[str, Any], ...]:
    """Return the settings that were confirmed and never since refuted, the latest first."""
    found: list[Mapping[str, Any]] = []
    seen: list[Mapping[str, Any]] = []
    for name, settings in reversed(list(answers.evidence.confirmed.items())):
        if settings in seen:
            continue
        try:
            held = confirmation(answers, name).confirmed
        except FitError:
            continue
        seen.append(settings)
        if held:
            found.append(settings)
    return tuple(found)


def judged(knowledge: Knowledge, table: pd.DataFrame) -> Confirmation:
    """Judge the scores of confirmation bakes by what was known before them."""
    rows = [row for one in knowledge.beliefs for row in _rows(knowledge, one, table)]
    if not rows:
        raise FitError("none of the confirmation bakes has a score yet.")
    shown = pd.DataFrame(rows)
    first = knowledge.beliefs[0].measure.name
    over = shown[(shown["measure"] == first) & (shown["what"] == "over the reference")]
    better, worse, preference = None, False, None
    if len(over) and knowledge.goals[0].kind in ("higher", "lower"):
        sign = 1.0 if knowledge.goals[0].kind == "higher" else -1.0
        ahead = sign * float(over["observed"].iloc[0])
        better, worse = ahead > 0, ahead <= -knowledge.goals[0].notice
        preference = _preference(table, first, sign)
    confirmed = bool(shown["as_foretold"].all()) and not worse
    units = {one.measure.name: one.measure.unit or "" for one in knowledge.beliefs}
    return Confirmation(
        table=shown,
        better=better,
        preference=preference,
        confirmed=confirmed,
        sentences=tuple(_words(shown, better, preference, confirmed, first, units)),
    )


def _rows(knowledge: Knowledge, one: Belief, table: pd.DataFrame) -> list[dict]:
    name = one.measure.name
    scored = table[table[name].notna()]
    roles = {
        role: scored[scored["role"] == role].groupby("bake")[name].mean()
        for role in (Role.TRIAL, Role.REFERENCE)
    }
    if roles[Role.TRIAL].empty:
        return []
    settings = {
        role: coded(knowledge.factors, own.iloc[0].to_dict())
        for role, own in scored.groupby("role")
        if role in roles
    }
    best = one.rows(settings["trial"])[0]
    count, beside = len(roles[Role.TRIAL]), len(roles[Role.REFERENCE])
    # A new day's level is part of how far bakes may lie from what was foretold
    day = one.load + _day_variance(knowledge, one)
    level = float(roles[Role.TRIAL].mean())
    rows = [_row(one, LEVEL, level, best, one.bake / count + day, count, beside)]
    if beside:
        apart = level - float(roles[Role.REFERENCE].mean())
        contrast = best - one.rows(settings[Role.REFERENCE])[0]
        noise = one.bake / count + one.bake / beside
        rows.append(_row(one, "over the reference", apart, contrast, noise, count, beside))
    return rows


def _row(
    one: Belief,
    what: str,
    observed: float,
    weights: np.ndarray,
    noise: float,
    bakes: int,
    references: int,
) -> dict:
    rng = np.random.default_rng(_SEED)
    drawn = weights @ one.draws
    drawn = drawn + np.sqrt(noise) * rng.standard_normal(len(drawn))
    low, high = np.quantile(drawn, ((1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2))
    if what == LEVEL:
        low, high = one.measure.on_scale([low, high])
    return {
        "measure": one.measure.name,
        "what": what,
        "observed": observed,
        "expected": float(weights @ one.mean),
        "low": float(low),
        "high": float(high),
        "as_foretold": bool(low <= observed <= high),
        "bakes": bakes,
        "references": references,
    }


def _day_variance(knowledge: Knowledge, one: Belief) -> float:
    """Return the variance between days, taken as that between bakes where none was measured."""
    found = next(each for each in knowledge.findings if each.response == one.measure.name)
    known = [found.spread[name] for name in ("round", "day") if name in found.spread]
    return float(sum(known)) if known else float(one.bake)


def _preference(table: pd.DataFrame, name: str, sign: float) -> DifferenceResult | None:
    """Return how many tasters scored the best setting above the reference; ties split evenly."""
    tasted = table[table[name].notna() & table["taster"].notna()]
    means = tasted.pivot_table(index="taster", columns="role", values=name, aggfunc="mean")
    if Role.REFERENCE not in means or Role.TRIAL not in means:
        return None
    apart = sign * (means[Role.TRIAL] - means[Role.REFERENCE]).dropna()
    decided = apart[apart != 0]
    if not 0 < len(decided) < FEW_TASTERS:
        return None
    return paired(int((decided > 0).sum()), len(decided))


def _words(
    shown: pd.DataFrame,
    better: bool | None,
    preference: DifferenceResult | None,
    confirmed: bool,
    first: str,
    units: Mapping[str, str],
) -> Sequence[str]:
    said = [f"Baked again, and it {'held' if confirmed else 'did not hold'}."]
    said += [_row_words(row, units.get(row.measure, "")) for row in shown.itertuples()]
    if better is False:
        said.append(f"The reference came out at least as good in {first}: keep it, or go on.")
    if preference is not None:
        said.append(f"Counted by tasters: of those who scored the two apart, {preference.sentence}")
    return said


def _row_words(row: Any, unit: str) -> str:
    digits = max(0, decimals(pd.Series([(row.high - row.low) / 4])))
    unit = f" {unit}" if unit else ""
    verdict = "as foretold" if row.as_foretold else "not as foretold"
    if row.what == LEVEL:
        return (
            f"{_capital(row.measure)} came out at {row.observed:.{digits}f}{unit}, {verdict} "
            f"({row.low:.{digits}f} to {row.high:.{digits}f})."
        )
    side = "above" if row.observed > 0 else "below"
    return (
        f"{_capital(row.measure)} is {abs(row.observed):.{digits}f}{unit or ' points'} {side} the "
        f"reference, {verdict} ({signed(row.low, digits)} to {signed(row.high, digits)})."
    )


def _capital(name: str) -> str:
    return name[:1].upper() + name[1:]
