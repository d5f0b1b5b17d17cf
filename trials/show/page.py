"""The shared page of a round and the story of a development.

Files that open with no network request.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd
from markupsafe import Markup

from trials.analysis.answers import Answer, Answers
from trials.analysis.brief import changes_table, in_brief
from trials.analysis.choice import Recommendation
from trials.analysis.counted import Counted
from trials.analysis.diagnostics import Diagnostics, diagnostics
from trials.analysis.failing import failing
from trials.analysis.question import kept_evidence
from trials.analysis.region import setting_words
from trials.analysis.results import Findings
from trials.analysis.tasters import describe_tasters
from trials.base.arguments import checked_types
from trials.base.errors import FitError, RoundError, TrialsError
from trials.base.files import write_text
from trials.base.html import render
from trials.base.html import table as as_table
from trials.base.keeping import free_to_write
from trials.base.progress import under_way
from trials.base.version import __version__
from trials.base.words import figure, tidy_number
from trials.core.evidence import Evidence, was_baked
from trials.core.factors import Component, Factor
from trials.core.measures import Measure
from trials.core.plan import kitchen_group
from trials.core.roles import Role, Status
from trials.deciding.choosing import best_so_far
from trials.deciding.confirmation import confirmation
from trials.deciding.first_lines import FirstLines, first_lines
from trials.deciding.next_bakes import NextStep, NothingToGainError, next_round
from trials.deciding.story import Story, story_of
from trials.rounds.amounts import shopping_list
from trials.rounds.diary import ABOUT, diary_lines, read_diary
from trials.rounds.round import Round, line_of, opened, writing
from trials.rounds.safe import not_for
from trials.show.bake_sheets import ROLE_WORDS, TEMPLATES, round_cautions
from trials.show.bakes import failure_map, influence, residuals
from trials.show.bakes import story as story_picture
from trials.show.effects import effects, half_normal, interactions
from trials.show.plans import plan_efficiency, plan_errors, plan_leverage
from trials.show.style import Picture

# -- The shared page: one HTML file that opens with no network request.


_SOURCES = (
    "Scores of one bake hang together, and so do those of one taster, one oil fill or oven heat "
    "and one day. Each difference is judged by how much bakes (fills, heats, days) of one recipe "
    "differ, never by the "
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
MOST_SENTENCES = 3  # of a measure before the first fold
MOST_BAKES_NEXT = 8  # that a page speaks of; more are asked for by name
_WEIGHED = (
    "For this choice every simpler explanation counts by how well it fits the scores, and so does "
    "every pair of changes that may work together, so it can differ a little from what the single "
    "differences suggest."
)


@checked_types(RoundError)
def report(round_: Round | str | Path, path: str | Path | None = None) -> Path:
    """Write one page on a round: what was baked, what was learned, how sure it is.

    What was read for it, in this round and those before it, is kept under `received/`.

    Parameters
    ----------
    round_ : Round, or its folder
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
    round_ = opened(round_)
    path = Path(path or round_.folder / "page.html")
    free_to_write(path, usual=round_.folder / "page.html", replace=True)
    with under_way("Writing the page", 4) as done:
        answers = Answers(kept_evidence(round_))
        done(1)
        found = findings_of(answers)
        done(2)
        waiting = _waits(round_, answers.evidence)
        best = _best(answers, found)
        first = next((one for one in found.values() if isinstance(one, Findings)), None)
        checked = _checked(first)
        done(3)
        made = render(
            TEMPLATES,
            "report.html",
            title=round_.name,
            version=__version__,
            pictures=True,
            invented=round_.invented,
            rests_on=_what_it_rests_on(round_, answers.evidence, waiting),
            lines=opening(round_, answers, found, best),
            confirmed=_confirmed(answers, waiting),
            measures=_measures(answers, found, read_diary(round_.folder)),
            notes=_notes(round_),
            failures=_failures(answers.evidence),
            plan=_plan(round_, answers.evidence, waiting),
            best=_best_in_full(best, answers),
            trust=() if checked is None else _said(checked),
            tasters=_tasters(first),
            formula=_formula(round_),
            method=_method(round_, found, answers.evidence),
            drawn=_for_statisticians(round_, first, checked),
            cautions=_cautions(round_),
        )
    with writing(round_.folder):
        return write_text(path, made)


def opening(
    round_: Round,
    answers: Answers,
    found: Mapping[str, Answer | str],
    best: Recommendation | str | None = None,
) -> FirstLines:
    """Return the three lines for the whole round: what to do, what to bake next, how sure."""
    best = _best(answers, found) if best is None else best
    waiting = _waits(round_, answers.evidence)
    step = _step(round_, answers, waiting)
    lines = first_lines(found, best, step, cost_of_a_bake=_cost(round_))
    kept = "" if isinstance(best, str) else not_for(round_, best.settings)
    return replace(lines, do=f"{lines.do} {kept}".rstrip())


