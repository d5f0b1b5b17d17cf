"""What is mixed and weighed for each bake, the doughs that bakes share, and what to buy."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from trials.base.arguments import checked_types
from trials.base.errors import FormulaError, RoundError
from trials.base.words import how_many, in_words, tidy_number
from trials.core.factors import Factor, Numeric, is_blank
from trials.core.plan import MIXED_ONCE, kitchen_group
from trials.core.roles import Role
from trials.recipe.cautions import is_fried
from trials.recipe.formula import Formula, totals
from trials.recipe.weighing import smallest_batch, weigh
from trials.rounds.kitchen import Batch, Prices
from trials.rounds.mixing import formula_of, in_place_of, mixture_word
from trials.rounds.round import Round, opened

# -- What is mixed: the formula of each bake, and the doughs that several bakes are divided from.


@dataclass(frozen=True)
class Dough:
    """One mixture made once and divided between bakes: a load of its own.

    Parameters
    ----------
    name : str
        "dough batch 1".
    group : str
        The column of the plan that says who shares it.
    bakes : tuple of str
        In baking order.
    part : str
        The part of the formula that it is.
    formula : Formula
        Of the first bake; the part is the same in all of them.
    """

    name: str
    group: str
    bakes: tuple[str, ...]
    part: str
    formula: Formula


def shared_doughs(round_: Round, formulas: Mapping[str, Formula]) -> list[Dough]:
    """Return the doughs that are made once and divided between bakes, in baking order.

    Bakes share a dough where they share a "dough" or "batter", or a hard-to-change setting that
    changes the formula, and the part that holds the flour is the same in all of them. Reference
    bakes of another formula are mixed by themselves.
    """
    plan = round_.plan
    found = []
    for group in plan.groups:
        changed = any(one.group == group and one.changes is not None for one in plan.factors)
        if group not in MIXED_ONCE and not changed:
            continue
        for number, rows in plan.table.groupby(group, sort=False):
            name = f"{kitchen_group(group, plan.factors)} {number}"
            found += _doughs(name, group, _fellows(rows, formulas), formulas)
    return found


def _fellows(rows: pd.DataFrame, formulas: Mapping[str, Formula]) -> list[str]:
    """Return the bakes of a group without reference bakes that are mixed otherwise."""
    own = list(rows.loc[rows["role"] != Role.REFERENCE, "bake"])
    if not own:
        return []
    first = formulas[own[0]].mix.parts
    return [bake for bake in rows["bake"] if bake in own or formulas[bake].mix.parts == first]


def _doughs(
    name: str, group: str, bakes: Sequence[str], formulas: Mapping[str, Formula]
) -> list[Dough]:
    if len(bakes) < 2:
        return []
    first = formulas[bakes[0]]
    mix = first.mix
    found = []
    for part in mix.parts:
        if part in mix.aside or not totals(mix, part)["flour"]:
            continue
        other = [bake for bake in bakes if not _same(first, formulas[bake], part)]
        if not other:
            found.append(Dough(name, group, tuple(bakes), part, first))
        elif group in MIXED_ONCE:
            raise FormulaError(
                f"{in_words(bakes)} are divided from one {name}, yet {bakes[0]} and {other[0]} "
                f'hold it otherwise mixed. Make what changes it hard to change as "{group}" too, '
                "or put what is worked in later into a part of its own."
            )
    return found if len(found) < 2 else [_named(one) for one in found]


def _same(one: Formula, other: Formula, part: str) -> bool:
    mine, theirs = one.mix.parts[part], other.mix.parts.get(part, {})
    return set(mine) == set(theirs) and all(
        abs(mine[name] - theirs[name]) <= 1e-9 * mine[name] for name in mine
    )


def _named(dough: Dough) -> Dough:
    return Dough(f"{dough.name}, {dough.part}", dough.group, dough.bakes, dough.part, dough.formula)


# -- What to weigh for each bake: its settings make its formula, its batch makes grams of it.


WEIGHED = ("part", "ingredient", "percent", "grams", "scale", "exact", "error", "within")


def weights(round_: Round, batch: Batch | None = None) -> pd.DataFrame:
    """Return what to weigh: one row per bake and ingredient.

    Where bakes are divided from one dough, its share is one row of the bake, and
    :func:`dough_weights` says what to weigh for the dough.

    References
    ----------
    Gisslen, Professional Baking (baker's percentage, yield).
    """
    batch = batch or round_.batch
    formulas = round_.formulas
    doughs = shared_doughs(round_, formulas)
    pieces = []
    batches = batch_sizes(round_, formulas, batch)
    for bake, formula in formulas.items():
        grams = _exact(formula, batches[bake])
        for dough in doughs:
            if bake in dough.bakes:
                grams = _portioned(grams, dough)
        pieces.append(_weighed(grams, batch).assign(bake=bake))
    return pd.concat(pieces, ignore_index=True)[["bake", *WEIGHED]]


IN_THE_BOWL = 3.0  # percent of a dough that no share gets: bowl, bench (common practice: 2 to 5)


def dough_weights(round_: Round, batch: Batch | None = None) -> pd.DataFrame:
    """Return what to weigh for doughs that are made once and divided between bakes.

    A dough is more than its shares, by what stays in the bowl.
    """
    batch = batch or round_.batch
    formulas = round_.formulas
    pieces = []
    batches = batch_sizes(round_, formulas, batch)
    for dough in shared_doughs(round_, formulas):
        shares = [
            _of_part(_exact(formulas[bake], batches[bake]), dough.part) for bake in dough.bakes
        ]
        whole = shares[0].copy()
        whole["grams"] = sum(share["grams"].to_numpy() for share in shares)
        shared = whole["grams"].sum()
        whole["grams"] *= _mixed(shared, batch) / shared
        pieces.append(_weighed(whole, batch).assign(dough=dough.name, bakes=len(dough.bakes)))
    columns = ["dough", "bakes", *WEIGHED]
    return (
        pd.concat(pieces, ignore_index=True)[columns] if pieces else pd.DataFrame(columns=columns)
    )


def _mixed(shared: float, batch: Batch) -> float:
    """Return the grams of a dough of which so much is shared out."""
    return max(shared / (1 - IN_THE_BOWL / 100), batch.smallest or 0.0)


def bowl_words(round_: Round, batch: Batch, dough: Dough) -> str:
    """Return why a dough is more than its shares."""
    word = mixture_word(round_.formula, round_.steps)
    batches = batch_sizes(round_, round_.formulas, batch)
    shared = sum(
        _of_part(_exact(round_.formulas[bake], batches[bake]), dough.part)["grams"].sum()
        for bake in dough.bakes
    )
    if _mixed(shared, batch) > shared / (1 - IN_THE_BOWL / 100):
        return f"It is the smallest {word} that mixes well: some of it is left over."
    return f"{tidy_number(IN_THE_BOWL)} % of the {word} is for what stays in the bowl."


def used(round_: Round, batch: Batch | None = None) -> pd.DataFrame:
    """Return the grams of every ingredient that each bake uses, its share of a dough included."""
    batch = batch or round_.batch
    formulas = round_.formulas
    doughs = shared_doughs(round_, formulas)
    own = weights(round_, batch)
    if not doughs:
        return own[["bake", "part", "ingredient", "grams"]]
    names = [dough.name for dough in doughs]
    pieces = [own[~own["ingredient"].isin(names)]]
    weighed = dough_weights(round_, batch)
    for dough in doughs:
        batches = batch_sizes(round_, formulas, batch)
        pieces += _shares(dough, weighed[weighed["dough"] == dough.name], formulas, batches)
    table = pd.concat(pieces, ignore_index=True)[["bake", "part", "ingredient", "grams"]]
    order = {bake: place for place, bake in enumerate(formulas)}
    return table.sort_values("bake", key=lambda one: one.map(order), kind="stable").reset_index(
        drop=True
    )


def _shares(
    dough: Dough,
    weighed: pd.DataFrame,
    formulas: Mapping[str, Formula],
    batches: Mapping[str, Batch],
) -> Sequence[pd.DataFrame]:
    """Return what each bake gets of a dough as it was weighed."""
    parts = [
        _of_part(_exact(formulas[bake], batches[bake]), dough.part)["grams"].sum()
        for bake in dough.bakes
    ]
    return [
        weighed.assign(bake=bake, grams=weighed["grams"] * own / sum(parts))
        for bake, own in zip(dough.bakes, parts, strict=True)
    ]


def batch_sizes(round_: Round, formulas: Mapping[str, Formula], batch: Batch) -> dict[str, Batch]:
    """Return how much is mixed for each bake: less flour at the same grams of all else is less.

    Where pieces are counted they stay as many and as heavy. No dough of a bake alone is less than
    the smallest that can be mixed well; what is not baked of it is left over.
    """
    sizes = _sizes_baked(round_, formulas, batch)
    least = batch.smallest or 0.0
    if not least:
        return sizes
    shared = {bake for dough in shared_doughs(round_, formulas) for bake in dough.bakes}
    return {
        bake: replace(own, dough=least * (1 - own.loss / 100), pieces=None)
        if bake not in shared and own.grams / (1 - own.loss / 100) < least
        else own
        for bake, own in sizes.items()
    }


def left_over_words(round_: Round, batch: Batch, bake: str) -> str:
    """Return what is mixed and what of it is baked, where less can not be mixed well."""
    formulas = round_.formulas
    mixed = batch_sizes(round_, formulas, batch)[bake].grams
    baked = _sizes_baked(round_, formulas, batch)[bake].grams
    if mixed <= baked * (1 + 1e-9):
        return ""
    return (
        f"The least that is mixed well, {tidy_number(mixed, 4)} g: bake "
        f"{tidy_number(baked, 4)} g of it."
    )


def _sizes_baked(round_: Round, formulas: Mapping[str, Formula], batch: Batch) -> dict[str, Batch]:
    grams = [one.name for one in round_.plan.factors if one.changes and one.changes[0] == "grams"]
    if not grams or batch.pieces is not None or round_.formula is None:
        return dict.fromkeys(formulas, batch)
    sizes = {}
    for row in round_.plan.table.to_dict("records"):
        formula = formulas[row["bake"]]
        whole = formula_of(round_.formula, round_.plan.factors, row, leaving=grams)
        size = batch.grams * _weight_kept(whole, formula)
        sizes[row["bake"]] = replace(batch, dough=size)
    return sizes


def _weight_kept(whole: Formula, changed: Formula) -> float:
    """Return the weight of a dough over what it was, at the same grams of what was not changed."""
    before, after = (
        {(at, name): amount for at, name, amount in one.mix.rows()} for one in (whole, changed)
    )
    scales = [before[key] / after[key] for key in before if after.get(key)]
    return changed.mix.weight() * float(np.median(scales)) / whole.mix.weight() if scales else 1.0


def _exact(formula: Formula, batch: Batch) -> pd.DataFrame:
    """Return the exact grams of a bake, once they sum to what was asked for."""
    table = formula.grams(dough=batch.grams, loss=batch.loss)
    if "part" not in table:
        table["part"] = ""
    mixed = table[~table["part"].isin(formula.aside)]
    wanted = batch.grams / (1 - batch.loss / 100)
    if not np.isclose(mixed["grams"].sum(), wanted, rtol=1e-9, atol=0):
        found, expected = tidy_number(mixed["grams"].sum()), tidy_number(wanted)
        raise FormulaError(f"the ingredients sum to {found} g where {expected} g was asked for.")
    return table[table["percent"] > 0]


def _of_part(grams: pd.DataFrame, part: str) -> pd.DataFrame:
    # A formula of one part shows no part
    return grams[grams["part"].isin([part, ""])]


def _portioned(grams: pd.DataFrame, dough: Dough) -> pd.DataFrame:
    """Return the grams of a bake with one row for its share of a dough."""
    share = _of_part(grams, dough.part)
    row = share.iloc[[0]].assign(
        ingredient=dough.name, percent=share["percent"].sum(), grams=share["grams"].sum()
    )
    return pd.concat([row, grams.drop(share.index)])


def _weighed(grams: pd.DataFrame, batch: Batch) -> pd.DataFrame:
    return weigh(grams, batch.scales).rename(columns={"grams": "exact", "weighed": "grams"})


AMPLE = 100.0  # grams of dough for each taster of a bake (common practice, no source)


def ample_words(round_: Round, batch: Batch) -> str:
    """Return that fewer grams would do for so few tasters; empty where they would not.

    Where nothing else is said a bake is a whole recipe, which is more than two people taste.
    """
    if batch.count is not None or not round_.tasters or round_.formula is None:
        return ""
    weighed = (smallest_batch(one, batch.scales).dough for one in round_.formulas.values())
    least = max(AMPLE * len(round_.tasters), batch.smallest or 0.0, *weighed)
    enough = 50 * ceil(round(least / 50, 6))
    if enough > _LESS * batch.grams:
        return ""
    bakes = how_many(len(round_.formulas), "bake")
    word = mixture_word(round_.formula, round_.steps)
    eat = "eats" if len(round_.tasters) == 1 else "eat"
    return (
        f"{bakes} of {tidy_number(batch.grams, 4)} g of {word} are more than "
        f"{how_many(len(round_.tasters), 'taster')} {eat}: a line [batch] at the end of "
        f"idea.toml and below it dough = {enough} make less (a smaller tin, where there is one), "
        "still enough to weigh well."
    )


_LESS = 0.75  # of a batch: a saving that is worth a sentence


def batch_sentence(round_: Round, batch: Batch) -> str:
    """Give what the scales make of this batch size, in words; the smallest that will do if not."""
    formulas, word = round_.formulas, mixture_word(round_.formula, round_.steps)
    # Yeast that goes into a dough for four bakes is weighed for all four
    if shared_doughs(round_, formulas):
        return _shared_sentence(round_, batch)
    if (batch.smallest or 0) > batch.grams:
        return (
            f"A bake takes {tidy_number(batch.grams, 4)} g of {word}, less than the "
            f"{tidy_number(batch.smallest or 0, 4)} g that you can mix well: so much is mixed for "
            "each, and what is not baked of it is left over."
        )
    smallest = max(
        (smallest_batch(formula, batch.scales, word=word) for formula in formulas.values()),
        key=lambda one: one.dough,
    )
    made = batch.grams / (1 - batch.loss / 100)
    if made >= smallest.dough * (1 - 1e-9):
        return f"{tidy_number(made, 4)} g of {word} can be weighed well on your scales."
    too_little = f"{tidy_number(made, 4)} g of {word} is too little to weigh well."
    return f"{too_little} {smallest.sentence}"


def _shared_sentence(round_: Round, batch: Batch) -> str:
    tables = (weights(round_, batch), dough_weights(round_, batch))
    coarse = [name for one in tables for name in one.loc[~one["within"].astype(bool), "ingredient"]]
    if not coarse:
        word = mixture_word(round_.formula, round_.steps)
        return f"All {word}s and bakes can be weighed well on your scales."
    names = in_words(dict.fromkeys(coarse))
    return f"Too little of {names} to weigh well on your scales: make larger batches."


# -- A setting in grams is of the recipe as written, and a swap may have put something in its place:
# what is weighed may be another figure, of something else.


@dataclass(frozen=True)
class Otherwise:
    """What is weighed where it is not what a setting says.

    Parameters
    ----------
    grams : float or None
        None where it is weighed together with more of the same, or in a dough that is shared.
    instead : str
        What a swap put in the place of the ingredient; empty where it is the ingredient itself.
    resized : bool
        Whether the setting is of a recipe of another size.
    """

    grams: float | None
    instead: str = ""
    resized: bool = True


def weighed_otherwise(
    round_: Round, row: Mapping[str, Any], grams: pd.DataFrame
) -> dict[str, Otherwise]:
    """Return what is weighed where it is not what a setting says, by factor.

    Parameters
    ----------
    round_ : Round
    row : mapping
        The bake, with its settings.
    grams : DataFrame
        What is weighed for it or for its dough: ingredient, grams, scale.
    """
    if round_.formula is None:
        return {}
    factors = round_.plan.factors
    found = {}
    instead = in_place_of(round_.formula, factors, row)
    for factor in factors:
        kind, what, *part = factor.changes or ("", "")
        setting = row[factor.name]
        if is_blank(setting):
            continue
        in_grams = kind == "grams" and isinstance(factor, Numeric) and factor.unit == "g"
        new = instead.get(factor.name, "")
        own = _rows_of(grams, new or str(what), part if new else ())
        if new:
            alone = len(own) and not _held_beside(round_, row, factor, new)
            resized = in_grams and _resized(round_.formula, factor, float(setting), grams)
            weight = float(own["grams"].sum()) if alone else None
            found[factor.name] = Otherwise(weight, new, resized)
        elif in_grams and len(own):
            weight = float(own["grams"].sum())
            if abs(weight - float(setting)) > own["scale"].max() / 2:
                found[factor.name] = Otherwise(weight)
    return found


def _rows_of(grams: pd.DataFrame, name: str, part: Sequence[str]) -> pd.DataFrame:
    own = grams[grams["ingredient"].str.casefold() == name.casefold()]
    return own[own["part"].isin([*part, ""])] if part else own


def _held_beside(round_: Round, row: Mapping[str, Any], factor: Factor, new: str) -> bool:
    """Say whether a bake holds more of what was put in place of something: it is weighed as one."""
    assert round_.formula is not None
    swaps = [one.name for one in round_.plan.factors if one.changes and one.changes[0] == "swap"]
    before = formula_of(round_.formula, round_.plan.factors, row, leaving=swaps)
    part = factor.changes[2] if factor.changes and len(factor.changes) > 2 else None
    return bool(before.mix.places(new, part))


def _resized(formula: Formula, factor: Factor, setting: float, grams: pd.DataFrame) -> bool:
    """Say whether a setting would be another figure in a batch of this size."""
    assert factor.changes is not None
    _, name, *part = factor.changes
    counted = grams[grams["percent"] > 0]
    flour = float((counted["exact"] / counted["percent"]).median())
    return abs(setting * (formula.written(name, *part) * flour - 1)) > counted["scale"].max() / 2


def weighed_words(factor: Factor, setting: Any, otherwise: Otherwise | None) -> str:
    """Return a setting that is in what is weighed so that nobody adds it once more.

    Examples
    --------
    >>> oil = Numeric("olive oil", 80, 120, "g", changes=("grams", "olive oil"))
    >>> weighed_words(oil, 120, Otherwise(148, "butter", resized=False))
    '148 g butter in place of 120 g'
    """
    shown = factor.show(setting)
    if otherwise is None:
        return shown
    as_written = " for the whole recipe" if otherwise.resized else ""
    here = "" if otherwise.grams is None else f"{tidy_number(otherwise.grams, 4)} g"
    if not otherwise.instead:
        return f"{shown}{as_written}; here {here}"
    return f"{here} {otherwise.instead} in place of {shown}{as_written}".strip()


# -- What to buy for a round, what each day uses, and whether the pieces reach for the tasters.


SPILL = 10.0  # percent on top for spills and one bake again (common practice, no source)
FRYING_OIL = "frying oil"  # the list's word for what the pot holds beside any formula
SPARE = 0.1  # of the pieces (common practice, no source)


@checked_types(RoundError)
def shopping_list(
    round_: Round | str | Path,
    batch: Batch | None = None,
    *,
    spill: float = SPILL,
    prices: Prices | None = None,
) -> pd.DataFrame:
    """Return what the whole round uses, fresh fills of oil too, with a margin, and its cost.

    Buy one lot of each flour and fat for the whole round.

    Parameters
    ----------
    round_ : Round, or its folder
    batch : Batch, optional
        The round's own when left out.
    spill : float
        Percent on top.
    prices : Prices, optional
        The round's own, where it has any, when left out.

    Returns
    -------
    DataFrame
        Columns ingredient, bakes (how many use it), grams (all bakes), buy (grams, with the
        margin, rounded up); and cost to the hundredth, in the currency that the column's name
        gives; missing where no price is known. The fills of a kitchen are "frying oil".

    Raises
    ------
    RoundError
        When a price is for something that the round does not use, or the margin is below 0.
    """
    round_ = opened(round_)
    if not 0 <= spill <= 1000:
        raise RoundError(f"spill is {spill} %; 0 or more was expected.")
    grams = used(round_, batch)
    grams = grams.groupby(["ingredient", "bake"], sort=False, as_index=False)["grams"].sum()
    table = (
        grams.groupby("ingredient", sort=False)
        .agg(bakes=("bake", "nunique"), grams=("grams", "sum"))
        .reset_index()
    )
    table = pd.concat([table, _oil_to_buy(round_)], ignore_index=True)
    table = table.sort_values("grams", ascending=False, kind="stable", ignore_index=True)
    table["grams"] = table["grams"].round(6)
    table["buy"] = [ceil(round(grams * (1 + spill / 100), 6)) for grams in table["grams"]]
    if prices is None and round_.prices is not None and round_.parent:
        # Prices come from the round before, and this one may leave out what that one used
        return _priced(table, round_.prices)
    prices = prices or round_.prices
    if prices is None:
        return table
    _check_used(table, prices)
    return _priced(table, prices)


def process_settings(round_: Round, row: Mapping[str, Any]) -> dict[str, Any]:
    """Return the settings of a bake that change no formula, heats, times, ways; and its steps."""
    settings = {
        factor.name: row[factor.name]
        for factor in round_.plan.factors
        if factor.changes is None and not is_blank(row[factor.name])
    }
    return settings | {step.name: "" for step in round_.steps if step.is_for(row)}


def fried_bakes(round_: Round) -> list[str]:
    """Return the bakes that are fried, as far as words or the heat of oil tell."""
    formulas = round_.formulas if round_.formula else {}
    return [
        str(row["bake"])
        for row in round_.plan.table.to_dict("records")
        if is_fried(formulas.get(row["bake"]), process_settings(round_, row))
    ]


def _oil_to_buy(round_: Round) -> pd.DataFrame:
    """Return the fresh fills of frying oil as one row of the list; none where nothing is fried."""
    grams = float(per_day(round_)["oil"].sum())
    rows = [(FRYING_OIL, int(_in_oil(round_).sum()), grams)] if grams else []
    return pd.DataFrame(rows, columns=["ingredient", "bakes", "grams"])


def _in_oil(round_: Round) -> pd.Series:
    """Return which bakes are fried in a fill; where no word tells, those of a load, or all."""
    table = round_.plan.table
    fried = table["bake"].isin(fried_bakes(round_))
    if fried.any():
        return fried
    return table["load"].notna() if table["load"].notna().any() else ~fried


def _check_used(table: pd.DataFrame, prices: Prices) -> None:
    names = [name.casefold() for name in table["ingredient"]]
    strange = [name for name in prices.per_kilogram if str(name).casefold() not in names]
    if strange:
        raise RoundError(
            f'"{strange[0]}" has a price but is not used; expected one of '
            f"{in_words(table['ingredient'], 'or')}."
        )


def _priced(table: pd.DataFrame, prices: Prices) -> pd.DataFrame:
    known = {str(name).casefold(): float(price) for name, price in prices.per_kilogram.items()}
    names = [name.casefold() for name in table["ingredient"]]
    cost = [
        round(known[name] * buy / 1000, 2) if name in known else float("nan")
        for name, buy in zip(names, table["buy"], strict=True)
    ]
    return table.assign(**{f"cost ({prices.currency})": cost})


def per_day(
    round_: Round, batch: Batch | None = None, *, oil_fill: float | None = None
) -> pd.DataFrame:
    """Return what each day uses."""
    if oil_fill is None:
        oil_fill = round_.kitchen.oil_fill if round_.kitchen else 0.0
    if not 0 <= oil_fill < float("inf"):
        raise RoundError(f"oil_fill is {oil_fill} g; 0 or more was expected.")
    formulas = round_.formulas
    grams = used(round_, batch)
    flours = {bake: set(formula.flours) for bake, formula in formulas.items()}
    is_flour = [name in flours[bake] for bake, name in grams[["bake", "ingredient"]].to_numpy()]
    aside = [part in formulas[bake].aside for bake, part in grams[["bake", "part"]].to_numpy()]
    flour = grams[is_flour].groupby("bake")["grams"].sum()
    dough = grams[[not one for one in aside]].groupby("bake")["grams"].sum()
    rows = []
    in_oil = _in_oil(round_)
    for day, bakes in round_.plan.table.groupby("day", sort=True):
        names, fried = bakes["bake"], bakes[in_oil[bakes.index]]
        # On a day on which nothing is fried no oil is filled in
        fills = max(fried["load"].nunique(), int(len(fried) > 0))
        rows.append((day, len(bakes), flour[names].sum(), dough[names].sum(), fills * oil_fill))
    table = pd.DataFrame(rows, columns=["day", "bakes", "flour", "dough", "oil"])
    return table.round({"flour": 6, "dough": 6})


def pieces_needed(
    tasters: int, *, share: float = 1.0, measured: int = 0, kept: int = 1, spare: float = SPARE
) -> int:
    """Return how many pieces of each bake are needed.

    References
    ----------
    Common practice, no source: tasters times share, measured and kept pieces, a tenth to spare.

    Examples
    --------
    >>> pieces_needed(8, share=0.5, measured=4)
    10
    """
    if min(tasters, share, measured, kept, spare) < 0:
        raise RoundError("pieces are counted from numbers of 0 or more.")
    return ceil(round((tasters * share + measured + kept) * (1 + spare), 9))


def pieces_sentence(round_: Round, batch: Batch, needed: int) -> str:
    """Return whether a batch gives the pieces that are needed, in words."""
    tasters = how_many(len(round_.tasters), "taster") if round_.tasters else "the table"
    if batch.count is None:
        return (
            f"{needed} pieces of each bake are needed for {tasters}; to be told whether they "
            "suffice, write what a piece weighs, in grams, under [batch] in idea.toml: piece = 40."
        )
    if batch.count >= needed:
        return f"{batch.count} pieces a bake; {needed} are needed for {tasters}."
    dough = tidy_number(needed * float(batch.piece or 0))
    return (
        f"{batch.count} pieces a bake are too few: {needed} are needed for {tasters}. Make "
        f"{dough} g of {mixture_word(round_.formula, round_.steps)} a bake."
    )
