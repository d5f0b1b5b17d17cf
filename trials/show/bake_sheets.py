"""The sheets of the cook: what to weigh and set for each bake, each day, and what to buy."""

import html
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import pandas as pd

from trials.base.html import PRINT_STYLE, page
from trials.base.words import in_words, tidy_number
from trials.core.factors import Categorical, Factor
from trials.core.measures import Measure
from trials.core.plan import kitchen_group
from trials.core.roles import STATUSES, Role
from trials.recipe.cautions import Caution, cautions, cautions_of_all
from trials.recipe.formula import Formula
from trials.rounds.amounts import (
    SPILL,
    Dough,
    bake_formulas,
    batch_sentence,
    dough_weights,
    per_day,
    pieces_needed,
    pieces_sentence,
    shared_doughs,
    shopping_list,
    weights,
)
from trials.rounds.kitchen import Batch, Prices, Step
from trials.rounds.round import Round

# -- What to weigh for one bake or one dough, as a table to print.


SHOWN = 0.005  # percent of the flour: smaller errors would be shown as none


def weigh_table(grams: pd.DataFrame, aside: Sequence[str] = ()) -> str:
    """Return what to weigh as markup, with a box for what it really was and the rounding error."""
    several = grams["part"].nunique() > 1
    lines = []
    for part, rows in grams.groupby("part", sort=False):
        if several:
            lines.append(f'<tr class="part"><td colspan="4">{html.escape(str(part))}</td></tr>')
        lines += [_ingredient(row) for row in rows.to_dict("records")]
    mixed = grams[~grams["part"].isin(aside)]
    total = tidy_number(round(mixed["grams"].sum(), 6))
    percent = tidy_number(mixed["percent"].sum(), 4)
    lines.append(
        f'<tr class="sum"><td>in all</td><td class="right">{percent} %</td>'
        f'<td class="right">{total} g</td><td></td></tr>'
    )
    return (
        '<h2>Weigh</h2><table class="grid"><tr><th></th><th class="right">of flour</th>'
        '<th class="right">weigh</th><th class="box">really was, g</th></tr>'
        f"{''.join(lines)}</table>{_rounding(grams)}"
    )


def _ingredient(row: Mapping[str, Any]) -> str:
    coarse = "" if row["within"] else " *"
    shown = shown_grams(row["grams"], row["scale"])
    return (
        f"<tr><td>{html.escape(row['ingredient'])}{coarse}</td>"
        f'<td class="right">{tidy_number(row["percent"], 4)} %</td>'
        f'<td class="right weigh">{shown}</td><td class="box"></td></tr>'
    )


def shown_grams(grams: float, scale: float) -> str:
    """Return grams with as many decimals as the scale shows; 12.0 is weighed on the finer one.

    Examples
    --------
    >>> shown_grams(12, 1), shown_grams(12, 0.1)
    ('12 g', '12.0 g')
    """
    decimals = len(tidy_number(scale).partition(".")[2])
    return f"{grams:.{decimals}f} g"


def _rounding(grams: pd.DataFrame) -> str:
    worst = grams.loc[grams["error"].abs().idxmax()]
    words = "Rounded to the scale."
    if abs(worst["error"]) >= SHOWN:
        words = (
            f"Rounded to the scale; furthest off is {worst['ingredient']}, by "
            f"{worst['error']:+.2f} % of the flour."
        )
    coarse = list(grams.loc[~grams["within"].astype(bool), "ingredient"])
    if coarse:
        words += " * too little to weigh well on this scale: make a larger batch, or premix it."
    return f'<p class="quiet">{html.escape(words)}</p>'


# -- What to buy for a round and what each day uses, as a page to print.


TABLE_STYLE = """
.two { display: flex; gap: 7mm; align-items: flex-start; }
.two > div { flex: 1; min-width: 0; }
.two > .wide { flex: 1.25; }
.grid { width: 100%; }
.grid th { font-size: 9pt; font-weight: normal; color: #333; padding: 0 2mm .5mm 0;
           border-bottom: .3mm solid #000;
           vertical-align: bottom; }
.grid td { border-bottom: .15mm solid #888; padding: .5mm 2mm .5mm 0; }
.grid td.right, .grid th.right { white-space: nowrap; }
.grid .sum td { border-bottom: 0; border-top: .3mm solid #000; font-weight: bold; }
.grid .part td { border-bottom: 0; font-weight: bold; padding-top: 2mm; }
.weigh { font-size: 13pt; font-weight: bold; }
"""


