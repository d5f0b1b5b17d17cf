"""The sheet for each bake: what to weigh and set, and boxes for what was really done."""

import html
from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from trials.design.plan import kitchen_group
from trials.factors import Categorical, Factor
from trials.measures import Measure
from trials.printing import PRINT_STYLE, page
from trials.recipe.cautions import cautions
from trials.recipe.formula import Formula
from trials.rounds.batch import Batch, Prices
from trials.rounds.kitchen import Step
from trials.rounds.mixing import Dough, bake_formulas, shared_doughs
from trials.rounds.round import STATUSES, Round
from trials.rounds.round_sheet import CAUTION_STYLE, caution_box, round_sheet
from trials.rounds.shopping_page import TABLE_STYLE
from trials.rounds.weigh_table import weigh_table
from trials.rounds.weights import dough_weights, weights
from trials.tables import in_words, tidy_number

ROLE_WORDS = {"trial": "", "centre": "middle-setting bake", "control": "reference bake"}
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
    """Return the sheets of a round as one page to print: a sheet for the round, one for each bake.

    Parameters
    ----------
    round_ : Round
        Without a formula the sheets show settings alone.
    batch : Batch, optional
        The round's own when left out.
    steps : sequence of Step
        Steps of a bake with their minutes, the round's own when left out; blank lines are
        printed when there are none.
    shopping : bool
        Whether the round's own sheet, with the order of bakes and what to buy, comes first.
    prices : Prices, optional
        What ingredients cost, shown beside what to buy; the round's own when left out.

    Returns
    -------
    str
        A whole HTML page, A4, that opens without a network. Cautions stand on every sheet where
        they apply and can not be left out.

    Raises
    ------
    FormulaError
        When a bake's settings can not be mixed.
    """
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
    trial = fellows[fellows["role"] != "control"]
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
