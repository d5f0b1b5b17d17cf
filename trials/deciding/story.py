"""The story of a development: all its rounds in one table, and the recipe it ends with."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from trials.analysis.answers import Answers
from trials.analysis.best_bakes import BEST_SO_FAR
from trials.analysis.choice import Recommendation
from trials.analysis.question import evidence
from trials.analysis.region import setting_words
from trials.analysis.results import Findings
from trials.base.arguments import checked_types
from trials.base.errors import RoundError, TrialsError
from trials.base.html import answer, render
from trials.base.html import table as as_table
from trials.base.words import figure, how_many, in_words, percent, tidy_number
from trials.core.evidence import Evidence, was_baked
from trials.core.factors import Categorical, Factor, holds
from trials.core.roles import Role
from trials.deciding.choosing import best_so_far
from trials.deciding.confirmation import LEVEL, Confirmation, confirmation
from trials.deciding.first_lines import range_words
from trials.recipe.card import Card, card
from trials.recipe.cautions import HOT_OIL, cautions
from trials.recipe.formula import Formula
from trials.recipe.units import measured, ounces
from trials.rounds.amounts import shopping_list
from trials.rounds.mixing import mixture_word
from trials.rounds.round import Round, line_of
from trials.rounds.safe import named_as_planned

# -- The recipe that a development ends with, as a card ready to publish.


TEMPLATES = Path(__file__).parent / "templates"
ROUNDED = 1e-6  # of a piece: 480 g are twelve of 40 g, whatever the last digit
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
    makes : tuple of str
        What the batch makes, and the oil it is fried in.
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
    makes: tuple[str, ...] = ()
    formula: Formula | None = field(default=None, repr=False)

    def text(self) -> str:
        """Return the card as plain text."""
        amounts = pd.DataFrame(self.card.rows())
        amounts = amounts[["begins", "amount", "ingredient", "percent"]]
        if not amounts["begins"].any():
            amounts = amounts.drop(columns="begins")
        table = amounts.to_string(index=False, header=False)
        lines = [self.card.name.upper(), *self.makes, "", table, ""]
        lines += [*self.process, "", f"Allergens: {in_words(self.card.allergens) or 'none known'}."]
        lines += [*self.cautions, "", *self.evidence, self.card.note, *self.notes]
        if self.card.origin:
            lines.append(f"Origin: {self.card.origin}.")
        return "\n".join(lines)

    def __repr__(self) -> str:
        return self.text()

    def _repr_html_(self) -> str:
        small = [*self.evidence, self.card.note, *self.notes]
        small += [f"Origin: {self.card.origin}."] if self.card.origin else []
        held = in_words(self.card.allergens) or "none known"
        return render(TEMPLATES, "final_card.html", told=self, allergens=held, small=small)


def final_card(
    round_: Round,
    settings: Mapping[str, Any],
    *,
    evidence: Sequence[str] = (),
    tried: Mapping[str, tuple[float, float]] | None = None,
    units: str = "grams",
    whole_eggs: bool = False,
    name: str = "",
    **amount: float,
) -> FinalCard:
    """Return the recipe of a setting as a card ready to publish, under a name of its own if any."""
    factors = round_.plan.factors
    formula = _formula(round_, settings)
    grams = formula.grams(**(amount or _batch(round_)))
    notes: list[str] = []
    if whole_eggs:
        grams, said = _with_whole_eggs(formula, grams)
        notes.append(said)
    shown = card(formula, grams, units, scales=round_.batch.scales)
    if whole_eggs:
        shown = replace(shown, amounts=_eggs_counted(shown.amounts, grams))
    if units == "household":
        notes += _outside(_rounded(formula, grams), factors, settings, tried or {})
    if round_.invented:
        notes.append("Everything on this card is invented to show the way.")
    words = {
        factor.name: factor.show(settings[factor.name])
        for factor in factors
        if holds(factor.only_when, settings)
    }
    ways = [factor.name for factor in factors if factor.changes is None and factor.name in words]
    steps = [step for step in round_.steps if step.is_for(settings)]
    process = [f"{name[0].upper()}{name[1:]}: {words[name]}." for name in ways]
    process += [_step(step, settings) for step in steps]
    made = {name: settings[name] for name in words} | {step.name: "" for step in steps}
    named = named_as_planned(_one_bake(round_, settings))[_ONLY]
    found = cautions(formula, made, named)
    return FinalCard(
        card=replace(shown, name=name or shown.name, allergens=named),
        settings=words,
        process=tuple(process),
        cautions=tuple(one.text for one in found),
        evidence=tuple(evidence),
        notes=tuple(notes),
        makes=_makes(round_, formula, grams, units, fried=HOT_OIL in found),
        formula=formula,
    )


def _formula(round_: Round, settings: Mapping[str, Any]) -> Formula:
    """Return the formula of one setting, as a bake of the round would have it."""
    if round_.formula is None:
        raise RoundError("this round has no formula, so there is no recipe to hand on; name one.")
    return _one_bake(round_, settings).formulas[_ONLY]


_ONLY = "B01"


def _one_bake(round_: Round, settings: Mapping[str, Any]) -> Round:
    """Return the round with one bake at a setting, as it would be planned."""
    row = round_.plan.table.iloc[[0]].assign(bake=_ONLY, role=Role.TRIAL.value, **settings)
    return replace(round_, plan=replace(round_.plan, rows=row))


def _makes(
    round_: Round, formula: Formula, grams: pd.DataFrame, units: str, *, fried: bool
) -> tuple[str, ...]:
    """Return what a batch makes, and the oil of a fresh fill, in the reader's units."""
    own = grams[~grams["part"].isin(formula.aside)] if "part" in grams else grams
    dough = float(own["grams"].sum()) * (1 - round_.batch.loss / 100)

    def shown(weight: float) -> str:
        return f"{weight:.0f} g" if units == "grams" else ounces(weight)

    word = mixture_word(formula, round_.steps)
    piece = round_.batch.piece
    if piece:
        count = int(dough / piece + ROUNDED)
        said = f"Makes {count} piece{'' if count == 1 else 's'} of {shown(piece)} of {word} each."
    else:
        said = f"Makes {shown(dough)} of {word}."
    oil = round_.kitchen.oil_fill if round_.kitchen and fried else 0
    return (said, f"Frying oil: {shown(oil)} for a fresh fill.") if oil else (said,)


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
    return weight if density is None else measured(weight, density)


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
        where there are any; reference (the mean of that round's reference bakes); both with their
        95 % intervals (observed_low, observed_high, reference_low, reference_high) by how much
        single bakes of one setting differ.
    measure : str
        The first measure with a goal.
    settings : dict
        The setting it ends with.
    confirmed : Confirmation or None
    card : FinalCard or None
        None where the rounds have no formula.
    currency : str
    digest : str
        Of the evidence it rests on.
    sentences : tuple of str
    """

    table: pd.DataFrame
    course: pd.DataFrame
    measure: str
    settings: Mapping[str, Any]
    confirmed: Confirmation | None
    card: FinalCard | None
    currency: str = ""
    digest: str = ""
    sentences: tuple[str, ...] = field(default=())

    def __repr__(self) -> str:
        return "\n".join(self.sentences)

    def shown(self) -> pd.DataFrame:
        """Return the table as it is read, a column a round; "no prices" where none are known."""
        table = self.table.copy()
        unit = f" {self.currency}" if self.currency else ""
        table["cost"] = [
            f"{cost:.2f}{unit}" if np.isfinite(cost) else "no prices" for cost in table["cost"]
        ]
        return table.set_index("round").T.rename_axis(columns=None)

    def _repr_html_(self) -> str:
        made = Markup(self.card._repr_html_()) if self.card else Markup()
        return answer(self.sentences) + as_table(self.shown(), names=True) + made


@checked_types(RoundError)
def tell(
    rounds: Round | Sequence[Round] | str | Path,
    *,
    units: str = "grams",
    whole_eggs: bool = False,
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
    line = _line(rounds)
    return story_of(line, Answers(evidence(line)), units=units, whole_eggs=whole_eggs)


def story_of(
    rounds: Sequence[Round], answers: Answers, *, units: str = "grams", whole_eggs: bool = False
) -> Story:
    """Return the story of rounds that were read already."""
    named = list(zip([part.name for part in answers.evidence.parts], rounds, strict=True))
    waiting = [one for name, one in named if name in answers.evidence.waiting]
    line = [one for name, one in named if name in answers.rounds]
    steps = [_story_step(answers.until(n), n, one) for n, one in named if n in answers.rounds]
    table = pd.DataFrame([step["row"] for step in steps], columns=list(COLUMNS))
    course = pd.DataFrame([step["point"] for step in steps])
    course["bakes"] = table["bakes"].cumsum()
    last = steps[-1]
    settings = last["settings"]
    outcomes = tried_again(steps, settings)
    confirmed = outcomes[-1] if outcomes else None
    rests_on = _evidence(line, table, outcomes)
    card = None
    if line[-1].formula is not None:
        card = final_card(
            line[-1],
            settings,
            evidence=rests_on,
            tried=_tried_ranges(answers.evidence),
            units=units,
            whole_eggs=whole_eggs,
            name=crossing_name(answers.evidence, settings),
        )
    return Story(
        table=table,
        course=course,
        measure=last["measure"],
        settings=settings,
        confirmed=confirmed,
        card=card,
        currency=_currency(line),
        digest=answers.evidence.digest,
        sentences=(
            *answers.evidence.left_out,
            *_told(line, table, last["best"], last["found"], confirmed),
            *(f'"{one.name}" is planned and not baked yet.' for one in waiting),
        ),
    )


def tried_again(
    steps: Sequence[Mapping[str, Any]], settings: Mapping[str, Any]
) -> tuple[Confirmation, ...]:
    """Return how confirmation bakes of a setting came out, round by round in which they were made.

    Examples
    --------
    >>> tried_again([{"tried": {"rest": 20}, "confirmed": None}], {"rest": 20})
    ()
    """
    own = (one["confirmed"] for one in steps if one["tried"] == settings)
    return tuple(one for one in own if one is not None)


def crossing_name(known: Evidence, settings: Mapping[str, Any]) -> str:
    """Return what a setting of two parents is called; empty where nothing was crossed."""
    if len(known.parents) < 2:
        return ""
    here = setting_words(known.factors, settings)
    for name, own in known.parents.items():
        if setting_words(known.factors, own) == here:
            return name
    return f"cross of {in_words(known.parents)}"


def _line(rounds: Round | Sequence[Round] | str | Path) -> tuple[Round, ...]:
    if isinstance(rounds, str | Path):
        return line_of(Round.open(rounds))
    if isinstance(rounds, Round):
        return line_of(rounds)
    if not rounds:
        raise RoundError("a story needs at least one round.")
    return tuple(rounds)


def _story_step(answers: Answers, name: str, here: Round) -> dict[str, Any]:
    """Return what one round adds to the story."""
    tried = answers.evidence.confirmed.get(name)
    outcome = confirmation(answers) if tried is not None else None
    best = best_so_far(answers)
    settings = dict(best.settings)
    first = best.measures[0].name
    if outcome is not None:
        learned, decided = " ".join(outcome.sentences[:3]), _decided(outcome)
    else:
        learned = " ".join(_taught(answers, first))
        decided = _chosen(answers.on(first), best)
    row = {
        "round": here.name,
        "tried": _tried(here),
        "learned": learned,
        "decided": decided,
        **_spent(here, answers.evidence.of(name)),
    }
    return {
        "row": row,
        "point": _point(here, best, tried, outcome, answers.evidence.of(name)),
        "settings": settings,
        "best": best,
        "found": answers.on(first),
        "measure": first,
        "tried": dict(tried) if tried is not None else None,
        "confirmed": outcome,
    }


def _taught(answers: Answers, response: str) -> list[str]:
    """Return the first sentence, and those of what matters; else the one that comes next."""
    opening = len(answers.evidence.opening(response))
    first, *others = answers.on(response).sentences[opening:]
    matters = [one for one in others if one.endswith("Matters.")]
    best = [one for one in others if one.startswith(BEST_SO_FAR)]
    return [first, *(matters or others[:1])[:SENTENCES], *best]


def _chosen(found: Findings, best: Recommendation) -> str:
    """Return what was decided; nothing was where no direction of any effect is sure."""
    if best.to_learn is not None:
        return best.stay
    setting = setting_words(best.factors, best.settings)
    spoken = found.spoken
    if bool(((spoken["low"] > 0) | (spoken["high"] < 0)).any()):
        return " ".join(filter(None, (f"Go on with {setting}.", best.given_up)))
    return f"Nothing yet. The best guess so far: {setting}."


def _decided(outcome: Confirmation | None) -> str:
    if outcome is None or not outcome.confirmed:
        return "Look again."
    if outcome.better is False:
        return "It holds, but is no better than the reference: keep that, or go on."
    return "Publish; whether more bakes are worth it, `trials next` says."


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
    baked = bakes[was_baked(bakes["status"])]
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
    here: Round,
    best: Recommendation,
    tried: Mapping[str, Any] | None,
    outcome: Confirmation | None,
    rows: pd.DataFrame,
) -> dict[str, Any]:
    """Return what is expected of the chosen setting, or was foretold of confirmation bakes."""
    name = best.measures[0].name
    told = _on_scale(best)
    expected, low, high = told["estimate"], told["low"], told["high"]
    # How far one bake lies from the mean of many is what a new bake's interval is wider by; of a
    # reference that is stayed with, one more bake alone is foretold, and nothing is known of that
    row = best.expected.iloc[0]
    wider = (row["new_high"] - row["new_low"]) ** 2 - (row["high"] - row["low"]) ** 2
    one_bake = float(np.sqrt(wider)) / 2 if wider > 0 else float("nan")
    settings, observed, count = best.settings, float("nan"), 1
    if outcome is not None and tried is not None:
        own = outcome.table
        own = own[(own["measure"] == name) & (own["what"] == LEVEL)].iloc[0]
        expected, low, high = own["expected"], own["low"], own["high"]
        observed, settings, count = float(own["observed"]), tried, int(own["bakes"])
    beside = rows[(rows["role"] == Role.REFERENCE) & rows[name].notna()]
    references = pd.to_numeric(beside[name]).groupby(beside["bake"]).mean()
    reference = float(references.mean()) if len(references) else float("nan")
    found = {
        "round": here.name,
        "bakes": 0,
        "setting": setting_words(best.factors, settings),
        "expected": float(expected),
        "low": float(low),
        "high": float(high),
    }
    for what, value, bakes in (
        ("observed", observed, count),
        ("reference", reference, max(len(references), 1)),
    ):
        reach = one_bake / np.sqrt(bakes)
        found |= {what: value, f"{what}_low": value - reach, f"{what}_high": value + reach}
    return found


def _tried_ranges(evidence: Evidence) -> dict[str, tuple[float, float]]:
    rows = evidence.planned
    return {
        factor.name: (float(rows[factor.name].min()), float(rows[factor.name].max()))
        for factor in evidence.factors
        if not isinstance(factor, Categorical)
    }


def _evidence(
    line: Sequence[Round], table: pd.DataFrame, outcomes: Sequence[Confirmation]
) -> list[str]:
    tasters = {one.name for round_ in line for one in round_.tasters}
    rounds = f"{len(line)} round{'s' if len(line) > 1 else ''}"
    lost = int(table["failed"].sum())
    more = f", {lost} more failed" if lost else ""
    each = f"{len(tasters)} taster{'' if len(tasters) == 1 else 's'}"
    said = [f"Rests on {int(table['bakes'].sum()) - lost} bakes{more}; {rounds}, {each}."]
    said.append(again_words(outcomes))
    return said


def again_words(outcomes: Sequence[Confirmation]) -> str:
    """Return how often a setting was baked again, in all rounds together, and whether it held.

    Examples
    --------
    >>> again_words([])
    'Not yet baked again to see whether it holds.'
    """
    if not outcomes:
        return "Not yet baked again to see whether it holds."
    again, beside = (
        sum(int(one.table[what].iloc[0]) for one in outcomes) for what in ("bakes", "references")
    )
    times = f"{again} time{'' if again == 1 else 's'}"
    other = f", beside {how_many(beside, 'reference bake')}" if beside else ""
    held = [one.confirmed for one in outcomes]
    how = "held" if all(held) else "did not hold"
    if len(set(held)) > 1:
        last = "the last among them" if held[-1] else "not in the last"
        how = f"held in {sum(held)} of {len(held)} rounds, {last}"
    return f"Baked again {times}{other}, tasted blind, and it {how}."


def _told(
    line: Sequence[Round],
    table: pd.DataFrame,
    best: Recommendation,
    found: Findings,
    confirmed: Confirmation | None,
) -> list[str]:
    last = _on_scale(best)
    days = int(table["days"].sum())
    spent = (
        f"{len(line)} round{'s' if len(line) > 1 else ''}, {int(table['bakes'].sum())} bakes on "
        f"{days} day{'' if days == 1 else 's'}, {int(table['tastings'].sum())} tastings"
    )
    if table["cost"].notna().any():
        spent += f", {float(table['cost'].sum()):.2f} {_currency(line)} of ingredients"
    said = [
        f"Spent: {spent}.",
        f"The recipe now: {setting_words(best.factors, best.settings)}, {best.measures[0].name} is "
        f"expected at {figure(last['estimate'])}.{range_words(found, best, '')}",
    ]
    if best.untried and confirmed is None:
        said.append(best.untried)
    if confirmed is not None:
        said += confirmed.sentences
    if any(one.invented for one in line):
        said.append("All of it is invented, to show the way.")
    return said


def _on_scale(best: Recommendation) -> pd.Series:
    """Return what is expected of the first measure; a score can not lie off its scale."""
    told, names = best.expected.iloc[0].copy(), ["estimate", "low", "high"]
    told[names] = best.measures[0].on_scale(told[names].astype(float))
    return told


def told_or_why(round_: Round) -> Story | str:
    """Return the story of a round, or the reason why it can not be told yet."""
    try:
        return tell(round_)
    except TrialsError as error:
        return str(error)