def shopping_page(round_: Round) -> str:
    """Return the shopping list of a round as a page to print."""
    oil = per_day(round_)["oil"].sum()
    needed = pieces_needed(max(1, len(round_.tasters)))
    said = [
        round_.plan.sentence() + ".",
        batch_sentence(round_, round_.batch),
        pieces_sentence(round_, round_.batch, needed),
    ]
    if oil:
        said.append(f"Frying oil for fresh fills: {tidy_number(oil / 1000)} kg in all.")
    note = "<p><b>All of this round is invented, to show the way.</b></p>"
    words = "".join(f"<p>{html.escape(sentence)}</p>" for sentence in said)
    body = (
        f"<h1>To buy: {html.escape(round_.name)}</h1>{note if round_.invented else ''}{words}"
        f"{buy_table(shopping_list(round_))}<h2>Each day</h2>{days_table(round_)}"
    )
    return page(f"To buy: {round_.name}", body, PRINT_STYLE + TABLE_STYLE)


def days_table(round_: Round, batch: Batch | None = None) -> str:
    """Return what each day uses as markup: flour, dough, and frying oil where a fill is known."""
    days = per_day(round_, batch)
    oil = bool(days["oil"].sum())
    lines = "".join(
        f'<tr><td>{row["day"]}</td><td class="right">{row["bakes"]}</td>'
        f'<td class="right">{tidy_number(row["flour"])} g</td>'
        f'<td class="right">{tidy_number(row["dough"])} g</td>'
        + (f'<td class="right">{tidy_number(row["oil"])} g</td></tr>' if oil else "</tr>")
        for row in days.to_dict("records")
    )
    head = '<th class="right">frying oil</th>' if oil else ""
    return (
        '<table class="grid"><tr><th>day</th><th class="right">bakes</th>'
        f'<th class="right">flour</th><th class="right">dough</th>{head}</tr>{lines}</table>'
    )


def buy_table(table: pd.DataFrame) -> str:
    """Return the shopping list as markup, summed where prices are known."""
    cost = next((str(name) for name in table if str(name).startswith("cost")), "")
    lines = []
    for row in table.to_dict("records"):
        known = cost and not pd.isna(row[cost])
        price = f'<td class="right">{row[cost]:.2f}</td>' if known else "<td></td>"
        lines.append(
            f'<tr><td>{html.escape(row["ingredient"])}</td><td class="right">{row["bakes"]}</td>'
            f'<td class="right">{tidy_number(row["grams"])} g</td>'
            f'<td class="right weigh">{row["buy"]} g</td>{price if cost else ""}</tr>'
        )
    if cost:
        lines.append(
            '<tr class="sum"><td>all that has a price</td><td></td><td></td><td></td>'
            f'<td class="right">{table[cost].sum():.2f}</td></tr>'
        )
    head = f'<th class="right">{html.escape(cost)}</th>' if cost else ""
    return (
        '<table class="grid"><tr><th>ingredient</th><th class="right">in bakes</th>'
        f'<th class="right">used</th><th class="right">with {tidy_number(SPILL)} % to spare</th>'
        f"{head}</tr>{''.join(lines)}</table>"
        '<p class="quiet">One lot of each flour and fat for the whole round. Add what no formula '
        "holds: frying oil, crackers, water and cups.</p>"
    )


# -- The sheet for a whole round: the order of bakes, each day, what to buy, how many pieces.


CAUTION_STYLE = """
.cautions { border: .3mm solid #000; padding: 1.5mm 3mm; margin-top: 3mm; break-inside: avoid; }
.cautions p { font-size: 8.5pt; line-height: 1.25; margin: 0 0 .8mm; }
"""


def round_sheet(round_: Round, batch: Batch | None = None, prices: Prices | None = None) -> str:
    """Give the sheet for the round as markup: the order of bakes, what to buy, how many pieces."""
    batch = batch or round_.batch
    words = [round_.plan.sentence() + "."]
    needed = pieces_needed(max(1, len(round_.tasters)))
    buy = days = ""
    if round_.formula:
        days = f"<div><h2>Each day</h2>{days_table(round_, batch)}</div>"
        words += [batch_sentence(round_, batch), pieces_sentence(round_, batch, needed)]
        buy = f"<h2>To buy</h2>{buy_table(shopping_list(round_, batch, prices=prices))}"
    note = (
        "<p><b>All of this round is invented, to show the way.</b></p>" if round_.invented else ""
    )
    said = "".join(f"<p>{html.escape(sentence)}</p>" for sentence in words)
    return (
        f'<section class="sheet"><h1>{html.escape(round_.name)}</h1>{note}{said}'
        f'<div class="two"><div class="wide"><h2>In this order</h2>{_order(round_)}</div>'
        f"{days}</div>{buy}"
        f"{caution_box(round_cautions(round_))}</section>"
    )


