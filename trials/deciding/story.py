"""The story of a development: all its rounds in one table, and the recipe it ends with."""

import html
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.region import coded, setting_words
from trials.base.errors import RoundError, TrialsError
from trials.base.words import in_words, percent, tidy_number
from trials.core.factors import Categorical, Factor
from trials.core.roles import Role
from trials.core.verdicts import CONFIDENCE
from trials.deciding.confirmation import Confirmation, confirmation, is_confirming
from trials.deciding.gain import Knowledge, known
from trials.deciding.lineage import (
    baked_so_far,
    best_so_far,
    findings_together,
    fit_together,
    is_baked,
    line_of,
)
from trials.recipe.card import Card, card
from trials.recipe.cautions import cautions
from trials.recipe.formula import Formula
from trials.recipe.units import VOLUMES, convert, household
from trials.rounds.amounts import bake_formulas, shopping_list
from trials.rounds.round import Round
from trials.rounds.scores import scores

# -- The recipe that a development ends with, as a card ready to publish.


EGG = 50.0  # grams of a middling egg without its shell (common practice, no source)
_EGG_NAMES = ("egg", "eggs", "whole egg")


@dataclass(frozen=True, eq=False)
class FinalCard:
    """A recipe ready to publish.

    Parameters
    ----------
    card : Card
        Amounts, percentages of the flour, allergens.
    settings : dict
        Every factor with its setting, in words.
    process : tuple of str
        The settings that are no ingredient, then the steps of the round.
    cautions : tuple of str
    evidence : tuple of str
        How many bakes and tasters it rests on, and whether it was confirmed.
    notes : tuple of str
        Where rounding leaves what was tried, and what is invented.
    formula : Formula
        As exact as it was baked.
    """

    card: Card
    settings: Mapping[str, str]
    process: tuple[str, ...]
    cautions: tuple[str, ...]
    evidence: tuple[str, ...]
    notes: tuple[str, ...] = ()
    formula: Formula | None = field(default=None, repr=False)

    def text(self) -> str:
        """Return the card as plain text."""
        amounts = self.card.amounts.copy()
        amounts["percent"] = [f"{tidy_number(value, 3)} %" for value in amounts["percent"]]
        lines = [self.card.name.upper(), "", amounts.to_string(index=False, header=False), ""]
        lines += [*self.process, "", f"Allergens: {in_words(self.card.allergens) or 'none known'}."]
        lines += [*self.cautions, "", *self.evidence, self.card.note, *self.notes]
        if self.card.origin:
            lines.append(f"Origin: {self.card.origin}.")
        return "\n".join(lines)

    def __repr__(self) -> str:
        return self.text()

    def _repr_html_(self) -> str:
        amounts = self.card.amounts.copy()
        amounts["percent"] = [f"{tidy_number(value, 3)} %" for value in amounts["percent"]]
        table = amounts.to_html(index=False, border=0, escape=True)
        pieces = [f"<h3>{html.escape(self.card.name)}</h3>", table]
        pieces += [_list(self.process), f"<p><b>Allergens:</b> {_allergens(self.card)}</p>"]
        pieces.append(_list(self.cautions))
        small = [*self.evidence, self.card.note, *self.notes]
        if self.card.origin:
            small.append(f"Origin: {self.card.origin}.")
        pieces.append(f"<p><small>{html.escape(' '.join(small))}</small></p>")
        return "".join(pieces)


def _list(lines: Sequence[str]) -> str:
    return f"<ul>{''.join(f'<li>{html.escape(line)}</li>' for line in lines)}</ul>"


def _allergens(found: Card) -> str:
    return html.escape(in_words(found.allergens) or "none known")


def final_card(
    round_: Round,
    settings: Mapping[str, Any],
    *,
    evidence: Sequence[str] = (),
    tried: Mapping[str, tuple[float, float]] | None = None,
    units: str = "grams",
    whole_eggs: bool = False,
    **amount: float,
) -> FinalCard:
    """Return the recipe of a setting as a card ready to publish."""
    factors = round_.plan.factors
    formula = _formula(round_, settings)
    grams = formula.grams(**(amount or _batch(round_)))
    notes: list[str] = []
    if whole_eggs:
        grams, said = _with_whole_eggs(formula, grams)
        notes.append(said)
    shown = card(formula, grams, units)
    if whole_eggs:
        shown = replace(shown, amounts=_eggs_counted(shown.amounts, grams))
    if units == "household":
        measured = _rounded(formula, grams)
        notes += _outside(measured, factors, settings, tried or {})
    if round_.invented:
        notes.append("Everything on this card is invented to show the way.")
    words = {factor.name: factor.show(settings[factor.name]) for factor in factors}
    process = [f"{f.name}: {words[f.name]}." for f in factors if f.changes is None]
    process += [_step(step, settings) for step in round_.steps]
    found = cautions(formula, {name: settings[name] for name in words})
    return FinalCard(
        card=shown,
        settings=words,
        process=tuple(process),
        cautions=tuple(one.text for one in found),
        evidence=tuple(evidence),
        notes=tuple(notes),
        formula=formula,
    )


