"""What reaches a taster's eyes tells nothing of how a bake was made."""

import re

import pandas as pd
import pytest

from tests.rounds.rounds_to_bake import DOUGHNUT, doughnut
from trials.core.factors import Numeric
from trials.design.layout import lay_out
from trials.recipe.formula import Formula
from trials.rounds.forms import blind_name, read_serving
from trials.show.sheets import write_sheets
from trials.tasting.paper import code_sheet


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    made = doughnut(tmp_path_factory.mktemp("leaks"))  # its own name says "Buckwheat"
    return made, write_sheets(made)


def seen(markup: str) -> str:
    """Return all that stands in a page, its data and attributes included, but for its looks."""
    body = markup.split("<body>")[1]
    return re.sub(r"<script>.*?</script>|class=\"[^\"]*\"", " ", body, flags=re.S)


def test_ballots_name_no_bake_setting_factor_day_or_load(written):
    made, files = written
    pages = [path for path in files if "ballot" in path.name]
    assert len(pages) == 2 * len(made.tasters)
    plan = made.plan
    secrets = {*plan.table["bake"], "reference", "repeat", "load", "day", "centre"}
    for factor in plan.factors:
        secrets |= {factor.name, *(factor.show(value) for value in plan.table[factor.name])}
    # Allergens are named to all for the whole session, and everybody rinses with water
    secrets |= set(DOUGHNUT.parts) - {"milk", "egg", "water"}
    for path in pages:
        text = seen(path.read_text("utf-8"))
        found = [one for one in secrets if re.search(rf"\b{re.escape(one)}(?!\w)", text)]
        assert found == [], path.name


def test_a_ballot_holds_no_code_of_anybody_else(written):
    made, files = written
    serving = read_serving(made)
    for taster in made.tasters:
        others = set(serving[serving["taster"] != taster.name]["code"])
        for path in files:
            if path.name == f"ballot-{taster.name}.html":
                numbers = set(re.findall(r"\b\d{3}\b", seen(path.read_text("utf-8"))))
                assert not numbers & others


def test_the_key_to_the_codes_is_no_taster_s_file(written):
    made, files = written
    key = code_sheet(made.name, read_serving(made))
    assert "B01" in key
    assert all("B01" not in path.read_text("utf-8") for path in files if "ballot" in path.name)


def test_a_name_that_tells_is_not_shown_to_tasters(written):
    made, files = written
    assert made.name == "Buckwheat drop doughnut, round 1"
    for path in files:
        if "ballot" in path.name:
            text = path.read_text("utf-8")
            assert "uckwheat" not in text, path.name
            assert "Tasting, round 1" in text


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("More HYDRATION?", "Tasting"),  # a factor
        ("Sunflower or not, Round 12", "Tasting, round 12"),  # a level
        ("Eggs, milks and more", "Tasting"),  # ingredients, in the plural
        ("proofing round 3", "proofing round 3"),  # "proofing" is not a word of the plan
        ("Saturday doughnuts", "Saturday doughnuts"),
    ],
)
def test_names_that_hold_a_factor_a_level_or_an_ingredient_are_hidden(tmp_path, name, shown):
    assert blind_name(doughnut(tmp_path, name=name)) == shown


def test_the_other_parent_of_a_crossing_is_hidden_too(tmp_path):
    snap = Formula("ginger snap", {"rye flour, medium": 100, "water": 50, "ginger, ground": 2})
    share = Numeric("share", 0, 1, changes=("cross", snap))
    plan = lay_out([share], pd.DataFrame({"share": [0, 1]}), family="cross", model="main", seed=1)
    assert blind_name(doughnut(tmp_path, plan=plan, name="Ginger evening")) == "Tasting"
