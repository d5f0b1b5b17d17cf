"""Who is served what in a round, and every page that follows from it: ballots and the key."""

from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from trials.base.files import write_csv, write_text
from trials.base.html import pdf
from trials.base.words import in_words
from trials.core.roles import Role
from trials.recipe.formula import Formula, allergens
from trials.rounds.forms import SERVING, blind_name, read_serving, round_mark
from trials.rounds.round import Round
from trials.rounds.safe import check_served, kept_from
from trials.tasting.paper import ballots, code_sheet
from trials.tasting.phone import ballot_file, phone_ballots
from trials.tasting.serving import Day, ServingPlan, serving_plan

RICH_SITTING = 6  # samples at once that a palate takes when they are rich (common practice)
FEW = 2  # tasters: so few that their own repeatability has to be measured
FOR_TASTERS, FOR_PHONES = "ballots", "ballots/phone"
SERVING_NOTES, CODES = "serving-notes.txt", "code-sheet.html"


def drawn_serving(round_: Round) -> pd.DataFrame:
    """Return who is served what, drawn now if it was not drawn before.

    With one or two tasters, one bake of each sitting comes back under a second code, so that
    their own repeatability is measured; and where every day has a reference bake, it is served at
    every sitting and bridges the days.
    """
    if not round_.tasters or not any(one.per == "tasting" for one in round_.measures):
        return pd.DataFrame()
    if (round_.folder / SERVING).exists():
        serving = read_serving(round_)
        check_served(round_, serving)
        return serving
    bakes = round_.plan.table
    per_sitting = round_.sitting or RICH_SITTING
    few = len(round_.tasters) <= FEW
    reference = _reference_of_days(bakes) if few and per_sitting > 2 else {}
    scored = bakes[~bakes["bake"].isin(reference.values())]
    plan = serving_plan(
        round_.tasters,
        scored["bake"],
        per_sitting=per_sitting,
        days=dict(zip(scored["bake"], scored["day"], strict=True)),
        avoid=kept_from(round_),
        reference=reference or None,
        repeats=1 if few and per_sitting > 2 else 0,
        seed=round_.seed,
    )
    write_csv(plan.table, round_.folder / SERVING)
    write_text(round_.folder / SERVING_NOTES, "\n".join(_told(round_, plan)) + "\n")
    return plan.table


def _reference_of_days(bakes: pd.DataFrame) -> dict[Day, str]:
    """Return one reference bake for each day; none unless every day has one and bakes beside it."""
    references = bakes[bakes["role"] == Role.REFERENCE].groupby("day")["bake"].first()
    others = bakes[~bakes["bake"].isin(references)]
    days = set(bakes["day"])
    found: dict[Day, str] = {int(day): str(bake) for day, bake in references.items()}
    return found if days == set(found) == set(others["day"]) else {}


def _told(round_: Round, plan: ServingPlan) -> list[str]:
    """Return what is to be known of a serving plan, the limits of a small panel included."""
    names = in_words(taster.name for taster in round_.tasters)
    told = [plan.sentence, *plan.notes]
    if len(round_.tasters) <= FEW:
        told.append(
            f"Whatever is found is the liking of {names}, and of nobody else. Hidden repeats show "
            "how far the same piece comes out the same."
        )
    cooks = in_words(taster.name for taster in round_.tasters if taster.cooks)
    if cooks:
        told.append(
            f"{cooks} cooks and tastes: let somebody else label the plates from {CODES}, which "
            "stays closed until the scores are in. A score given with the bake known is marked "
            'blind "no" and kept apart.'
        )
    return told


def phone_pages(
    round_: Round, serving: pd.DataFrame, formulas: Mapping[str, Formula], *, sends: bool = False
) -> dict[str, str]:
    """Return the phone ballots of a round, by taster; see :func:`phone_ballots`."""
    return phone_ballots(
        blind_name(round_),
        serving,
        round_.measures,
        round_.tasters,
        allergens=_present(formulas),
        mark=round_mark(round_),
        sends=sends,
    )


def write_ballots(
    round_: Round,
    serving: pd.DataFrame,
    formulas: Mapping[str, Formula],
    *,
    as_pdf: bool = False,
) -> list[Path]:
    """Write the ballots on paper and for the phone, and the key to the codes for the kitchen."""
    paper = ballots(
        blind_name(round_), serving, round_.measures, round_.tasters, allergens=_present(formulas)
    )
    phone = phone_pages(round_, serving, formulas)
    written = [
        write_text(round_.folder / folder / ballot_file(taster), page)
        for folder, pages in ((FOR_TASTERS, paper), (FOR_PHONES, phone))
        for taster, page in pages.items()
    ]
    if as_pdf:
        written += [
            pdf(sheet, round_.folder / FOR_TASTERS / ballot_file(taster, "pdf"))
            for taster, sheet in paper.items()
        ]
    cooks = [taster.name for taster in round_.tasters if taster.cooks]
    by_hand = {taster.name: taster.also_avoids for taster in round_.tasters}
    key = code_sheet(round_.name, serving, sealed_for=cooks, by_hand=by_hand)
    return [*written, write_text(round_.folder / CODES, key)]


def _present(formulas: Mapping[str, Formula]) -> list[str]:
    return sorted({name for formula in formulas.values() for name in allergens(formula)})
