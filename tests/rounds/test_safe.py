"""Nobody is served what they avoid. Allergens by the table's own column (USDA names, Annex II)."""

import tempfile
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import trials
from trials.base.errors import TastingError, TrialsError
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure
from trials.design.layout import lay_out
from trials.doors.cli import run
from trials.recipe.formula import Formula
from trials.recipe.ingredients import shipped
from trials.rounds.kitchen import Step
from trials.rounds.round import Round
from trials.rounds.serving import drawn_serving
from trials.tasting.panel import Taster

LIKING = [Measure("liking", "hedonic 9")]
FATS = ("butter", "lard", "sunflower oil", "coconut oil", "clarified butter", "peanut oil")
FLOURS = ("bread flour", "rice flour", "buckwheat flour", "medium rye flour", "oats")
EXTRAS = ("egg", "honey", "tahini", "walnuts", "miso", "rum", "milk", "soy flour", "ground almonds")
ALLERGENS = sorted({one for row in shipped().rows for one in row.allergens} - {"check label"})


def holds(formula: Formula, avoided: str) -> bool:
    """Whether the table says so of any ingredient: by its allergens, or by its name."""
    rows = [shipped().find(name) for name in formula.table["ingredient"]]
    return any(avoided in (row.name, *row.allergens) for row in rows) or avoided in set(
        formula.table["ingredient"]
    )


ADDED = tuple(name for name in EXTRAS if name != "soy flour")  # a flour is no percent of itself


@settings(max_examples=30, deadline=None)
@given(
    st.sampled_from(FLOURS),
    st.permutations(FATS).map(lambda fats: fats[:2]),
    st.sets(st.sampled_from(EXTRAS), max_size=2),
    st.sampled_from(ADDED),
    st.lists(st.sampled_from([*ALLERGENS, *FATS, *EXTRAS]), min_size=1, max_size=2, unique=True),
)
def test_no_plan_serves_a_taster_what_they_named(flour, fats, beside, extra, avoided):
    parts = {flour: 100, "water": 60, fats[0]: 12, "salt": 2}
    parts |= {name: 5 for name in beside if name != extra}
    formula = Formula("invented", parts, also_flour=["oats"])
    factors = [
        Categorical("fat", fats, changes=("swap", fats[0])),
        Numeric("extra", 0, 8, "%", changes=("percent", extra)),
    ]
    rows = pd.DataFrame([{"fat": fat, "extra": add} for fat in fats for add in (0, 8)])
    plan = lay_out(factors, rows, family="test", model="main", seed=1)
    with tempfile.TemporaryDirectory() as place:
        one = Round.create(
            Path(place) / "one",
            plan=plan,
            measures=LIKING,
            formula=formula,
            tasters=[Taster("Ida", avoided), Taster("Bo"), Taster("Cleo")],
            seed=1,
        )
        formulas = one.formulas
        held = {bake: [t for t in avoided if holds(formulas[bake], t)] for bake in formulas}
        if all(held.values()):
            with pytest.raises(TastingError, match="Ida can taste none"):
                drawn_serving(one)
            return
        try:
            serving = drawn_serving(one)
        except TastingError:  # more was kept from her than the table asks for: when in doubt, no
            return
    for bake in serving.loc[serving["taster"] == "Ida", "bake"]:
        assert not held[bake], (bake, avoided)
    assert set(serving.loc[serving["taster"] == "Bo", "bake"]) == set(formulas)


def one_round(folder, tasters, levels=("plain", "sesame"), **changes) -> Round:
    rows = pd.DataFrame([{"coating": one, "rest": rest} for one in levels for rest in (20, 60)])
    factors = [Categorical("coating", levels), Numeric("rest", 20, 60, "min")]
    plan = lay_out(factors, rows, family="test", model="main", seed=1)
    asked = {
        "measures": LIKING,
        "formula": Formula("bun", {"bread flour": 100, "water": 60, "butter": 8}),
    }
    return trials.Round.create(folder, plan=plan, tasters=tasters, **(asked | changes))


def test_what_is_done_by_hand_is_kept_from_them_too(tmp_path):
    one = one_round(tmp_path / "one", [Taster("Ida", "sesame"), Taster("Bo")])
    serving = drawn_serving(one)
    coated = one.plan.table.set_index("bake")["coating"] == "sesame"
    assert not coated[serving.loc[serving["taster"] == "Ida", "bake"]].any()
    assert coated[serving.loc[serving["taster"] == "Bo", "bake"]].any()
    steps = [Step("brush with egg wash", 5, "hands"), Step("bake", 20, "oven")]
    washed = one_round(tmp_path / "two", [Taster("Ida", "egg")], steps=steps)
    with pytest.raises(TastingError, match="Ida"):
        drawn_serving(washed)