def _order(round_: Round) -> str:
    """Return the bakes of each day and load, one line each."""
    table = round_.plan.table
    keys = ["day", "load"] if table["load"].notna().any() else ["day"]
    group = kitchen_group("load", round_.plan.factors)
    lines = []
    for key, bakes in table.groupby(keys, sort=False, dropna=False):
        load = f'<td class="right">{html.escape(str(key[1]))}</td>' if len(keys) > 1 else ""
        names = " ".join(
            f"{bake}{' (reference)' if role == Role.REFERENCE else ''}"
            for bake, role in bakes[["bake", "role"]].to_numpy()
        )
        lines.append(f"<tr><td>{key[0]}</td>{load}<td>{html.escape(names)}</td></tr>")
    head = f'<th class="right">{group}</th>' if len(keys) > 1 else ""
    head = f"<tr><th>day</th>{head}<th>bakes</th></tr>"
    return f'<table class="grid order">{head}{"".join(lines)}</table>'


def round_cautions(round_: Round) -> list[Caution]:
    """Return what any bake calls for, each once: a swapped fat may bring another allergen."""
    table = round_.plan.table
    settings = {
        factor.name: list(table[factor.name].unique())
        for factor in round_.plan.factors
        if factor.changes is None
    }
    formulas = bake_formulas(round_).values() if round_.formula else [None]
    return cautions_of_all(formulas, settings)


def caution_box(found: Iterable[Caution]) -> str:
    """Return cautions as markup.

    Examples
    --------
    >>> "<b>heat:</b> Mind it." in caution_box([Caution("heat", "Mind it.")])
    True
    """
    lines = "".join(
        f"<p><b>{html.escape(one.subject)}:</b> {html.escape(one.text)}</p>" for one in found
    )
    return f'<div class="cautions">{lines}</div>'


# -- The sheet for each bake: what to weigh and set, and boxes for what was really done.


ROLE_WORDS = {"trial": "", Role.CENTRE: "middle-setting bake", Role.REFERENCE: "reference bake"}
ROWS_AT_EASE = 14  # more ingredients than these are set closer, so that a bake keeps to one page
BLANK_STEPS = ("mixed", "rested", "baked or fried")

_STYLE = (
    PRINT_STYLE
    + TABLE_STYLE
    + CAUTION_STYLE
    + """
@page { margin: 9mm 12mm; }
.sheet { break-after: page; }
.sheet:last-child { break-after: auto; }
.head { display: flex; gap: 6mm; align-items: flex-end; justify-content: space-between;
        border-bottom: .6mm solid #000; padding-bottom: 2mm; margin-bottom: 2mm; }
.bake { font-size: 34pt; font-weight: bold; line-height: 1; flex: none; }
.dough { font-size: 22pt; font-weight: bold; line-height: 1; }
.where { text-align: right; }
.where b { font-size: 12.5pt; }
.set { font-size: 13pt; font-weight: bold; overflow-wrap: normal; }
.number { white-space: nowrap; }
.order td:first-child, .order th:first-child { width: 14mm; }
.order td + td + td, .order th + th + th { padding-left: 4mm; }
.dense .grid td { padding-top: .2mm; padding-bottom: .2mm; font-size: 10pt; line-height: 1.15; }
.dense .box { height: 5mm; }
.box { width: 23mm; min-width: 23mm; height: 6.4mm; border: .3mm solid #000 !important; }
.grid th.box { border: 0 !important; border-bottom: .3mm solid #000 !important; height: auto; }
.ticks { display: flex; flex-wrap: wrap; gap: 2mm 7mm; margin: 1mm 0 1.5mm; }
.ticks i { display: inline-block; width: 4.5mm; height: 4.5mm; border: .35mm solid #000;
           vertical-align: -.8mm; margin-right: 1.8mm; }
.write { border-bottom: .3mm solid #000; height: 7mm; font-size: 9.5pt; color: #333; }
.keep { break-inside: avoid; }
"""
)