def _step(round_: Round, answers: Answers, waiting: bool) -> NextStep | str:
    """Return what to bake next, about as many as the last time; or why nothing can be said."""
    if waiting:
        return f"Bake what is planned: {round_.plan.sentence()}."
    made = answers.evidence.planned
    trials = int((made["role"] == Role.TRIAL).sum()) if len(made) else MOST_BAKES_NEXT
    try:
        return next_round(answers, max(1, min(MOST_BAKES_NEXT, trials)))
    except NothingToGainError as error:
        return error.why
    except TrialsError as error:
        return _sentence(error)


def _sentence(error: TrialsError) -> str:
    """Return why something can not be said as a sentence of the page."""
    said = str(error)
    return f"{said[:1].upper()}{said[1:]}"


def _cost(round_: Round) -> tuple[float, str] | None:
    """Return what the ingredients of one bake cost on average, where prices are known."""
    if not round_.formula:
        return None
    bought = shopping_list(round_)
    cost = next((str(name) for name in bought if str(name).startswith("cost (")), "")
    if not cost or not bought[cost].notna().any():
        return None
    currency = cost.removeprefix("cost (").removesuffix(")")
    return float(bought[cost].sum()) / len(round_.plan.table), currency


def _waits(round_: Round, evidence: Evidence) -> bool:
    """Return whether a round is planned and waits to be baked."""
    return round_.name in evidence.waiting or _nothing_yet(evidence)


def _nothing_yet(evidence: Evidence) -> bool:
    """Return whether nothing at all was baked or scored so far."""
    scored = evidence.table[[one.name for one in evidence.measures if one.name in evidence.table]]
    return not was_baked(evidence.table["status"]).any() and bool(scored.isna().all(axis=None))


def _what_it_rests_on(round_: Round, evidence: Evidence, waiting: bool) -> str:
    """Return which bakes the page speaks from, as sentences."""
    here, reference = round_.plan.sentence(), _reference_words(round_)
    if _nothing_yet(evidence):
        return f"{here}, planned and not baked yet.{reference}"
    known = dict.fromkeys(
        said for measure in evidence.measures for said in evidence.blindness(measure.name)
    )
    if not evidence.several and not waiting and not evidence.left_out:
        return " ".join([*known, f"{here}.{reference}"])
    count = len(evidence.rounds)
    rounds = f"the round {evidence.rounds[0]}" if count == 1 else f"{count} rounds"
    yet = ", not baked yet" if waiting else ""
    told = f"This round: {here}{yet}. What follows is from {rounds}, {evidence.bakes()} bakes."
    return " ".join([*known, *evidence.left_out, f"{told}{reference}"])


def _reference_words(round_: Round) -> str:
    """Return what a reference bake is, for whoever reads of one for the first time."""
    rows = round_.plan.rows
    own = rows.loc[rows["role"] == Role.REFERENCE, [one.name for one in round_.plan.factors]]
    if own.empty:
        return ""
    if len(own.drop_duplicates()) > 1:
        return " The reference bakes are what every other bake is compared with."
    setting = setting_words(round_.plan.factors, own.iloc[0].to_dict())
    return f" The reference bake ({setting}) is what every other bake is compared with."


def findings_of(answers: Answers) -> dict[str, Answer | str]:
    """Return the findings of every measure, or the reason why there are none."""
    return {measure.name: _found(answers, measure) for measure in answers.evidence.measures}


def _found(answers: Answers, measure: Measure) -> Answer | str:
    try:
        found: Answer = answers.on(measure.name)
        return found
    except FitError as error:
        return _sentence(error)


def _notes(round_: Round) -> list[tuple[str, str]]:
    """Return what was noted of the round, its days and its bakes, oldest first."""
    return diary_lines(read_diary(round_.folder, about=""))


def _measures(
    answers: Answers, found: Mapping[str, Answer | str], diary: pd.DataFrame
) -> list[dict[str, Any]]:
    """Return what was found for every measure; what holds for several is said at the first."""
    if _nothing_yet(answers.evidence):
        return []
    said: set[str] = set()
    pieces = []
    for measure in answers.evidence.measures:
        own = found[measure.name]
        noted = diary_lines(diary[diary[ABOUT] == measure.name])
        pieces.append({"name": measure.name, "noted": noted} | _measure(own, said))
        said |= set() if isinstance(own, str) else {*own.sentences, *own.notes}
    return pieces