def test_a_slip_is_refused_before_anything_is_written(tmp_path):
    with pytest.raises(TastingError, match=r'avoids "mlik".*"milk"'):
        one_round(tmp_path / "one", [Taster("Ida", "mlik")])
    assert not (tmp_path / "one").exists()


def test_without_a_formula_nothing_can_be_checked_and_that_is_said(tmp_path):
    with pytest.raises(TastingError, match="Ida avoids milk, and this round has no formula"):
        one_round(tmp_path / "one", [Taster("Ida", "milk")], formula=None)
    by_hand = one_round(tmp_path / "one", [Taster("Ida", also_avoids="milk")], formula=None)
    assert set(drawn_serving(by_hand)["taster"]) == {"Ida"}


def test_what_is_to_be_checked_by_hand_stands_in_capitals_on_the_code_sheet(tmp_path):
    one = one_round(tmp_path / "one", [Taster("Ida", also_avoids=["jackfruit"]), Taster("Bo")])
    trials.write_sheets(one)
    sheet = (one.folder / "code-sheet.html").read_text()
    assert "IDA NEVER EATS JACKFRUIT" in sheet
    assert "BO NEVER" not in sheet
    assert Round.open(one.folder).tasters[0].also_avoids == ("jackfruit",)


def change(folder: Path, old: str, new: str) -> None:
    path = folder / "round.toml"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


@pytest.mark.parametrize("command", ["sheets", "serve"])
@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("lard = 8", "butter = 8", "Ida avoids milk; the sample contains"),  # another formula
        ('"milk"', '"mlik"', '"mlik"'),  # a line changed by hand
        ('name = "Bo"\navoids = []', 'name = "Bo"\navoids = ["wheat"]', "Bo avoids wheat"),
    ],
)
def test_the_check_is_made_again_after_a_change(tmp_path, capsys, command, old, new, said):
    formula = Formula("bun", {"bread flour": 100, "water": 60, "lard": 8})
    tasters = [Taster("Ida", "milk"), Taster("Bo")]
    one = one_round(tmp_path / "one", tasters, formula=formula)
    trials.write_sheets(one)
    before = (one.folder / "serving.csv").read_bytes()
    change(one.folder, old, new)
    assert run([command, str(one.folder), *(["--port", "0"] if command == "serve" else [])]) == 1
    assert said in capsys.readouterr().err
    assert (one.folder / "serving.csv").read_bytes() == before


def test_a_bake_that_was_made_with_another_fat_is_not_served(tmp_path):
    fats = ("sunflower oil", "butter")
    factors = [Categorical("fat", fats, changes=("swap", fats[0])), Numeric("rest", 20, 60, "min")]
    rows = pd.DataFrame([{"fat": fat, "rest": rest} for fat in fats for rest in (20, 60)])
    one = Round.create(
        tmp_path / "one",
        plan=lay_out(factors, rows, family="test", model="main", seed=3),
        measures=LIKING,
        formula=Formula("flat bread", {"rice flour": 100, "water": 90, "sunflower oil": 12}),
        tasters=[Taster("Ida", "milk"), Taster("Bo")],
    )
    trials.write_sheets(one)
    served = pd.read_csv(one.folder / "serving.csv", dtype=str)
    bake = served.loc[served["taster"] == "Ida", "bake"].iloc[0]
    sheet = pd.read_csv(one.folder / "bakes.csv", dtype=str, keep_default_na=False)
    sheet.loc[sheet["bake"] == bake, "actual fat"] = "butter"
    sheet.to_csv(one.folder / "bakes.csv", index=False)
    with pytest.raises(TrialsError, match=f"{bake}: Ida avoids milk"):
        trials.write_sheets(one)
    (one.folder / "serving.csv").unlink()  # as the message says
    again = drawn_serving(one)
    assert bake not in set(again.loc[again["taster"] == "Ida", "bake"])
    assert bake in set(again["bake"])


def test_names_that_would_share_a_ballot_are_refused(tmp_path):
    for names in (("Ada B", "Ada-B"), ("Ada B", "ada  b"), ("🙂", "🎂")):
        with pytest.raises(TastingError, match="too alike"):
            one_round(tmp_path / "one", [Taster(name) for name in names])
