"""The shared page of a round and the story of a development.

Files that open with no network request.
"""

import html
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import pandas as pd
from markupsafe import Markup

from trials.analysis.answers import Answer, Answers
from trials.analysis.counted import Counted
from trials.analysis.diagnostics import diagnostics
from trials.analysis.failing import failing
from trials.analysis.question import kept_evidence
from trials.analysis.results import Findings, kitchen_effects
from trials.analysis.tasters import describe_tasters
from trials.base.errors import FitError, TrialsError
from trials.base.files import write_text
from trials.base.html import render
from trials.base.html import table as as_table
from trials.base.version import __version__
from trials.base.words import percent, tidy_number
from trials.core.evidence import Evidence
from trials.core.factors import Component, Factor
from trials.core.measures import Measure
from trials.core.plan import kitchen_group
from trials.deciding.choosing import best_so_far
from trials.deciding.confirmation import confirmation
from trials.deciding.story import Story, story_of
from trials.recipe.cautions import cautions
from trials.rounds.amounts import bake_formulas
from trials.rounds.round import Round, line_of
from trials.show.bake_sheets import ROLE_WORDS, TEMPLATES
from trials.show.bakes import failure_map
from trials.show.bakes import story as story_picture
from trials.show.effects import effects, interactions

# -- The shared page: one HTML file that opens with no network request.


MOST_ROWS = 12  # of a table that stands open
_SOURCES = (
    "Scores of one bake hang together, and so do those of one taster, one load and one day. Each "
    "difference is judged by how much bakes (loads, days) of one recipe differ, never by the "
    "number of scores. What matters is told by the range in which a difference lies with 95 % "
    "certainty, held against the smallest one worth noticing. Unless bakes are many, simpler "
    "explanations are weighed beside the whole one, each by how well it fits, in the chance that "
    "something is the largest; where few bakes are left to tell how alike two bakes are, in the "
    "sentences too."
)
_TEXTBOOK = (
    "Mixed models by restricted maximum likelihood, REML (Patterson & Thompson "
    "1971), with standard errors and degrees of freedom by Kenward & Roger (1997); averages over "
    "models that respect heredity (Box & Meyer 1993), beside Lenth's method (1989) where no error "
    "was measured. Chances of failing by logistic models of penalised likelihood (Firth 1993), "
    "averaged by weights of the corrected Akaike criterion (Hurvich & Tsai 1989). The bake is the "
    "experimental unit (ISO 3534-3)."
)
_WEIGHED = (
    "For this choice every simpler explanation counts by how well it fits the scores, and so does "
    "every pair of changes that may work together, so it can differ a little from what the single "
    "differences below suggest."
)
_PAIRS = (
    "A row of two, one thing with another, is half of how far the first change differs between "
    "the two settings of the second; it is not the difference between the settings in its row."
)


def report(round_: Round, path: str | Path | None = None) -> Path:
    """Write one page on a round: what was baked, what was learned, how sure it is.

    What was read for it, in this round and those before it, is kept under `received/`.

    Parameters
    ----------
    round_ : Round
        With its scores in.
    path : str or Path, optional
        Where to; `page.html` in the round's folder when left out. The page needs no other file
        and no network.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    SheetError
        When the sheets hold mistakes; they are named with their places.
    """
    answers = Answers(kept_evidence(round_))
    found = findings_of(answers)
    waiting = round_.name in answers.evidence.waiting
    body = [
        f"<h1>{html.escape(round_.name)}</h1>",
        _invented(round_),
        f"<p>{html.escape(_what_it_rests_on(round_, answers.evidence, waiting))}</p>",
        _confirmed(answers, waiting),
        _best(answers, found),
        *_measures(answers, found),
        _failures(answers.evidence),
        _trust(found),
        _plan(round_, waiting),
        _formula(round_),
        _cautions(round_),
        _method(found, answers.evidence),
        _drawn(round_),
    ]
    return write_text(path or round_.folder / "page.html", page(round_.name, body))


def _what_it_rests_on(round_: Round, evidence: Evidence, waiting: bool) -> str:
    """Return which bakes the page speaks from, as sentences."""
    here = round_.plan.sentence()
    if not evidence.several and not waiting and not evidence.left_out:
        return f"{here}."
    count = len(evidence.rounds)
    rounds = f"the round {evidence.rounds[0]}" if count == 1 else f"{count} rounds"
    yet = ", not baked yet" if waiting else ""
    told = f"This round: {here}{yet}. What follows is from {rounds}, {evidence.bakes()} bakes."
    return " ".join([*evidence.left_out, told])


def page(title: str, body: Sequence[str]) -> str:
    """Return a whole page of HTML around some pieces.

    Examples
    --------
    >>> "<h1>One</h1>" in page("One", ["<h1>One</h1>"])
    True
    """
    return render(
        TEMPLATES,
        "screen.html",
        title=title,
        body=Markup("".join(body)),
        version=__version__,
        pictures=True,
    )


