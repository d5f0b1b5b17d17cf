"""Who is served what in a round, and every page that follows from it: ballots and the key."""

from pathlib import Path

import pandas as pd

from trials.base.files import write_text
from trials.base.html import pdf
from trials.rounds.forms import blind_name, round_mark
from trials.rounds.round import Round
from trials.rounds.safe import told_to_tasters
from trials.rounds.serving import CODES
from trials.tasting.paper import ballots, code_sheet
from trials.tasting.phone import ballot_file, phone_ballots

FOR_TASTERS, FOR_PHONES = "ballots", "ballots/phone"


def phone_pages(round_: Round, serving: pd.DataFrame, *, sends: bool = False) -> dict[str, str]:
    """Return the phone ballots of a round, by taster; see :func:`phone_ballots`."""
    named = told_to_tasters(round_)
    return phone_ballots(
        blind_name(round_),
        serving,
        round_.measures,
        round_.tasters,
        allergens={name for bake in named.values() for name in bake},
        mark=round_mark(round_),
        sends=sends,
    )


def write_ballots(
    round_: Round,
    serving: pd.DataFrame,
    *,
    as_pdf: bool = False,
) -> list[Path]:
    """Write the ballots on paper and for the phone, and the key to the codes for the kitchen."""
    named = told_to_tasters(round_)
    present = {name for bake in named.values() for name in bake}
    paper = ballots(blind_name(round_), serving, round_.measures, round_.tasters, allergens=present)
    phone = phone_pages(round_, serving)
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
    key = code_sheet(round_.name, serving, sealed_for=cooks, by_hand=by_hand, may_hold=named)
    return [*written, write_text(round_.folder / CODES, key)]