def bake_sheets(
    round_: Round,
    batch: Batch | None = None,
    *,
    steps: Sequence[Step] = (),
    shopping: bool = True,
    prices: Prices | None = None,
) -> str:
    """Give the sheets of a round as one page to print: a sheet for the round, one for each bake."""
    batch = batch or round_.batch
    steps = steps or round_.steps
    formulas = bake_formulas(round_) if round_.formula else {}
    grams = weights(round_, batch) if formulas else None
    sheets = [round_sheet(round_, batch, prices)] if shopping else []
    rows = round_.plan.table.to_dict("records")
    doughs = shared_doughs(round_, formulas) if formulas else []
    made = dough_weights(round_, batch) if doughs else pd.DataFrame()
    for place, row in enumerate(rows, start=1):
        bake = row["bake"]
        sheets += [
            _dough_sheet(round_, dough, row, made[made["dough"] == dough.name], steps)
            for dough in doughs
            if dough.bakes[0] == bake
        ]
        own = None if grams is None else grams[grams["bake"] == bake]
        sheets.append(
            '<section class="sheet">'
            + _head(round_, row, place, len(rows))
            + _body(round_, row, own, formulas.get(bake), steps)
            + caution_box(cautions(formulas.get(bake), process_settings(round_, row)))
            + "</section>"
        )
    return page(f"Bake sheets: {round_.name}", "\n".join(sheets), _STYLE)


def _dough_sheet(
    round_: Round, dough: Dough, row: Mapping[str, Any], grams: pd.DataFrame, steps: Sequence[Step]
) -> str:
    """Return the sheet of a dough that is made once, before its first bake."""
    factors = [one for one in round_.plan.factors if one.group == dough.group]
    invented = ", invented" if round_.invented else ""
    settings = _settings_table(factors, row, marked=False) if factors else ""
    times = _steps_table(row, steps, (dough.group,))
    return (
        '<section class="sheet"><div class="head">'
        f'<span class="dough">{html.escape(dough.name[0].upper() + dough.name[1:])}</span>'
        f'<span class="where"><b>day {row["day"]}, before bake {html.escape(row["bake"])}</b><br>'
        f"{html.escape(round_.name)}{invented}</span></div>"
        f"<p>Made once and divided between {html.escape(in_words(dough.bakes))}. Each takes what "
        "its own sheet says, the last what is left; if this dough fails, they all fail.</p>"
        f'<div class="two"><div class="wide">{weigh_table(grams)}</div>'
        f'<div>{settings}{times}</div></div><div class="write">Notes</div>'
        '<div class="write"></div>'
        + caution_box(cautions(dough.formula, process_settings(round_, row)))
        + "</section>"
    )


def _head(round_: Round, row: Mapping[str, Any], place: int, count: int) -> str:
    where = ", ".join([f"day {row['day']}", *shared_words(round_, row)])
    told = [f"bake {place} of {count}, {round_.name}", ROLE_WORDS.get(row["role"], "")]
    told += ["invented"] if round_.invented else []
    lines = "<br>".join(html.escape(line) for line in told if line)
    return (
        f'<div class="head"><span class="bake">{html.escape(row["bake"])}</span>'
        f'<span class="where"><b>{html.escape(where)}</b><br>{lines}</span></div>'
    )


def shared_words(round_: Round, row: Mapping[str, Any]) -> list[str]:
    """Return what a bake shares with others, in kitchen words; who shares a dough is named."""
    words = []
    for group in round_.plan.groups:
        if pd.isna(row[group]):
            continue
        name = f"{kitchen_group(group, round_.plan.factors)} {row[group]}"
        if group == "load":
            words.append(name)
            continue
        others, apart = _sharers(round_, row, group)
        if apart and others:
            # A round of before, when such a bake was listed under a dough that it is not of
            words.append(f"{kitchen_group(group, round_.plan.factors)} of its own")
        elif apart:
            words.append(f"{name}, for this reference bake alone")
        else:
            words.append(f"{name} (one for this and {in_words(others)})" if others else name)
    return words


def _sharers(round_: Round, row: Mapping[str, Any], group: str) -> tuple[list[str], bool]:
    """Return the other bakes of a mixture, and whether this one, a reference bake, is apart."""
    table = round_.plan.table
    set_by = [factor.name for factor in round_.plan.factors if factor.group == group]
    fellows = table[table[group] == row[group]]
    trial = fellows[fellows["role"] != Role.REFERENCE]
    setting = (trial if len(trial) else fellows)[set_by].iloc[0]
    alike = (fellows[set_by] == setting).all(axis=1)
    others = fellows.loc[alike & (fellows["bake"] != row["bake"]), "bake"]
    apart = trial.empty or any(row[name] != setting[name] for name in set_by)
    return list(others), apart