def findings_of(answers: Answers) -> dict[str, Answer | str]:
    """Return the findings of every measure, or the reason why there are none."""
    return {measure.name: _found(answers, measure) for measure in answers.evidence.measures}


def _found(answers: Answers, measure: Measure) -> Answer | str:
    try:
        found: Answer = answers.on(measure.name)
        return found
    except FitError as error:
        return str(error)


def _measures(answers: Answers, found: Mapping[str, Answer | str]) -> list[str]:
    """Return what was found for every measure; what holds for several is said at the first."""
    said: set[str] = set()
    pieces = []
    for measure in answers.evidence.measures:
        own = found[measure.name]
        pieces.append(_measure(measure, own, said))
        said |= set() if isinstance(own, str) else {*own.sentences, *own.notes}
    return pieces


def _measure(measure: Measure, found: Answer | str, said: set[str]) -> str:
    head = f"<h2>{html.escape(measure.name.capitalize())}</h2>"
    if isinstance(found, str):
        return f"{head}<p>{html.escape(found)}</p>"
    told = _paragraphs(one for one in found.sentences if one not in said)
    if isinstance(found, Counted):
        return head + told + _counts(found) + _listed(found, said)
    pictures = [effects(found)]
    table = _table(kitchen_effects(found))
    if any(len(term.factors) == 2 for term in found.terms):
        pictures.append(interactions(found))
        table += f"<p><small>{_PAIRS}</small></p>"
    drawn = "".join(picture.html() for picture in pictures)
    return f"{head}{told}{drawn}{table}{_listed(found, said)}"


def _listed(found: Answer, said: set[str]) -> str:
    """Return the notes that were not said before, as a list."""
    notes = "".join(f"<li>{html.escape(one)}</li>" for one in found.notes if one not in said)
    return f"<ul>{notes}</ul>" if notes else ""


def _counts(found: Counted) -> str:
    """Return the tables of counted answers; long ones are folded away."""
    pieces = []
    for title, table in found.shown().items():
        one = f"<h3>{html.escape(title)}</h3>{_table(table)}"
        if len(table) > MOST_ROWS:
            one = f"<details><summary>{html.escape(title)}</summary>{_table(table)}</details>"
        pieces.append(one)
    return "".join(pieces)


def _invented(round_: Round) -> str:
    if not round_.invented:
        return ""
    return (
        '<p class="note">Everything on this page is invented to show the way: no such bakes were '
        "made and nobody tasted them.</p>"
    )


def _failures(evidence: Evidence) -> str:
    out = evidence.failed
    if out.empty:
        return ""
    names = ["bake", "status", "reason", *(factor.name for factor in evidence.factors)]
    told, drawn = "", ""
    try:
        found = failing(evidence)
        told, drawn = _paragraphs(found.sentences), failure_map(found).html()
    except FitError as error:
        told = _paragraphs([str(error)])
    shown = _table(_shown(evidence.factors, out[names]))
    return f"<h2>Bakes that gave no score</h2>{told}{drawn}{shown}"


def _best(answers: Answers, found: Mapping[str, Answer | str]) -> str:
    """Return the best setting so far, for the measures that have a goal and findings."""
    measures = answers.evidence.measures
    if not any(one.goal and isinstance(found[one.name], Findings) for one in measures):
        return ""
    try:
        best = best_so_far(answers)
    except TrialsError as error:
        return f"<h2>Best so far</h2>{_paragraphs([str(error)])}"
    setting, *others = best.sentences
    setting = setting.removeprefix("Best so far: ")
    stays = [one for one in best.notes if one.startswith("This setting was confirmed")]
    risk = best.chance_of_failure
    fails = [] if risk is None else [f"A bake there fails with a chance of {percent(risk)}."]
    blend = any(isinstance(factor, Component) for factor in answers.evidence.factors)
    weighed = "" if blend else f"<p><small>{_WEIGHED}</small></p>"
    return (
        f"<h2>Best so far</h2><p><b>{html.escape(setting[:1].upper() + setting[1:])}</b></p>"
        f"{_paragraphs([*stays, *others, *fails])}{weighed}"
    )


def _confirmed(answers: Answers, waiting: bool) -> str:
    """Return whether confirmation bakes came out as foretold."""
    if waiting or answers.rounds[-1] not in answers.evidence.confirmed:
        return ""
    try:
        said = confirmation(answers).sentences
    except FitError as error:
        said = (str(error),)
    return f"<h2>Does it hold?</h2>{_paragraphs(said)}"


