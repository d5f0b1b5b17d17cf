"""All the sheets of a round in one go: for the cook, for the tasters, for the scores."""

from pathlib import Path

from trials.base.arguments import checked_types
from trials.base.errors import RoundError
from trials.base.files import write_bytes, write_csv, write_text
from trials.base.html import pdf
from trials.rounds.amounts import shopping_list
from trials.rounds.extremes import write_extremes
from trials.rounds.forms import BAKES, SERVING, TASTINGS
from trials.rounds.gathering import kept_sheet
from trials.rounds.round import Round, opened, writing
from trials.rounds.serving import drawn_serving
from trials.rounds.timetable import Timetable, timetable
from trials.rounds.workbook import write_workbooks
from trials.show.bake_sheets import bake_sheets, shopping_page
from trials.show.cook_page import cook_page
from trials.show.serving_sheets import write_ballots
from trials.show.timetable import timetable_sheet

BAKE_SHEETS, SHOPPING, TIMETABLE = "bake-sheets", "shopping-list", "timetable"
COOK_PAGE = "cook-page.html"


@checked_types(RoundError)
def write_sheets(round_: Round | str | Path, *, as_pdf: bool = False) -> list[Path]:
    """Write every sheet of a round into its folder.

    For the cook: `bake-sheets.html` (one page a bake), `cook-page.html` (for the phone),
    `bakes.xlsx` and its plain twin, what to buy where there is a formula, the timetable where
    there are steps, `serving.csv` (who gets what under which code) and `code-sheet.html` (the
    same to label from; sealed where a cook tastes too). For the tasters: a ballot each on paper
    and for the phone, `tastings.xlsx` and its plain twin. Serving orders and codes that were
    drawn once stay as they are.

    Parameters
    ----------
    round_ : Round, or its folder
    as_pdf : bool
        Whether to print the cook's pages and the ballots to PDF as well, with an installed
        browser.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    TastingError
        When tasters, sittings and codes can not be arranged.
    FormulaError
        When the settings of a bake can not be mixed.
    RoundError
        When a step can not be done, or a price is for something that the round does not use.
    SheetError
        When a PDF is asked for and no browser is installed.
    """
    round_ = opened(round_)
    with writing(round_.folder):
        _put_back(round_)
    with writing(round_.folder):
        return _written(round_, as_pdf)


def _put_back(round_: Round) -> None:
    """Put back the score sheets that are gone, as they were read last."""
    for name in (f"{kind}{end}" for kind in (BAKES, TASTINGS) for end in (".xlsx", ".csv")):
        copy = kept_sheet(round_, name)
        if copy is not None:
            write_bytes(round_.folder / name, copy.read_bytes())


def _written(round_: Round, as_pdf: bool) -> list[Path]:
    serving = drawn_serving(round_)
    made = timetable(round_) if round_.steps else None
    written = _page(round_, BAKE_SHEETS, bake_sheets(round_, made=made), as_pdf)
    written.append(write_text(round_.folder / COOK_PAGE, cook_page(round_)))
    if round_.formula:
        written += write_shopping(round_, as_pdf=as_pdf)
    if made is not None:
        written += write_timetable(round_, made, as_pdf=as_pdf)
    written += write_extremes(round_)
    written += write_workbooks(round_, serving)
    if len(serving):
        written.append(round_.folder / SERVING)
        written += write_ballots(round_, serving, as_pdf=as_pdf)
    return written


def write_shopping(round_: Round, *, as_pdf: bool = False) -> list[Path]:
    """Write what to buy for a round, as a page to print and as a table."""
    with writing(round_.folder):
        table = write_csv(shopping_list(round_), round_.folder / f"{SHOPPING}.csv")
        return [*_page(round_, SHOPPING, shopping_page(round_), as_pdf), table]


def write_timetable(
    round_: Round, made: Timetable | None = None, *, as_pdf: bool = False
) -> list[Path]:
    """Write the bake days of a round hour by hour, as a page to print and as a table."""
    made = made or timetable(round_)
    plain = made.tasks.drop(columns=["start", "end"])
    with writing(round_.folder):
        table = write_csv(plain, round_.folder / f"{TIMETABLE}.csv")
        return [*_page(round_, TIMETABLE, timetable_sheet(round_, made), as_pdf), table]


def _page(round_: Round, name: str, markup: str, as_pdf: bool) -> list[Path]:
    path = write_text(round_.folder / f"{name}.html", markup)
    return [path, pdf(markup, round_.folder / f"{name}.pdf")] if as_pdf else [path]