def _formula(round_: Round, settings: Mapping[str, Any]) -> Formula:
    """Return the formula of one setting, as a bake of the round would have it."""
    if round_.formula is None:
        raise RoundError("this round has no formula, so there is no recipe to hand on; name one.")
    row = round_.plan.table.iloc[[0]].assign(bake="B01", role=Role.TRIAL.value, **settings)
    return bake_formulas(replace(round_, plan=replace(round_.plan, rows=row)))["B01"]


def _batch(round_: Round) -> dict[str, Any]:
    return {"dough": round_.batch.grams, "loss": round_.batch.loss}


def _step(step: Any, settings: Mapping[str, Any]) -> str:
    minutes = settings.get(step.minutes, step.minutes)
    return f"{step.name.capitalize()}, {tidy_number(float(minutes), 3)} min."


def _with_whole_eggs(formula: Formula, grams: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    """Return a batch a little larger or smaller, so that its eggs are whole."""
    eggs = grams["ingredient"].isin(_EGG_NAMES)
    if not eggs.any():
        raise RoundError(f'"{formula.name}" holds no whole egg, so none can be counted.')
    weight = float(grams.loc[eggs, "grams"].sum())
    count = max(1, round(weight / EGG))
    scaled = grams.assign(grams=grams["grams"] * count * EGG / weight)
    return scaled, (
        f"The batch is {percent(count * EGG / weight)} of the one that was baked, so that "
        f"{count} egg{'s go' if count > 1 else ' goes'} in whole ({EGG:.0f} g each, without the "
        "shell); all percentages stay as they were."
    )


def _eggs_counted(amounts: pd.DataFrame, grams: pd.DataFrame) -> pd.DataFrame:
    counted = amounts.copy()
    for at in counted.index[counted["ingredient"].isin(_EGG_NAMES)]:
        count = round(float(grams.loc[at, "grams"]) / EGG)
        counted.loc[at, "amount"] = (
            f"{count} egg{'s' if count > 1 else ''} ({tidy_number(count * EGG, 4)} g)"
        )
    return counted


def _rounded(formula: Formula, grams: pd.DataFrame) -> Formula:
    """Return the formula that the rounded cups and spoons make."""
    parts: dict[str, dict[str, float]] = {}
    for row in grams.to_dict("records"):
        density = formula.mix.find(row["ingredient"]).density
        part = parts.setdefault(str(row.get("part", "")), {})
        part[row["ingredient"]] = _spooned(float(row["grams"]), density)
    return Formula(
        formula.name,
        parts if len(parts) > 1 else next(iter(parts.values())),
        ingredients=formula.ingredients,
        also_flour=formula.also_flour,
        aside=formula.aside,
    )


def _spooned(weight: float, density: float | None) -> float:
    found = re.fullmatch(
        r"about (?:(\d+) ?)?(?:(\d)/(\d) )?(cup|tbsp|tsp)s?", household(weight, density)
    )
    if density is None or not found:
        return weight
    whole, top, bottom, name = found.groups()
    amount = int(whole or 0) + (int(top) / int(bottom) if top else 0.0)
    return convert(amount * VOLUMES[name], "ml", "g", density=density)


def _outside(
    rounded: Formula,
    factors: Sequence[Factor],
    settings: Mapping[str, Any],
    tried: Mapping[str, tuple[float, float]],
) -> list[str]:
    """Return where rounding to cups and spoons leaves what was tried, as sentences."""
    said = []
    for factor in factors:
        if isinstance(factor, Categorical) or factor.changes is None:
            continue
        value = _value(rounded, factor.changes)
        if value is None:
            continue
        low, high = tried.get(factor.name, (factor.low, factor.high))
        if not low - 1e-9 <= value <= high + 1e-9:
            said.append(
                f"Rounded to cups and spoons, {factor.name} becomes {factor.show(round(value, 1))} "
                f"instead of {factor.show(settings[factor.name])}: outside the "
                f"{factor.show(low)} to {factor.show(high)} that were tried. Weigh instead."
            )
    return said


def _value(formula: Formula, change: Any) -> float | None:
    """Return what a factor would be set to in a formula; None for swaps and crossings."""
    kind, name = change[0], change[1]
    if kind == "total":
        return float(formula.totals()[name])
    grams = formula.grams(flour=100.0).groupby("ingredient")["grams"].sum()
    if kind in ("percent", "flour share"):
        return float(grams.get(name, 0.0))
    return None


# -- The story of a development: all its rounds in one table, and the recipe it ends with.


COLUMNS = (
    "round",
    "tried",
    "learned",
    "decided",
    "bakes",
    "failed",
    "tastings",
    "days",
    "cost",
)
SENTENCES = 2  # of what matters, that a round taught


@dataclass(frozen=True, eq=False)
class Story:
    """A development, round by round.

    Parameters
    ----------
    table : DataFrame
        round, tried, learned, decided; spent: bakes (reference bakes counted), failed, tastings,
        days, cost (missing where no prices are known).
    course : DataFrame
        round, bakes (so far), setting, expected, low, high: the first measure at the setting
        chosen after each round, or what was foretold of confirmation bakes; observed (their mean)
        where there are any.
    measure : str
        The first measure with a goal.
    settings : dict
        The setting it ends with.
    confirmed : Confirmation or None
    card : FinalCard or None
        None where the rounds have no formula.
    currency : str
    sentences : tuple of str
    """

    table: pd.DataFrame
    course: pd.DataFrame
    measure: str
    settings: Mapping[str, Any]
    confirmed: Confirmation | None
    card: FinalCard | None
    currency: str = ""
    sentences: tuple[str, ...] = field(default=())

    def __repr__(self) -> str:
        return "\n".join(self.sentences)

    def shown(self) -> pd.DataFrame:
        """Return the table as it is read, a column a round; "no prices" where none are known."""
        table = self.table.copy()
        unit = f" {self.currency}" if self.currency else ""
        table["cost"] = [
            f"{tidy_number(cost, 4)}{unit}" if np.isfinite(cost) else "no prices"
            for cost in table["cost"]
        ]
        return table.set_index("round").T.rename_axis(columns=None)

    def _repr_html_(self) -> str:
        said = "".join(f"<p>{html.escape(sentence)}</p>" for sentence in self.sentences)
        shown = self.shown().to_html(border=0, escape=True)
        made = self.card._repr_html_() if self.card else ""
        return f'{said}<div style="overflow-x:auto">{shown}</div>{made}'


def tell(
    rounds: Round | Sequence[Round] | str | Path, *, units: str = "grams", whole_eggs: bool = False
) -> Story:
    """Tell a development: what was tried, learned, decided and spent, and the recipe now.

    Parameters
    ----------
    rounds : Round, sequence of Round, str or Path
        Its last round, or the folder of it: the rounds before are found. A sequence is taken as
        it is.
    units : str
        Of the recipe: "grams", "ounces" or "household".
    whole_eggs : bool
        Whether the amounts are chosen so that no egg is divided.

    Returns
    -------
    Story
        What :func:`trials.story` writes as a page: table, settings, confirmed, card, sentences.

    Raises
    ------
    RoundError
        When there is no round.
    FitError
        When nothing can be learned from the rounds yet.
    """
    line, waiting = baked_so_far(_line(rounds))
    steps = [_story_step(line[: place + 1]) for place in range(len(line))]
    table = pd.DataFrame([step["row"] for step in steps], columns=list(COLUMNS))
    course = pd.DataFrame([step["point"] for step in steps])
    course["bakes"] = table["bakes"].cumsum()
    last = steps[-1]
    settings = last["settings"]
    confirmed = last_tried(steps, settings)
    evidence = _evidence(line, table, confirmed)
    card = None
    if line[-1].formula is not None:
        card = final_card(
            line[-1],
            settings,
            evidence=evidence,
            tried=_tried_ranges(line),
            units=units,
            whole_eggs=whole_eggs,
        )
    return Story(
        table=table,
        course=course,
        measure=last["measure"],
        settings=settings,
        confirmed=confirmed,
        card=card,
        currency=_currency(line),
        sentences=(
            *_told(line, table, course, settings, confirmed, last["measure"]),
            *(f'"{one.name}" is planned and not baked yet.' for one in waiting),
        ),
    )


def last_tried(
    steps: Sequence[Mapping[str, Any]], settings: Mapping[str, Any]
) -> Confirmation | None:
    """Return how confirmation bakes of a setting came out, in whichever round they were made.

    Examples
    --------
    >>> last_tried([{"settings": {"rest": 20}, "confirmed": None}], {"rest": 20}) is None
    True
    """
    own = (one["confirmed"] for one in reversed(steps) if one["settings"] == settings)
    return next((one for one in own if one is not None), None)


def _line(rounds: Round | Sequence[Round] | str | Path) -> tuple[Round, ...]:
    if isinstance(rounds, str | Path):
        return line_of(Round.open(rounds))
    if isinstance(rounds, Round):
        return line_of(rounds)
    if not rounds:
        raise RoundError("a story needs at least one round.")
    return tuple(rounds)


def _story_step(line: Sequence[Round]) -> dict[str, Any]:
    """Return what one round adds to the story."""
    here = line[-1]
    tidy = scores(here)
    confirming = is_confirming(here) and len(line) > 1
    # What confirmation bakes say is held against the rounds before them
    fitted = line[:-1] if confirming else line
    found = findings_together(fitted)
    wanted = [fitted[-1].measure(name) for name in found]
    knowledge = known(found, wanted, exclude=list(here.plan.excluded) or None)
    first = knowledge.beliefs[0].measure.name
    outcome = confirmation(here) if confirming else None
    if confirming:
        settings = _setting_of(here)
        learned = " ".join(outcome.sentences[:3]) if outcome else ""
        decided = _decided(outcome)
    else:
        best = best_so_far(line)
        settings = dict(best.settings)
        learned = " ".join(_taught(fit_together(line, first).sentences))
        decided = f"Go on with {setting_words(knowledge.factors, settings)}."
    row = {
        "round": here.name,
        "tried": _tried(here),
        "learned": learned,
        "decided": decided,
        **_spent(here, tidy),
    }
    point = _point(here, knowledge, settings, outcome)
    return {
        "row": row,
        "point": point,
        "settings": settings,
        "measure": first,
        "confirmed": outcome,
    }


def _taught(sentences: Sequence[str]) -> list[str]:
    """Return the first sentence, and those of what matters; else the one that comes next."""
    first, *others = sentences
    matters = [one for one in others if one.endswith("Matters.")]
    return [first, *(matters or others[:1])[:SENTENCES]]


def _decided(outcome: Confirmation | None) -> str:
    if outcome is None or not outcome.confirmed:
        return "Look again."
    if outcome.better is False:
        return "It holds, but is no better than the reference: keep that, or go on."
    return "Publish; whether more bakes are worth it, `trials next` says."


def _setting_of(round_: Round) -> dict[str, Any]:
    rows = round_.plan.rows
    row = rows[rows["role"] == Role.TRIAL].iloc[0]
    return {factor.name: row[factor.name] for factor in round_.plan.factors}


def _tried(round_: Round) -> str:
    rows = round_.plan.rows
    rows = rows[rows["role"] != Role.REFERENCE]
    said, held = [], []
    for factor in round_.plan.factors:
        own = rows[factor.name]
        if own.nunique() == 1:
            held.append(f"{factor.name} {factor.show(own.iloc[0])}")
        else:
            said.append(f"{factor.name} {_range(factor, own)}")
    parts = [in_words(said)] if said else []
    if held:
        parts.append(f"{'held: ' if said else ''}{in_words(held)}")
    references = int((round_.plan.rows["role"] == Role.REFERENCE).sum())
    if references:
        parts.append(f"{references} reference bake{'s' if references > 1 else ''} beside")
    return "; ".join(parts)


def _range(factor: Factor, values: pd.Series) -> str:
    if isinstance(factor, Categorical):
        return in_words([factor.show(one) for one in factor.levels if (values == one).any()], "or")
    return f"{factor.show(values.min())} to {factor.show(values.max())}"


def _spent(round_: Round, tidy: pd.DataFrame) -> dict[str, Any]:
    bakes = tidy.drop_duplicates("bake")
    baked = bakes[is_baked(bakes["status"])]
    measured = [one.name for one in round_.measures if one.per == "tasting"]
    tasted = tidy[tidy["taster"].notna()]
    return {
        "bakes": len(baked),
        "failed": int((baked["status"] == "failed").sum()),
        "tastings": int(tasted[measured].notna().any(axis=1).sum()) if measured else 0,
        "days": baked["day"].nunique(),
        "cost": _cost(round_),
    }


def _cost(round_: Round) -> float:
    if round_.formula is None or round_.prices is None:
        return float("nan")
    table = shopping_list(round_)
    column = next((name for name in table if str(name).startswith("cost")), None)
    return float("nan") if column is None else round(float(table[column].sum()), 2)


def _currency(line: Sequence[Round]) -> str:
    return next((one.prices.currency for one in line if one.prices is not None), "")


def _point(
    here: Round, knowledge: Knowledge, settings: Mapping[str, Any], outcome: Confirmation | None
) -> dict[str, Any]:
    """Return what is expected of the chosen setting, or was foretold of confirmation bakes."""
    one = knowledge.beliefs[0]
    drawn = one.rows(coded(knowledge.factors, settings))[0] @ one.draws
    low, high = np.quantile(drawn, ((1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2))
    expected, observed = float(drawn.mean()), float("nan")
    if outcome is not None:
        own = outcome.table
        own = own[(own["measure"] == one.measure.name) & (own["what"] == "level")].iloc[0]
        expected, low, high = own["expected"], own["low"], own["high"]
        observed = float(own["observed"])
    return {
        "round": here.name,
        "bakes": 0,
        "setting": setting_words(knowledge.factors, settings),
        "expected": float(expected),
        "low": float(low),
        "high": float(high),
        "observed": observed,
    }


def _tried_ranges(line: Sequence[Round]) -> dict[str, tuple[float, float]]:
    ranges: dict[str, tuple[float, float]] = {}
    for factor in line[-1].plan.factors:
        if isinstance(factor, Categorical):
            continue
        values = [
            v for one in line if factor.name in one.plan.rows for v in one.plan.rows[factor.name]
        ]
        ranges[factor.name] = (float(min(values)), float(max(values)))
    return ranges


def _evidence(
    line: Sequence[Round], table: pd.DataFrame, confirmed: Confirmation | None
) -> list[str]:
    tasters = {one.name for round_ in line for one in round_.tasters}
    rounds = f"{len(line)} round{'s' if len(line) > 1 else ''}"
    said = [f"Rests on {int(table['bakes'].sum())} bakes in {rounds} and {len(tasters)} tasters."]
    if confirmed is None:
        said.append("Not yet confirmed by bakes of its own.")
    else:
        bakes = int(confirmed.table["bakes"].iloc[0])
        verdict = "Confirmed" if confirmed.confirmed else "Not confirmed"
        said.append(f"{verdict} by {bakes} bakes of its own, tasted blind.")
    return said


def _told(
    line: Sequence[Round],
    table: pd.DataFrame,
    course: pd.DataFrame,
    settings: Mapping[str, Any],
    confirmed: Confirmation | None,
    measure: str,
) -> list[str]:
    factors = line[-1].plan.factors
    last = course.iloc[-1]
    expected = "was foretold at" if np.isfinite(last["observed"]) else "is expected at"
    days = int(table["days"].sum())
    spent = (
        f"{len(line)} round{'s' if len(line) > 1 else ''}, {int(table['bakes'].sum())} bakes on "
        f"{days} day{'' if days == 1 else 's'}, {int(table['tastings'].sum())} tastings"
    )
    if table["cost"].notna().any():
        spent += f", {tidy_number(float(table['cost'].sum()), 4)} {_currency(line)} of ingredients"
    said = [
        f"Spent: {spent}.",
        f"The recipe now: {setting_words(factors, settings)}, {measure} {expected} "
        f"{tidy_number(float(last['expected']), 2)} ({tidy_number(float(last['low']), 2)} to "
        f"{tidy_number(float(last['high']), 2)}).",
    ]
    if confirmed is not None:
        said += confirmed.sentences
    if any(one.invented for one in line):
        said.append("All of it is invented, to show the way.")
    return said


def told_or_why(round_: Round) -> Story | str:
    """Return the story of a round, or the reason why it can not be told yet."""
    try:
        return tell(round_)
    except TrialsError as error:
        return str(error)