def _measure(found: Answer | str, said: set[str]) -> dict[str, Any]:
    """Return three sentences and one picture; tables, pairs, methods and doubts are folded."""
    told: dict[str, Any] = {
        "picture": "",
        "pairs": "",
        "counts": [],
        "table": "",
        "sentences": [],
        "notes": [],
    }
    if isinstance(found, str):
        return told | {"brief": [found], "folded": False}
    told |= {"folded": True, "notes": [one for one in found.notes if one not in said]}
    fresh = [one for one in found.sentences if one not in said]
    if isinstance(found, Counted):
        counts = [(name, as_table(one)) for name, one in found.shown().items()]
        brief, rest = fresh[:MOST_SENTENCES], fresh[MOST_SENTENCES:]
        return told | {"brief": brief, "sentences": rest, "counts": counts}
    together = any(len(term.factors) == 2 for term in found.terms)
    return told | {
        "brief": in_brief(found),
        "picture": effects(found).html(),
        "table": as_table(changes_table(found)),
        "pairs": interactions(found).html() if together else "",
        "sentences": fresh,
    }


def _failures(evidence: Evidence) -> dict[str, Any] | None:
    out = evidence.failed
    if out.empty:
        return None
    names = ["bake", "status", "reason", *(factor.name for factor in evidence.factors)]
    told: dict[str, Any] = {"table": as_table(_shown(evidence.factors, out[names])), "picture": ""}
    try:
        found = failing(evidence)
    except FitError as error:
        return told | {"brief": [_sentence(error)], "sentences": []}
    return told | {
        "brief": found.sentences[:1],
        "sentences": found.sentences[1:],
        "picture": failure_map(found).html(),
    }


def _best(answers: Answers, found: Mapping[str, Answer | str]) -> Recommendation | str:
    """Return the setting to go for, for the measures that have a goal and findings, or why none."""
    measures = answers.evidence.measures
    if _nothing_yet(answers.evidence):
        return "nothing is baked yet."
    if not any(one.goal and isinstance(found[one.name], Findings) for one in measures):
        return "no measure with a goal has scores yet."
    try:
        return best_so_far(answers)
    except TrialsError as error:
        return str(error)


def _best_in_full(best: Recommendation | str, answers: Answers) -> list[str]:
    if isinstance(best, str):
        return []
    blend = any(isinstance(factor, Component) for factor in answers.evidence.factors)
    return [*best.sentences, *best.notes, *([] if blend else [_WEIGHED])]


def _confirmed(answers: Answers, waiting: bool) -> Sequence[str]:
    """Return whether confirmation bakes came out as foretold."""
    if waiting or not answers.rounds or answers.rounds[-1] not in answers.evidence.confirmed:
        return ()
    try:
        return confirmation(answers).sentences
    except FitError as error:
        return (str(error),)


def _checked(first: Findings | None) -> Diagnostics | str | None:
    """Return the checks behind the first measure's findings, or why there are none."""
    if first is None:
        return None
    try:
        return diagnostics(first)
    except FitError as error:
        return str(error)


def _said(checked: Diagnostics | str) -> Sequence[str]:
    return (checked,) if isinstance(checked, str) else checked.sentences


def _tasters(first: Findings | None) -> Sequence[str]:
    """Return how the tasters of the first measure used its scale, where there are several."""
    if first is None or "taster" not in first.residuals:
        return ()
    if first.residuals["taster"].nunique() < 2:
        return ()
    try:
        return describe_tasters(first).sentences
    except FitError as error:
        return (str(error),)


def _for_statisticians(
    round_: Round, first: Findings | None, checked: Diagnostics | str | None
) -> list[str]:
    """Return the pictures that a statistician asks for; each says how it is read.

    A later round is judged with those before it, so its plan is not drawn as if it stood alone.
    """
    draws: list[Callable[[], Picture]] = []
    if isinstance(checked, Diagnostics):
        draws += [partial(residuals, checked), partial(influence, checked)]
    if first is not None:
        draws.append(partial(half_normal, first))
    if not round_.parent:
        plain = (plan_errors, plan_leverage, plan_efficiency)
        draws += [partial(draw, round_.plan) for draw in plain]
    made = []
    for draw in draws:
        try:
            made.append(draw().html())
        except TrialsError:  # a picture that this plan or these scores have no use for
            continue
    return made


