"""An invented round of doughnuts with every scale of the table, and ballots filled by hand."""

import csv
import io
import json
import re
from pathlib import Path

import numpy as np
import pandas as pd

from tests.rounds.rounds_to_bake import doughnut
from trials.core.measures import Measure
from trials.rounds.forms import read_serving
from trials.rounds.round import Round
from trials.rounds.scores import record_scores
from trials.show.sheets import write_sheets
from trials.tasting.panel import Taster
from trials.tasting.phone import ballot_file

EVERY_SCALE = (
    Measure("liking", "hedonic 9"),
    Measure("crispness", ("intensity", 0, 10), anchors=["soft", "shatters"]),
    Measure("sweetness", "just about right 5"),
    Measure("said of it", "check all", words=["nutty", "greasy"]),
    Measure("greasiest", "ranking", anchors=["the greasiest", "the driest"]),
    Measure("smells of", "words"),
    Measure("again", "passed"),
    Measure("bites", "number", unit="bites"),
    Measure("oil uptake", "number", unit="%", per="bake"),
    Measure("held its shape", "passed", per="bake"),
)


def tasted(folder: Path, names=("Ida", "Bo"), **changes) -> Round:
    """A round with its sheets written."""
    asked = {"measures": EVERY_SCALE, "tasters": [Taster(name) for name in names]}
    made = doughnut(folder, **(asked | changes))
    write_sheets(made)
    return made


def page_of(round_: Round, taster: str) -> Path:
    """A taster's phone ballot."""
    return round_.folder / "ballots/phone" / ballot_file(taster)


def data_of(markup: str) -> dict:
    """What a phone ballot knows."""
    return json.loads(re.search(r'id="ballot">(.*?)</script>', markup, re.S).group(1))


def answers(ballot: dict, **values: str) -> str:
    """The file that a phone ballot would save with the same answers for every piece."""
    rows = [
        {
            "taster": ballot["taster"],
            "sitting": sample["sitting"],
            "place": sample["place"],
            "code": sample["code"],
            "round": ballot["mark"],
            **{name.replace("_", " "): value for name, value in values.items()},
        }
        for sample in ballot["samples"]
    ]
    text = io.StringIO()
    writer = csv.DictWriter(text, ballot["columns"], restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def tasted_through(folder: Path, names=("Ida", "Bo"), seed=1, **changes) -> Round:
    """The same round with an answer on every scale, and one tasting of which little was said."""
    made = tasted(folder, names, **changes)
    rng = np.random.default_rng(seed)
    rows = read_serving(made).merge(made.plan.table, on="bake")
    count = len(rows)
    rows["liking"] = rng.integers(3, 9, count)
    rows["crispness"] = rng.uniform(2, 9, count).round(1)
    rows["sweetness"] = rng.integers(2, 5, count)
    rows["said of it"] = rng.choice(["nutty", "nutty; greasy", "none"], count)
    rows["greasiest"] = rows.groupby(["taster", "sitting"]).cumcount() + 1
    rows["smells of"] = rng.choice(["yeast and butter", "crumbly, not sour"], count)
    rows["again"] = rng.choice(["yes", "no"], count)
    rows["bites"] = rng.integers(3, 7, count)
    rows.loc[3, ["sweetness", "said of it", "smells of", "again"]] = np.nan
    bakes = made.plan.table.assign(taster=None)
    bakes["oil uptake"] = rng.uniform(8, 14, len(bakes)).round(1)
    bakes["held its shape"] = np.where(bakes["oil temperature"] > 175, "no", "yes")
    record_scores(made, pd.concat([rows, bakes]))
    return made
