"""An invented round of rye ginger snaps with every kind of scale, and ways to spoil its sheets."""

import tempfile

import openpyxl
import pandas as pd

from trials.base.files import read_csv, write_csv
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure
from trials.design.layout import lay_out
from trials.rounds.round import Round
from trials.rounds.workbook import write_workbooks

TASTERS = ("Ida", "Bo")
FACTORS = (
    Numeric("oven heat", 165, 190, "°C", hard_to_change=True),
    Categorical("fat", ["butter", "lard"]),
    Numeric("hydration", 16, 24, "%"),
)
MEASURES = (
    Measure("liking", "hedonic 9", goal="higher"),
    Measure("ginger heat", ("intensity", 0, 10)),
    Measure("sweetness", "just about right 5"),
    Measure("said of it", "check all", words=["snappy", "soapy", "scorched"]),
    Measure("spread", "number", unit="mm", per="bake"),
    Measure("kept its shape", "passed", per="bake"),
)


def plan():
    bakes = [
        {
            "day": day,
            "load": 2 * day + hot,
            "oven heat": (165, 190)[hot],
            "fat": fat,
            "hydration": h,
        }
        for day in (1, 2)
        for hot in (0, 1)
        for fat, h in (("butter", 16), ("lard", 24))
    ]
    return lay_out(FACTORS, pd.DataFrame(bakes), family="by hand", model="main", seed=1)


def serving():
    """Two tasters, eight bakes each, and a warm-up that is not scored."""
    rows = [
        [taster, 1, place, f"B0{place}", str(100 * (2 + 3 * who) + 11 + place), "trial"]
        for who, taster in enumerate(TASTERS)
        for place in range(1, 9)
    ]
    rows += [
        [taster, 1, 0, "B01", code, "warm-up"]
        for taster, code in zip(TASTERS, ("984", "985"), strict=True)
    ]
    return pd.DataFrame(rows, columns=["taster", "sitting", "place", "bake", "code", "kind"])


def make_round(folder, *, seed=7):
    """A round with blank sheets."""
    round_ = Round.create(folder, plan=plan(), measures=MEASURES, seed=seed)
    write_csv(serving(), round_.folder / "serving.csv")
    write_workbooks(round_, serving())
    return round_


def tidy_scores():
    """Scores for every tasting and bake; B08 failed."""
    rows = []
    for at, one in enumerate(serving().itertuples()):
        if one.kind == "trial":
            rows.append(
                {
                    "taster": one.taster,
                    "code": one.code,
                    "bake": one.bake,
                    "liking": 1 + at / 3,
                    "ginger heat": at / 7,
                    "sweetness": 1 + at % 5,
                    "said of it": "snappy; scorched" if at % 2 else "soapy",
                    "note": f"piece {at}",
                }
            )
    for at in range(1, 9):
        bake = {"bake": f"B0{at}", "status": "made", "note": "", "reason": ""}
        rows.append(bake | {"spread": 60 + at / 3, "kept its shape": float(at % 2)})
    table = pd.DataFrame(rows)
    lost = table["bake"] == "B08"
    table.loc[lost, ["liking", "ginger heat", "sweetness", "spread", "kept its shape"]] = None
    table.loc[lost, "said of it"] = None
    table.loc[lost & table["taster"].isna(), ["status", "reason"]] = ["failed", "scorched"]
    return table


def edit_book(path, change):
    """Open a workbook as a spreadsheet would, change it, save it."""
    book = openpyxl.load_workbook(path)
    change(book)
    book.save(path)


def cell(sheet, row, column):
    """The cell below a title, found by the title."""
    for title in sheet[1]:
        if str(title.value).startswith(column):
            return sheet.cell(row=row, column=title.column)
    raise LookupError(column)


def save_as_an_editor(table, path):
    """Save a table over a file of a round from outside: the program knows nothing of it."""
    with tempfile.TemporaryDirectory() as place:
        path.write_bytes(write_csv(table, f"{place}/table.csv").read_bytes())


def enter(path, row, column, value):
    """Type one value into a sheet, workbook or plain table."""
    if path.suffix == ".csv":
        table = read_csv(path)
        table.loc[row, column] = value
        save_as_an_editor(table, path)
    else:
        edit_book(path, lambda book: setattr(cell(book.worksheets[0], row, column), "value", value))