def _plan(round_: Round, evidence: Evidence, waiting: bool) -> dict[str, Any]:
    """Return the bakes with what came of them; before baking, what is planned."""
    shown = _shown(round_.plan.factors, round_.plan.table)
    shown["role"] = [ROLE_WORDS[role] or "trial bake" for role in shown["role"]]
    words = {group: kitchen_group(group, round_.plan.factors) for group in round_.plan.groups}
    shown = shown.rename(columns={**words, "role": "kind"})
    if not waiting:
        shown["result"] = _results(round_, evidence)
    here = " in this round" if round_.parent else ""
    return {
        "heading": f"What {'is planned' if waiting else 'was baked'}{here}",
        "said": f"{round_.plan.sentence()}.",
        "folded": "Every bake that is planned" if waiting else "Every bake and what came of it",
        "table": as_table(shown),
        "reasons": _reasons(round_) if round_.parent else [],
    }


def _results(round_: Round, evidence: Evidence) -> list[str]:
    """Return what came of every bake: its means, or that it failed and why."""
    own = evidence.of(round_.name)
    plain = [one for one in evidence.measures if one.averaged and one.name in own]
    told = {}
    for bake, rows in own.groupby("bake", sort=False):
        name = str(bake).removeprefix(f"{round_.name} ")
        status = next((one for one in rows["status"] if one and one != Status.MADE), "")
        reason = next((one for one in rows["reason"] if isinstance(one, str) and one), "")
        if status:
            told[name] = f"{status}{f': {reason}' if reason else ''}"
            continue
        means = [(one, pd.to_numeric(rows[one.name], errors="coerce").mean()) for one in plain]
        told[name] = ", ".join(
            f"{one.name} {figure(mean)}{f' {one.unit}' if one.unit else ''}"
            for one, mean in means
            if pd.notna(mean)
        )
    return [told.get(bake, "") for bake in round_.plan.table["bake"]]


def _reasons(round_: Round) -> list[str]:
    return [str(reason) for reason in round_.plan.reasons]


def _method(round_: Round, found: Mapping[str, Answer | str], evidence: Evidence) -> dict[str, Any]:
    """Return how it was worked out, and how chance came in: for whoever wants to do it again."""
    rows = [
        f"{name}: {_values(one)} values; {one.method}."
        for name, one in found.items()
        if not isinstance(one, str)
    ]
    seeds = (
        f"Chance drew the order of the bakes (seed {round_.plan.seed}) and the codes and serving "
        f"orders (seed {round_.seed}); the same seeds draw the same again."
    )
    return {
        "plain": _SOURCES,
        "textbook": _TEXTBOOK,
        "rows": rows,
        "digest": evidence.digest,
        "drawn": [*([] if round_.parent else _reasons(round_)), seeds],
    }


def _values(found: Answer) -> int:
    return found.answers if isinstance(found, Counted) else len(found.residuals)


def _shown(factors: Sequence[Factor], table: pd.DataFrame) -> pd.DataFrame:
    """Return a table with every setting written with its unit."""
    shown = table.dropna(axis=1, how="all").copy()
    for factor in factors:
        shown[factor.name] = [factor.show(value) for value in shown[factor.name]]
    return shown


def _formula(round_: Round) -> dict[str, Any] | None:
    if round_.formula is None:
        return None
    grams = round_.formula.grams(flour=100)[["ingredient", "percent"]]
    grams["percent"] = [f"{tidy_number(value, 4)} %" for value in grams["percent"]]
    return {"name": round_.formula.name, "table": as_table(grams)}


def _cautions(round_: Round) -> list[str]:
    return [one.text for one in round_cautions(round_)]


# -- The story of a development as one page, with its picture and its recipe.


@checked_types(RoundError)
def story(
    round_: Round | str | Path, path: str | Path | None = None, *, units: str = "grams"
) -> Path:
    """Write the story of a development on one page, round by round, with its recipe.

    What was read for it is kept under `received/`.

    Parameters
    ----------
    round_ : Round, or its folder
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
    round_ = opened(round_)
    return write_story(round_, path, units=units)[1]


def write_story(
    round_: Round, path: str | Path | None = None, *, units: str = "grams"
) -> tuple[Story, Path]:
    """Write the story on one page, and return it as well."""
    path = Path(path or round_.folder / "story.html")
    free_to_write(path, usual=round_.folder / "story.html", replace=True)
    with under_way("Telling the story", 2) as done:
        answers = Answers(kept_evidence(round_))
        done(1)
        told = story_of(line_of(round_), answers, units=units)
    made = render(
        TEMPLATES,
        "story.html",
        title=f"{round_.name}: the story",
        version=__version__,
        pictures=True,
        sentences=told.sentences,
        # One point has no course
        picture=story_picture(told).html() if len(told.course) > 1 else "",
        rounds=as_table(told.shown(), names=True),
        card=Markup(told.card._repr_html_()) if told.card else "",
        mark=told.digest,
    )
    with writing(round_.folder):
        return told, write_text(path, made)
