"""Findings in a baker's words: each sentence with its number and how sure it is."""

from collections.abc import Collection, Mapping, Sequence

import numpy as np
import pandas as pd

from trials.analysis.settling import (
    SUCH_ROUND,
    of_ten,
    shown,
    small_words,
    too_small_for_the_kitchen,
)
from trials.base.words import decimals, in_words, kitchen_term, percent, signed
from trials.core.factors import Factor
from trials.core.measures import Measure
from trials.core.roles import Role, Status
from trials.core.terms import Term
from trials.core.verdicts import MATTERS, NOT_SETTLED, TOO_SMALL, verdict

CLEARLY_FIRST = 0.9
LIKELY = 0.5  # from this chance on something is more likely there than not
FEW_TASTERS = 50  # below this, liking steers a recipe but speaks for no market (common practice)


def sentences(
    response: str,
    measure: Measure | None,
    terms: Sequence[Term],
    effects: pd.DataFrame,
    ranking: pd.DataFrame,
    to_settle: pd.DataFrame,
    steady: Collection[str] = (),
    chances: Mapping[str, float] | None = None,
) -> tuple[str, ...]:
    """Return the findings as sentences, the most important factor first."""
    digits = decimals(effects["se"])
    unit = unit_of(measure)
    said = [_first(response, ranking)]
    for factor in ranking["factor"]:
        own = effects[effects["term"] == factor]
        said += [_main(row, digits, unit, measure, to_settle, steady) for row in own.itertuples()]
    for term in terms:
        if len(term.factors) < 2 and term.order < 2:
            continue
        own = effects[effects["term"] == term.name]
        said += _together(term, own, effects, digits, unit, (chances or {}).get(term.name, 0.0))
    return tuple(said)


def unit_of(measure: Measure | None) -> str:
    """Return the unit of a measure with a space before it, as it stands behind a number.

    Examples
    --------
    >>> unit_of(Measure("liking", "hedonic 9")), unit_of(Measure("spread", "number", unit="mm"))
    (' points', ' mm')
    """
    return f" {measure.unit_word}" if measure is not None and measure.unit_word else ""


def _first(response: str, ranking: pd.DataFrame) -> str:
    known = ranking[np.isfinite(ranking["size"])]
    if len(known) < len(ranking):
        return _without_some(response, known, ranking)
    top = ranking.loc[ranking["chance_largest"].idxmax()]
    name, chance = str(top["factor"]), float(top["chance_largest"])
    if len(ranking) == 1:
        return f"For {response}, {name} is the only thing that varied."
    if chance >= CLEARLY_FIRST:
        sure = "over 99 %" if chance > 0.99 else percent(chance)
        return f"For {response}, {name} mattered most ({sure} sure it is the largest)."
    tied = ranking.sort_values("chance_largest", ascending=False, kind="stable")
    reached = tied["chance_largest"].cumsum().to_numpy()
    names = tied["factor"][: int(np.argmax(reached >= CLEARLY_FIRST - 1e-9)) + 1].tolist()
    if chance >= 0.5:
        others = in_words((one for one in names if one != name), "or")
        return (
            f"For {response}, {name} probably mattered most ({percent(chance)} sure it is the "
            f"largest); it could still be {others}."
        )
    sure = tied.set_index("factor")["chance_largest"]
    each = in_words((f"{one} ({percent(sure[one])})" for one in names), "or")
    return (
        f"For {response} it is a tie: {each} could be what mattered most; in brackets, how sure "
        "that is."
    )


def _without_some(response: str, known: pd.DataFrame, ranking: pd.DataFrame) -> str:
    """Return what can be said of the order where some factors can not be told at all."""
    if known.empty:
        return f"For {response}, no factor can be told apart from the others."
    gone = in_words(name for name in ranking["factor"] if name not in set(known["factor"]))
    return (
        f"For {response}, what mattered most can not be said, as nothing is known of {gone} alone; "
        f"of the others {known['factor'].iloc[0]} is the largest so far."
    )


def _main(
    row: object,
    digits: int,
    unit: str,
    measure: Measure | None,
    to_settle: pd.DataFrame,
    steady: Collection[str],
) -> str:
    term, level, reference = row.term, row.level, row.reference  # type: ignore[attr-defined]
    size = f"{signed(row.estimate, digits)}{unit}{_between(row, digits)}"  # type: ignore[attr-defined]
    said = f"{_capital(term)}, {level} over {reference}: {size}. "
    return said + _judged(row, measure, to_settle, steady)