def _trust(found: Mapping[str, Answer | str]) -> str:
    """Return what lies behind the first measure's findings: the checks, and the tasters."""
    first = next((one for one in found.values() if isinstance(one, Findings)), None)
    if first is None:
        return ""
    said = [f"<h2>How far to trust it: {html.escape(first.response)}</h2>"]
    try:
        said.append(_paragraphs(diagnostics(first).sentences))
        if "taster" in first.residuals and first.residuals["taster"].nunique() > 1:
            said.append(f"<h3>Your tasters</h3>{_paragraphs(describe_tasters(first).sentences)}")
    except FitError as error:
        said.append(_paragraphs([str(error)]))
    return "".join(said)


def _paragraphs(sentences: Iterable[str]) -> str:
    return "".join(f"<p>{html.escape(one)}</p>" for one in sentences)


def _plan(round_: Round, waiting: bool) -> str:
    why = ""
    if round_.parent and round_.plan.reasons:
        why = f"<h3>Why these bakes, as it was said before them</h3>{_paragraphs(_reasons(round_))}"
    shown = _shown(round_.plan.factors, round_.plan.table)
    shown["role"] = [ROLE_WORDS[role] or "trial bake" for role in shown["role"]]
    words = {group: kitchen_group(group, round_.plan.factors) for group in round_.plan.groups}
    table = _table(shown.rename(columns={**words, "role": "kind"}))
    done = "is to be baked" if waiting else "was baked"
    head = f"What {done}{' in this round' if round_.parent else ''}"
    return f"<h2>{head}</h2>{table}{why}"


def _reasons(round_: Round) -> list[str]:
    return [str(reason) for reason in round_.plan.reasons]


def _drawn(round_: Round) -> str:
    """Return how chance came in: folded away, for whoever wants to draw it again."""
    reasons = [] if round_.parent else _reasons(round_)
    seeds = (
        f"Chance drew the order of the bakes (seed {round_.plan.seed}) and the codes and serving "
        f"orders (seed {round_.seed}); the same seeds draw the same again."
    )
    return (
        "<details><summary>How this plan was drawn</summary>"
        f"{_paragraphs([*reasons, seeds])}</details>"
    )


def _method(found: Mapping[str, Answer | str], evidence: Evidence) -> str:
    rows = "".join(
        f"<li>{html.escape(f'{name}: {_values(one)} values; {one.method}.')}</li>"
        for name, one in found.items()
        if not isinstance(one, str)
    )
    return (
        f"<h2>How it was worked out</h2><p>{html.escape(_SOURCES)}</p>"
        f"<details><summary>In textbook terms</summary><p>{html.escape(_TEXTBOOK)}</p>"
        f"<ul>{rows}</ul></details>{_digest(evidence.digest)}"
    )


def _values(found: Answer) -> int:
    return found.answers if isinstance(found, Counted) else len(found.residuals)


def _digest(digest: str) -> str:
    return f"<p><small>Evidence {digest}: pages with this mark rest on the same scores.</small></p>"


def _shown(factors: Sequence[Factor], table: pd.DataFrame) -> pd.DataFrame:
    """Return a table with every setting written with its unit."""
    shown = table.dropna(axis=1, how="all").copy()
    for factor in factors:
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


def _table(shown: pd.DataFrame) -> str:
    return f'<div class="scroll">{as_table(shown)}</div>'


# -- The story of a development as one page, with its picture and its recipe.


def story(round_: Round, path: str | Path | None = None, *, units: str = "grams") -> Path:
    """Write the story of a development on one page, round by round, with its recipe.

    What was read for it is kept under `received/`.

    Parameters
    ----------
    round_ : Round
        Its last round.
    path : str or Path, optional
        Where to; `story.html` in the round's folder when left out. The page needs no other file
        and no network.
    units : str
        Of the recipe: "grams", "ounces" or "household".

    Returns
    -------
    Path
        The file written; :func:`trials.tell` gives what stands in it.

    Raises
    ------
    SheetError
        When the sheets hold mistakes; they are named with their places.
    FitError
        When nothing can be learned from the rounds yet.
    """
    return write_story(round_, path, units=units)[1]


def write_story(
    round_: Round, path: str | Path | None = None, *, units: str = "grams"
) -> tuple[Story, Path]:
    """Write the story on one page, and return it as well."""
    told = story_of(line_of(round_), Answers(kept_evidence(round_)), units=units)
    title = f"{round_.name}: the story"
    body = [
        f"<h1>{html.escape(title)}</h1>",
        "".join(f"<p>{html.escape(one)}</p>" for one in told.sentences),
        story_picture(told).html(),
        "<h2>Round by round</h2>",
        f'<div class="scroll">{as_table(told.shown(), names=True)}</div>',
        f"<h2>The recipe now</h2>{told.card._repr_html_()}" if told.card else "",
        _digest(told.digest),
    ]
    return told, write_text(path or round_.folder / "story.html", page(title, body))
