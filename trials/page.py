"""The shared page: one HTML file that opens with no network request."""

import html
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import pandas as pd

from trials.analysis.checks import checks
from trials.analysis.failing import failing
from trials.analysis.fitting import fit
from trials.analysis.results import Findings, kitchen_effects
from trials.analysis.tasters import describe_tasters
from trials.analysis.trade_off import recommend
from trials.design.plan import kitchen_group
from trials.errors import FitError, TrialsError
from trials.measures import Measure
from trials.pictures.effect_chart import effects
from trials.pictures.failure_chart import failure_map
from trials.pictures.interaction_lines import interactions
from trials.recipe.cautions import cautions
from trials.rounds.bake_sheets import ROLE_WORDS
from trials.rounds.round import Round
from trials.rounds.scores import scores
from trials.rounds.weights import bake_formulas
from trials.tables import tidy_number, write_text
from trials.version import __version__

_STYLE = """
body{font:17px/1.55 Georgia,'DejaVu Serif',serif;color:#222;background:#fff;margin:0 auto;
max-width:52rem;padding:1.5rem}
h1{font-size:1.7rem;margin:.2em 0}h2{font-size:1.25rem;margin-top:2em;border-top:1px solid #bbb;
padding-top:.8em}h3{font-size:1.05rem;margin-top:1.6em}
.scroll{overflow-x:auto}
table{border-collapse:collapse;font:14px/1.4 'DejaVu Sans',Verdana,sans-serif}
th,td{padding:.3em .7em;border-bottom:1px solid #ddd;text-align:left;vertical-align:top}
.note{background:#f4f0e6;padding:.6em 1em;border-left:4px solid #8a8a8a}
figure{margin:1em 0}figcaption{font-style:italic;font-size:.9em}img{max-width:100%}
footer{margin-top:3em;font-size:.85em;color:#555}@page{size:A4;margin:15mm}
"""
_POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"
_SOURCES = (
    "Mixed models by restricted maximum likelihood (Patterson & Thompson 1971); standard errors "
    "and degrees of freedom by Kenward & Roger (1997). Where few bakes are left for error, "
    "averages over all models that respect heredity (Box & Meyer 1993), beside Lenth's method "
    "(1989) where none is left. Verdicts compare the 95 % interval with the smallest difference "
    "worth noticing. The bake, not the tasting, is the experimental unit (ISO 3534-3)."
)
_PAIRS = (
    "A row of two, one thing with another, is half of how far the first change differs between "
    "the two settings of the second; it is not the difference between the settings in its row."
)


def report(round_: Round, path: str | Path) -> Path:
    """Write one page on a round: what was baked, what was learned, how sure it is.

    Parameters
    ----------
    round_ : Round
        With its scores in.
    path : str or Path
        Where to; the page needs no other file and no network.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    SheetError
        When the sheets hold mistakes; they are named with their places.

    Examples
    --------
    >>> report.__name__
    'report'
    """
    tidy = scores(round_)
    found = findings_of(round_)
    body = [
        f"<h1>{html.escape(round_.name)}</h1>",
        _invented(round_),
        f"<p>{html.escape(round_.plan.sentence())}.</p>",
        *[_measure(measure, found[measure.name], tidy) for measure in round_.measures],
        _best(round_, found),
        _failures(round_, tidy),
        _trust(round_, found, tidy),
        _plan(round_),
        _formula(round_),
        _cautions(round_),
        f"<h2>How it was worked out</h2><p>{html.escape(_SOURCES)}</p>",
        f"<footer>Made with trials {__version__}; drawn order {round_.plan.seed}, "
        f"codes {round_.seed}.</footer>",
    ]
    return write_text(path, page(round_.name, body))


def page(title: str, body: Sequence[str]) -> str:
    """Return a whole page of HTML around some pieces.

    Examples
    --------
    >>> page("One", ["<p>hello</p>"]).startswith("<!doctype html>")
    True
    """
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<title>{html.escape(title)}</title><style>{_STYLE}</style></head>"
        f"<body>{''.join(body)}</body></html>\n"
    )


def findings_of(round_: Round) -> dict[str, Findings | str]:
    """Return the findings of every measure, or the reason why there are none.

    Parameters
    ----------
    round_ : Round

    Returns
    -------
    dict
        Measure name -> Findings, or a sentence.

    Examples
    --------
    >>> findings_of.__name__
    'findings_of'
    """
    return {measure.name: _found(round_, measure) for measure in round_.measures}


def _found(round_: Round, measure: Measure) -> Findings | str:
    if measure.kind in ("check all", "passed"):
        return "Counted, not averaged: see the table of scores."
    try:
        return fit(round_, measure.name)
    except FitError as error:
        return str(error)