def _between(row: object, digits: int) -> str:
    low, high = row.low, row.high  # type: ignore[attr-defined]
    if not np.isfinite(low):
        return ""
    return f" ({signed(low, digits)} to {signed(high, digits)})"


def _judged(
    row: object, measure: Measure | None, to_settle: pd.DataFrame, steady: Collection[str]
) -> str:
    judged = row.verdict  # type: ignore[attr-defined]
    if judged == MATTERS:
        return "Matters."
    if judged == TOO_SMALL:
        source = measure.margin_source if measure else "the difference that you named"
        return f"Too small to matter; worth noticing is {source}."
    if measure and verdict(row.low, row.high, measure.margin) == TOO_SMALL:  # type: ignore[attr-defined]
        return "Not settled: likely too small to matter, but too few bakes are left to show it."
    return f"Not settled{_what_would_settle(row, measure, to_settle, steady)}"


def _what_would_settle(
    row: object, measure: Measure | None, to_settle: pd.DataFrame, steady: Collection[str]
) -> str:
    low, high = row.low, row.high  # type: ignore[attr-defined]
    if not np.isfinite(low):
        return ": no error was measured for it, so it can not be told from chance."
    sure = ""
    if low > 0 or high < 0:
        sure = ", though the direction is sure"
    if measure is None or measure.margin is None:
        return f"{sure}; what difference matters to you was not said." if sure else "."
    own = to_settle[
        (to_settle["term"] == row.term) & (to_settle["level"] == row.level)  # type: ignore[attr-defined]
    ]
    if own.empty or pd.isna(own["chance"].iloc[0]):
        return f"{sure}; it lies so near what is worth noticing that it is too close to call."
    chance, hidden = float(own["chance"].iloc[0]), bool(own["hidden"].iloc[0])
    if too_small_for_the_kitchen(chance, hidden):
        return f"; {small_words(float(own['shows'].iloc[0]), unit_of(measure))}."
    but = ", more tasters would not" if str(own["unit"].iloc[0]) in steady else ""
    return f"{sure}; {SUCH_ROUND} it in {of_ten(chance)}{but}."


def _together(
    term: Term,
    own: pd.DataFrame,
    effects: pd.DataFrame,
    digits: int,
    unit: str,
    chance: float,
) -> list[str]:
    """Return a sentence for each pair or bend that matters, is clearly there or likely is."""
    said = []
    for row in own.itertuples():
        there = np.isfinite(row.low) and (row.low > 0 or row.high < 0)
        if row.verdict != MATTERS and not there and chance < LIKELY:
            continue
        word = _verdict_word(row.verdict)
        if row.verdict == NOT_SETTLED and not there:
            word = f"Likely so ({percent(chance)} sure that there is something), not settled."
        size = f"{signed(row.estimate, digits)}{unit}{_between(row, digits)}"
        if len(term.factors) == 2 and term.order == 2:
            said.append(_pair(term, row, effects, digits, unit, size, word))
        elif len(term.factors) == 1:
            shape = "peaks between" if row.estimate < 0 else "dips between"
            said.append(
                f"{_capital(term.factors[0])} {shape} its limits: the ends against the middle "
                f"{size}. {word}"
            )
        else:
            said.append(f"{_capital(kitchen_term(term.name))} work together: {size}. {word}")
    return said


def _pair(
    term: Term,
    row: object,
    effects: pd.DataFrame,
    digits: int,
    unit: str,
    size: str,
    word: str,
) -> str:
    first, second = term.factors
    estimate = row.estimate  # type: ignore[attr-defined]
    mains = effects[effects["term"] == first]
    levels, references = row.level.split(", "), row.reference.split(", ")  # type: ignore[attr-defined]
    if len(levels) == 2 and len(references) == 2:
        own = mains[mains["level"] == levels[0]]
        # Two settings lie as far on either side of their mean; of three kinds none need do so
        if len(own) == 1 and (effects["term"] == second).sum() == 1:
            main = float(own["estimate"].iloc[0])
            at_low, at_high = main - estimate, main + estimate
            return (
                f"{_capital(first)} depends on {second}: {levels[0]} over {references[0]} makes "
                f"{signed(at_low, digits)}{unit} at {references[1]} and "
                f"{signed(at_high, digits)}{unit} at {levels[1]} (working together {size}). "
                f"{word}"
            )
    return f"{_capital(first)} and {second} work together: {size}. {word}"


