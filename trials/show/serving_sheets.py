"""Who is served what in a round, and every page that follows from it: ballots and the key."""

from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from trials.base.files import write_text
from trials.base.html import pdf
from trials.recipe.formula import Formula, allergens
from trials.rounds.forms import blind_name, round_mark
from trials.rounds.round import Round
from trials.rounds.serving import CODES
from trials.tasting.paper import ballots, code_sheet
from trials.tasting.phone import ballot_file, phone_ballots

FOR_TASTERS, FOR_PHONES = "ballots", "ballots/phone"


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