def _measure(measure: Measure, found: Findings | str, tidy: pd.DataFrame) -> str:
    head = f"<h2>{html.escape(measure.name.capitalize())}</h2>"
    if isinstance(found, str):
        return f"{head}<p>{html.escape(found)}</p>"
    count = int(tidy[measure.name].notna().sum())
    said = _paragraphs(found.sentences)
    notes = "".join(f"<li>{html.escape(one)}</li>" for one in found.notes)
    pictures = [effects(found)]
    table = _table(kitchen_effects(found))
    if any(len(term.factors) == 2 for term in found.terms):
        pictures.append(interactions(found))
        table += f"<p><small>{_PAIRS}</small></p>"
    drawn = "".join(picture.html() for picture in pictures)
    how = html.escape(f"{count} values; {found.method}.")
    return f"{head}{said}{drawn}{table}<ul>{notes}</ul><p><small>{how}</small></p>"


def _invented(round_: Round) -> str:
    if not round_.invented:
        return ""
    return (
        '<p class="note">Everything on this page is invented to show the way: no such bakes were '
        "made and nobody tasted them.</p>"
    )


def _failures(round_: Round, tidy: pd.DataFrame) -> str:
    out = tidy[tidy["status"].isin(["failed", "not served", "not baked"])].drop_duplicates("bake")
    if out.empty:
        return ""
    names = ["bake", "status", "reason", *(factor.name for factor in round_.plan.factors)]
    said, drawn = "", ""
    try:
        told = failing(round_)
        said, drawn = _paragraphs(told.sentences), failure_map(told).html()
    except FitError as error:
        said = _paragraphs([str(error)])
    table = _table(_shown(round_, out[names]))
    return f"<h2>Bakes that gave no score</h2>{said}{drawn}{table}"


def _best(round_: Round, found: Mapping[str, Findings | str]) -> str:
    """Return the best setting so far, for the measures that have a goal and findings."""
    settled = {name: one for name, one in found.items() if isinstance(one, Findings)}
    goals = [one for one in round_.measures if one.goal and one.name in settled]
    if not goals:
        return ""
    asked = {one.name: settled[one.name] for one in goals}
    try:
        best = recommend(asked, goals, exclude=list(round_.plan.excluded) or None)
    except TrialsError as error:
        return f"<h2>Best so far</h2>{_paragraphs([str(error)])}"
    risk = best.chance_of_failure
    fails = [] if risk is None else [f"A bake there fails with a chance of {risk:.0%}."]
    return f"<h2>Best so far</h2>{_paragraphs([*best.sentences, *fails])}"


def _trust(round_: Round, found: Mapping[str, Findings | str], tidy: pd.DataFrame) -> str:
    """Return what lies behind the first measure's findings: the checks, and the tasters."""
    first = next((one for one in found.values() if isinstance(one, Findings)), None)
    if first is None:
        return ""
    said = [f"<h2>How far to trust it: {html.escape(first.response)}</h2>"]
    try:
        said.append(_paragraphs(checks(first, round_).sentences))
        if tidy["taster"].nunique() > 1:
            said.append(f"<h3>Your tasters</h3>{_paragraphs(describe_tasters(first).sentences)}")
    except FitError as error:
        said.append(_paragraphs([str(error)]))
    return "".join(said)


def _paragraphs(sentences: Iterable[str]) -> str:
    return "".join(f"<p>{html.escape(one)}</p>" for one in sentences)


def _plan(round_: Round) -> str:
    reasons = "".join(f"<p>{html.escape(reason)}</p>" for reason in round_.plan.reasons)
    shown = _shown(round_, round_.plan.table)
    shown["role"] = [ROLE_WORDS[role] or "trial bake" for role in shown["role"]]
    words = {group: kitchen_group(group, round_.plan.factors) for group in round_.plan.groups}
    table = _table(shown.rename(columns={**words, "role": "kind"}))
    return f"<h2>What was baked</h2>{reasons}{table}"


def _shown(round_: Round, table: pd.DataFrame) -> pd.DataFrame:
    """Return a table with every setting written with its unit."""
    shown = table.dropna(axis=1, how="all").copy()
    for factor in round_.plan.factors:
        shown[factor.name] = [factor.show(value) for value in shown[factor.name]]
    return shown


def _formula(round_: Round) -> str:
    if round_.formula is None:
        return ""
    grams = round_.formula.grams(flour=100)[["ingredient", "percent"]]
    grams["percent"] = [tidy_number(value, 4) for value in grams["percent"]]
    return (
        f"<h2>The formula it started from</h2><p>{html.escape(round_.formula.name)}, in baker's "
        f"percentages (all flour is 100 %)</p>{_table(grams)}"
    )


def _cautions(round_: Round) -> str:
    tried = {factor.name: round_.plan.rows[factor.name].tolist() for factor in round_.plan.factors}
    formulas = bake_formulas(round_).values() if round_.formula else [None]
    found: dict[str, str] = {}
    for one in (one for formula in formulas for one in cautions(formula, tried)):
        # A swap brings its own allergens: of each caution the fullest wording stands
        found[one.subject] = max(found.get(one.subject, ""), one.text, key=len)
    items = "".join(f"<li>{html.escape(text)}</li>" for text in found.values())
    return f"<h2>Cautions</h2><ul>{items}</ul>"


def _table(table: pd.DataFrame) -> str:
    return (
        f'<div class="scroll">{table.to_html(index=False, border=0, escape=True, na_rep="")}</div>'
    )
