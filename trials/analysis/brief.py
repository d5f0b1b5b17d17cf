"""What was learned of one measure, in brief: the changes one by one, and at most three sentences.

A pair that works together is told as the effect of one change at each setting of the other, never
as half of a difference of differences.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trials.analysis.contrasts import simple_effects
from trials.analysis.results import Findings
from trials.analysis.settling import settling_words
from trials.analysis.wording import LIKELY, failure_sentence, unit_of
from trials.base.errors import FitError
from trials.base.words import decimals, in_words, percent, rounded, signed
from trials.core.terms import Term
from trials.core.verdicts import MATTERS, TOO_SMALL, worth_words

BEND = ", its bend"  # behind a number's name, where the change is not along it but at its middle


@dataclass(frozen=True)
class Change:
    """One change from one setting to another, and what it did.

    Parameters
    ----------
    factor, to, start : str
        What changed, to which setting and from which.
    at : str
        The setting of the other factor it holds at; empty where it holds on the whole.
    estimate, low, high : float
        In units of the response; NaN bounds where no error was measured.
    verdict : str
    pair : tuple of str
        Both factors, where the change is told at each setting of the second.
    """

    factor: str
    to: str
    start: str
    at: str
    estimate: float
    low: float
    high: float
    verdict: str
    pair: tuple[str, ...] = ()

    @property
    def is_sure(self) -> bool:
        """Whether its direction is sure."""
        return bool(np.isfinite(self.low) and (self.low > 0 or self.high < 0))

    @property
    def what(self) -> str:
        """The change in words: what, to which setting, over which."""
        over = f"{self.to} over {self.start}" if self.start else self.to
        return f"{self.factor}, {over}{f', with {self.at}' if self.at else ''}"


def changes(findings: Findings) -> tuple[list[Change], list[Change]]:
    """Return single changes, the largest first, and those of pairs that work together.

    Of the pairs only those that matter, whose direction is sure, or that are likely there.
    """
    spoken = findings.spoken
    terms = _terms(findings)
    alone = []
    for row in spoken.itertuples():
        term = terms.get(row.term)
        if term is not None and len(term.factors) == 1:
            alone.append(_alone(term, row))
    pairs: list[Change] = []
    for term in terms.values():
        if len(term.factors) == 2 and term.order == 2 and _is_there(findings, term.name):
            pairs += _pair(findings, term)
    return sorted(alone, key=lambda one: -abs(one.estimate)), pairs


def _terms(findings: Findings) -> dict[str, Term]:
    return {one.name: one for one in (findings.told or findings).terms}


def _alone(term: Term, row: object) -> Change:
    level, reference = str(row.level), str(row.reference)  # type: ignore[attr-defined]
    name = term.factors[0]
    if term.order > 1:
        name, level, reference = f"{name}{BEND}", "the ends against the middle", ""
    numbers = (float(row.estimate), float(row.low), float(row.high))  # type: ignore[attr-defined]
    return Change(name, level, reference, "", *numbers, str(row.verdict))  # type: ignore[attr-defined]


def _is_there(findings: Findings, name: str) -> bool:
    own = findings.spoken[findings.spoken["term"] == name]
    sure = (own["low"] > 0) | (own["high"] < 0)
    return bool((own["verdict"] == MATTERS).any() or sure.any()) or _chance(findings, name) > LIKELY


def _chance(findings: Findings, name: str) -> float:
    if findings.averaged is None:
        return 0.0
    table = findings.averaged.table
    return float(table.loc[table["term"] == name, "chance"].max()) if len(table) else 0.0


def _pair(findings: Findings, term: Term) -> list[Change]:
    first, second = term.factors
    try:
        table = simple_effects(findings, first, second).table
    except FitError:
        return []
    return [
        Change(
            first,
            str(row.level),
            str(row.reference),
            f"{second} {row.at}",
            float(row.estimate),
            float(row.low),
            float(row.high),
            str(row.verdict),
            (first, second),
        )
        for row in table.itertuples()
    ]


def digits_of(findings: Findings) -> int:
    """Return the decimals that the differences of a measure are shown with."""
    return max(decimals(findings.spoken["se"]), 0)


def changes_table(findings: Findings) -> pd.DataFrame:
    """Return every change as a baker reads it: what, from, to, at which setting, how much."""
    alone, pairs = changes(findings)
    digits = digits_of(findings)
    rows = [
        {
            "what changed": one.factor,
            "from": one.start,
            "to": one.to,
            "with": one.at,
            "difference": signed(one.estimate, digits),
            "likely between": (
                f"{signed(one.low, digits)} and {signed(one.high, digits)}"
                if np.isfinite(one.low)
                else "unknown"
            ),
            "verdict": one.verdict,
        }
        for one in (*alone, *pairs)
    ]
    table = pd.DataFrame(rows)
    return table.drop(columns="with") if rows and not pairs else table


# -- At most three sentences: what matters, what is likely, and all the rest in one.


def failed_words(findings: Findings) -> str:
    """Return how many bakes failed, and what they share, in a sentence; empty where none did."""
    return failure_sentence(findings.failed, findings.residuals, findings.factors)


def in_brief(findings: Findings) -> tuple[str, ...]:
    """Return what was learned of a measure in at most three sentences, the answer first."""
    alone, pairs = changes(findings)
    digits = digits_of(findings)
    unit = unit_of(findings.measure)
    by_pair: dict[tuple[str, ...], list[Change]] = {}
    for one in pairs:
        by_pair.setdefault(one.pair, []).append(one)
    judged = {pair: _judged(findings, pair) for pair in by_pair}
    told = {name for pair, said in judged.items() if said == MATTERS for name in pair}
    free = [one for one in alone if one.factor not in told]
    matters = [one for one in free if one.verdict == MATTERS]
    sure = [one for one in free if one.verdict not in (MATTERS, TOO_SMALL) and one.is_sure]
    paired = {name for pair in by_pair for name in pair}
    rest = [one for one in free if one not in matters and one not in sure]
    rest = [one for one in rest if one.factor not in paired]
    first = [
        _pair_words(by_pair[pair], digits, unit) for pair in by_pair if judged[pair] == MATTERS
    ]
    first += [f"{_short(one)} {_size(one, digits, unit)}" for one in matters]
    likely = [_short(one) + f" {signed(one.estimate, digits)}{unit}" for one in sure]
    likely += [
        _pair_words(by_pair[pair], digits, unit) for pair in by_pair if judged[pair] != MATTERS
    ]
    said = []
    if first:
        said.append(f"What matters for {findings.response}: {'; '.join(first)}.")
    else:
        said.append(_nothing(findings))
    if likely:
        said.append(f"Likely, but how large is not settled: {'; '.join(likely)}.")
    left = _rest(rest, digits, unit, findings)
    more = more_would_settle(findings)
    if more and (likely or left):
        # Behind what is not settled, in its sentence: three sentences are what anybody reads
        said, left = (
            (said, f"{left.removesuffix('.')}; {more}.")
            if left
            else (
                [*said[:-1], f"{said[-1].removesuffix('.')}; {more}."],
                "",
            )
        )
    return (*said, left) if left else tuple(said)


def more_would_settle(findings: Findings) -> str:
    """Return what one more such round would settle of the single changes, without a stop.

    The same words for whoever asks: `fit`, the page, `next`.
    """
    if findings.margin is None or findings.to_settle.empty:
        return ""
    alone, pairs = changes(findings)
    paired = {name for one in pairs for name in one.pair}
    own = [one for one in alone if one.factor not in paired and not one.factor.endswith(BEND)]
    several = [one.factor for one in own]
    names = {
        (one.factor, one.to): _short(one) if several.count(one.factor) > 1 else one.factor
        for one in own
        if np.isfinite(one.low)
    }
    return settling_words(findings.to_settle, unit_of(findings.measure), names)


def _judged(findings: Findings, pair: Sequence[str]) -> str:
    names = {f"{pair[0]}:{pair[1]}", f"{pair[1]}:{pair[0]}"}
    own = findings.spoken[findings.spoken["term"].isin(names)]
    return MATTERS if (own["verdict"] == MATTERS).any() else str(own["verdict"].iloc[0])


def _short(one: Change) -> str:
    return f"{one.factor} ({one.to} over {one.start})" if one.start else f"{one.factor}"


def _size(one: Change, digits: int, unit: str) -> str:
    size = f"{signed(one.estimate, digits)}{unit}"
    if not np.isfinite(one.low):
        return size
    return f"{size} ({signed(one.low, digits)} to {signed(one.high, digits)})"


def _pair_words(own: Sequence[Change], digits: int, unit: str) -> str:
    """Return a pair as one thing: the effect of one change at each setting of the other."""
    first, second = own[0].pair
    by_change: dict[str, list[str]] = {}
    for one in own:
        by_change.setdefault(f"{one.to} over {one.start}", []).append(
            f"{signed(one.estimate, digits)}{unit} with {one.at}"
        )
    told = ", ".join(f"{change} is {in_words(sizes)}" for change, sizes in by_change.items())
    return f"{first} and {second} work together ({told})"


def _nothing(findings: Findings) -> str:
    ranking = findings.ranking
    said = f"Nothing is settled for {findings.response}"
    known = ranking[np.isfinite(ranking["size"])] if len(ranking) else ranking
    if len(known) < 2 or not np.isfinite(known["chance_largest"]).any():
        return f"{said}."
    top = known.loc[known["chance_largest"].idxmax()]
    chance = percent(float(top["chance_largest"]))
    return f"{said}; if one thing matters, it is likeliest {top['factor']} (a chance of {chance})."


def _rest(rest: Sequence[Change], digits: int, unit: str, findings: Findings) -> str:
    """Return in one sentence what is not settled, how much of it may remain, and what is small."""
    small = dict.fromkeys(one.factor for one in rest if one.verdict == TOO_SMALL)
    open_ = [one for one in rest if one.verdict != TOO_SMALL]
    names = dict.fromkeys(one.factor for one in open_)
    parts = []
    if names:
        reach = [abs(bound) for one in open_ for bound in (one.low, one.high) if np.isfinite(bound)]
        parts.append(f"Not settled: {in_words(names)}")
        if reach:
            margin, measure = findings.margin, findings.measure
            could = f"up to {rounded(max(reach), digits)}{unit} either way"
            if measure is not None and max(reach) >= measure.span:
                could = "all that the scale allows, either way,"
            could += " remains possible"
            named = measure is not None and measure.worth_noticing is not None
            care = f"; {worth_words(margin, named=named)}" if margin is not None else ""
            parts[-1] += f"; {could}{care}"
        else:
            parts[-1] += "; no error was measured, so they can not be told from chance"
    little = [name for name in small if name not in names]
    if little:
        parts.append(f"{'too' if parts else 'Too'} small to matter: {in_words(little)}")
    return f"{'; '.join(parts)}." if parts else ""


def round_in_brief(found: Mapping[str, Findings | str]) -> list[str]:
    """Return the sentences of all measures, each measure's together."""
    said = []
    for name, one in found.items():
        said += [f"{name}: {one}"] if isinstance(one, str) else list(in_brief(one))
    return said