def _verdict_word(judged: str) -> str:
    words: Mapping[str, str] = {
        MATTERS: "Matters.",
        TOO_SMALL: "Too small to matter.",
        NOT_SETTLED: "The direction is sure, its size is not settled.",
    }
    return words[judged]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def failure_sentence(
    failed: pd.DataFrame, made: pd.DataFrame, factors: Sequence[Factor], *, corner: bool = False
) -> str:
    """Return one sentence on the bakes that failed and where they lie; empty when none did.

    Reference bakes stand apart: they say nothing of the settings that were tried. What was never
    baked did not fail, and is counted nowhere. `corner` adds what that leaves untold.

    Examples
    --------
    >>> from trials.core.factors import Categorical
    >>> made = pd.DataFrame({"bake": ["B1", "B3", "B5", "B6"]})
    >>> lost = pd.DataFrame({"bake": ["B2", "B4"], "status": "failed", "pan": "griddle"})
    >>> failure_sentence(lost, made, [Categorical("pan", ["oven", "griddle"])])
    '2 of 6 bakes failed, all with pan griddle: bakes B2 and B4.'
    """
    if failed.empty:
        return ""
    made, lost = (
        one[one["role"] != Role.REFERENCE] if "role" in one else one for one in (made, failed)
    )
    lost = lost[lost["status"].isin([Status.FAILED, Status.NOT_SERVED])].drop_duplicates("bake")
    if lost.empty:
        return ""
    bakes = (made["bake"].nunique() if "bake" in made else len(made)) + len(lost)
    shared, mostly = _common_settings(lost, factors)
    count = len(lost)
    where = f", all with {in_words(shared)}" if shared else ""
    where += f"{' and' if shared else ','} most with {in_words(mostly)}" if mostly else ""
    reasons = [str(reason) for reason in lost.get("reason", []) if str(reason) not in ("", "nan")]
    why = f" ({in_words(dict.fromkeys(reasons))})" if reasons else ""
    ids = in_words(sorted(lost["bake"].astype(str)))
    speaks = " Little or nothing here speaks for that corner." if where and corner else ""
    noun = "bake" if count == 1 else "bakes"
    return f"{count} of {bakes} bakes failed{why}{where}: {noun} {ids}.{speaks}"


def _common_settings(lost: pd.DataFrame, factors: Sequence[Factor]) -> tuple[list[str], list[str]]:
    """Return the settings that all failed bakes share, and those that three in four share."""
    shared, mostly = [], []
    for factor in factors:
        if factor.name not in lost or lost[factor.name].dropna().empty or len(lost) < 2:
            continue
        counts = lost[factor.name].value_counts()
        words = f"{factor.name} {factor.show(counts.index[0])}"
        if counts.iloc[0] == len(lost):
            shared.append(words)
        elif counts.iloc[0] >= 0.75 * len(lost) and len(lost) > 3:
            mostly.append(words)
    return shared, mostly


def smallest_shown(effects: pd.DataFrame, terms: Sequence[Term]) -> float | None:
    """Return the difference that bakes and tasters like these would show four times in five.

    Examples
    --------
    >>> effects = pd.DataFrame({"term": ["fat"], "se": [0.713], "df": [10.0]})
    >>> round(smallest_shown(effects, [Term((("fat", 1),))]), 1)
    2.2
    """
    plain = [term.name for term in terms if term.order == 1]
    own = effects[effects["term"].isin(plain) & (effects["se"] > 0) & (effects["df"] > 0)]
    if own.empty:
        return None
    return float(np.median(shown(own["se"], own["df"])))


def few_tasters_note(
    tasters: Sequence[str], measure: Measure | None, shown: float | None = None
) -> str:
    """Return what so few tasters can and can not speak for; empty when there are many.

    Examples
    --------
    >>> few_tasters_note(["Ada"], None)
    'These are the scores of one taster, Ada; they say nothing about anyone else.'
    """
    if not tasters or len(tasters) >= FEW_TASTERS:
        return ""
    if len(tasters) <= 2:
        whose = f"one taster, {tasters[0]}" if len(tasters) == 1 else f"{in_words(tasters)} alone"
        said = f"These are the scores of {whose}; they say nothing about anyone else."
        if shown is not None and _off_the_scale(shown, measure):
            said += (
                " So few show no difference that the scale has room for; what was weighed or "
                "measured on the bakes tells finer."
            )
        elif shown is not None:
            said += (
                f" So few can show a difference of about {shown:.1f}{unit_of(measure)} or more "
                "(that there is one, in 8 of 10 such rounds; that it matters takes more, as the "
                "plan says); what was weighed or measured on the bakes tells finer."
            )
        return said
    return f"{len(tasters)} tasters steer a recipe; they do not speak for a market."


def _off_the_scale(shown: float, measure: Measure | None) -> bool:
    return measure is not None and shown > measure.span