def _body(
    round_: Round,
    row: Mapping[str, Any],
    grams: pd.DataFrame | None,
    formula: Formula | None,
    steps: Sequence[Step],
) -> str:
    settings = _settings_table(round_.plan.factors, row, apart=_apart(round_, row))
    times = _steps_table(row, steps, ("bake", *_by_itself(round_, row)))
    went = _outcome(round_.measures)
    if grams is None or formula is None:
        return f'<div class="two"><div>{settings}</div><div>{times}</div></div>{went}'
    weigh = weigh_table(grams, formula.aside)
    if len(grams) > ROWS_AT_EASE:
        return (
            f'<div class="two dense"><div class="wide">{weigh}</div>'
            f"<div>{settings}{times}</div></div>{went}"
        )
    return (
        f'<div class="two"><div class="wide">{weigh}</div><div>{settings}</div></div>'
        f'<div class="two"><div>{times}</div><div>{went}</div></div>'
    )


def _apart(round_: Round, row: Mapping[str, Any]) -> bool:
    """Return whether this reference bake has its own setting of what its group shares."""
    shared = [group for group in round_.plan.groups if pd.notna(row[group])]
    return any(_sharers(round_, row, group)[1] for group in shared)


def _by_itself(round_: Round, row: Mapping[str, Any]) -> list[str]:
    """Return the groups, loads apart, of which this bake is the only one: their work is its own."""
    groups = [one for one in round_.plan.groups if one != "load" and pd.notna(row[one])]
    sharers = {group: _sharers(round_, row, group) for group in groups}
    return [group for group, (others, apart) in sharers.items() if apart or not others]


def _settings_table(
    factors: Sequence[Factor], row: Mapping[str, Any], marked: bool = True, apart: bool = False
) -> str:
    lines = []
    for factor in factors:
        name = html.escape(factor.name) + ("\u00a0▪" if factor.group and marked else "")
        whole = "" if isinstance(factor, Categorical) else " number"
        shown = html.escape(factor.show(row[factor.name]))
        lines.append(
            f'<tr><td>{name}</td><td class="set{whole}">{shown}</td><td class="box"></td></tr>'
        )
    kinds = {kitchen_group(factor.group, factors) for factor in factors if factor.group and marked}
    note = ""
    if kinds:
        whole = html.escape(" or ".join(sorted(kinds)))
        said = f"one for the whole {whole}; set it afresh for the next."
        if apart:
            said = f"for this reference bake alone; the other bakes of the {whole} have their own."
        note = f'<p class="quiet">▪ {said}</p>'
    return (
        '<h2>Settings</h2><table class="grid"><tr><th></th><th>set to</th>'
        f'<th class="box">really was</th></tr>{"".join(lines)}</table>{note}'
    )


def _steps_table(row: Mapping[str, Any], steps: Sequence[Step], per: Sequence[str]) -> str:
    named = [
        (step.name, _minutes(step, row)) for step in steps if step.per in per and step.is_for(row)
    ]
    if "bake" not in per and not named:
        return ""
    core = "<tr><td>core when done</td><td></td><td></td>"
    core = f'{core}<td class="box"></td></tr>' if "bake" in per else ""
    lines = "".join(
        f'<tr><td>{html.escape(name)}</td><td class="right">{minutes}</td>'
        '<td class="box"></td><td class="box"></td></tr>'
        for name, minutes in named or [(name, "") for name in BLANK_STEPS]
    )
    return (
        '<h2>Times and heat</h2><table class="grid"><tr><th></th><th></th>'
        f'<th class="box">at (clock)</th><th class="box">°C</th></tr>{lines}{core}</table>'
    )


def _minutes(step: Step, row: Mapping[str, Any]) -> str:
    minutes = row[step.minutes] if isinstance(step.minutes, str) else step.minutes
    return f"{tidy_number(float(minutes))} min"


def _outcome(measures: Sequence[Measure]) -> str:
    ticks = "".join(f"<span><i></i>{status}</span>" for status in STATUSES)
    boxes = "".join(
        f"<tr><td>{html.escape(measure.name)}"
        f"{html.escape(f', {measure.unit}' if measure.unit else '')}</td>"
        '<td class="box"></td><td class="box"></td></tr>'
        for measure in measures
        if measure.per == "bake"
    )
    if boxes:
        boxes = (
            '<table class="grid"><tr><th>measured</th><th class="box">first</th>'
            f'<th class="box">again</th></tr>{boxes}</table>'
        )
    return (
        f'<div class="keep"><h2>How it went</h2><div class="ticks">{ticks}</div>'
        '<div class="write">If not made: why?</div>'
        f"{boxes}"
        '<div class="write">Notes</div><div class="write"></div><div class="write"></div></div>'
    )


def process_settings(round_: Round, row: Mapping[str, Any]) -> dict[str, Any]:
    """Return the settings of a bake that change no formula: heats, times, ways."""
    return {factor.name: row[factor.name] for factor in _process(round_)}


def _process(round_: Round) -> list[Factor]:
    return [factor for factor in round_.plan.factors if factor.changes is None]
