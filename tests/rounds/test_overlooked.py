"""What a plan points out before anything is weighed."""

import re

import pandas as pd
import pytest

from trials import (
    Batch,
    Categorical,
    Formula,
    Heat,
    Kitchen,
    Measure,
    Numeric,
    Round,
    Step,
    Taster,
    timetable,
)
from trials.base.errors import FormulaError, TastingError
from trials.base.words import in_words
from trials.design.layout import lay_out
from trials.doors.start import planned_round
from trials.recipe.ingredients import shipped
from trials.rounds.overlooked import held_by_nothing, lost, overlooked, water_moved
from trials.rounds.questions import SHORT
from trials.show.bake_sheets import bake_sheets
from trials.show.sheets import write_sheets

CAKE = Formula(
    "cake",
    {
        "dough": {"bread flour": 100, "water": 60, "baking powder": 4, "salted butter": 20},
        "soak": {"sugar": 60, "water": 40},
    },
)


def planned(folder, factor, formula=CAKE, **more):
    ends = [factor.levels[0], factor.levels[-1]]
    plan = lay_out([factor], pd.DataFrame({factor.name: ends}), family="ends", model="main", seed=1)
    return Round.create(
        folder,
        plan=plan,
        measures=[Measure("liking", "hedonic 9")],
        formula=formula,
        **({"batch": Batch(dough=2000)} | more),
    )


@pytest.mark.parametrize(
    "factor",
    [
        Categorical("leavening", ["with", "without"]),
        Numeric("syrup", 60, 70, "%"),
        Numeric("sugar in the soak", 40, 60, "g"),
        Categorical("frying fat", ["lard", "sunflower oil"]),
        Categorical("spread", ["butter", "lard"]),
    ],
)
def test_what_nothing_follows_is_pointed_out(tmp_path, factor):
    told = overlooked(planned(tmp_path / "one", factor))
    assert len(told) == 1
    assert f'"{factor.name}"' in told[0]
    assert "by_hand = true" in told[0]


@pytest.mark.parametrize(
    "factor",
    [
        Numeric("rest", 20, 60, "min"),
        Numeric("oven", 165, 190, "°C"),
        Numeric("butter temperature", 5, 20, "°C"),
        Numeric("folds", 2, 6),
        Numeric("thickness of the dough", 3, 6, "mm"),
        Categorical("oven", ["fan", "still"]),
        Categorical("shape", ["ring", "ball"]),
        Categorical("leavening", ["with", "without"], by_hand=True),
        Numeric("syrup", 60, 70, "%", by_hand=True),
        Numeric("water", 55, 65, "%", changes=("total", "hydration")),
    ],
)
def test_no_wolf_is_cried(tmp_path, factor):
    assert overlooked(planned(tmp_path / "one", factor)) == []


def test_a_step_that_follows_is_enough(tmp_path):
    soak = Categorical("soak", ["short", "long"])
    steps = [Step("bake", 20), Step("soak again", 5, only_when=("soak", ["long"]))]
    assert overlooked(planned(tmp_path / "one", soak, steps=steps)) == []


def test_the_lift_and_the_salt_that_go_are_said(tmp_path):
    out = Categorical("leavening", ["with", "without"], changes=("grams", "baking powder"))
    (told,) = overlooked(planned(tmp_path / "one", out))
    assert "lifts" in told
    assert "salt" in told
    fat = Categorical("fat", ["salted butter", "lard"], changes=("swap", "salted butter"))
    told, weighed = overlooked(planned(tmp_path / "two", fat))
    assert "more water is weighed" in weighed
    without, held = sorted(float(one) for one in re.findall(r"(\d\.\d\d) %", told))
    # 20 % of the flour, and as much salt as the table (USDA sodium x 2.542) has of salted butter
    # A pinch of salt that a potato holds nobody tastes
    potato = Numeric("potatoes", 0, 20, "%", changes=("percent", "potatoes"))
    assert not list(lost(CAKE, potato))
    assert held - without == pytest.approx(0.2 * shipped().find("salted butter").salt, abs=0.011)


def test_water_that_a_swap_brings_and_nothing_can_make_up_for_is_said_and_not_refused(tmp_path):
    """A cake without plain water: butter for oil makes it wetter, by the table's 17.94 % water."""
    cake = Formula("loaf", {"bread flour": 100, "sunflower oil": 40, "egg": 60, "yogurt": 50})
    factors = [
        Numeric("oil", 30, 40, "%", changes=("percent", "sunflower oil")),
        Categorical("fat", ["sunflower oil", "butter"], changes=("swap", "sunflower oil")),
    ]
    fats = ["sunflower oil", "sunflower oil", "butter", "butter"]
    bakes = pd.DataFrame({"oil": [30.0, 40, 30, 40], "fat": fats})
    plan = lay_out(factors, bakes, family="ends", model="main", seed=1)
    one = Round.create(
        tmp_path / "one", plan=plan, measures=[Measure("liking", "hedonic 9")], formula=cake
    )
    (told,) = [one for one in overlooked(one) if "brings" in one]
    low, high = map(float, re.search(r"([\d.]+) to ([\d.]+) % of the flour wetter", told).groups())
    of_oil = 0.1794 / 0.8111  # grams of water with as much fat as 1 g of oil has
    assert (low, high) == pytest.approx((30 * of_oil, 40 * of_oil), rel=0.01)
    assert "none is in the recipe to leave out" in told
    assert "is weighed" not in told


def test_more_dough_than_is_eaten_is_said_before_it_is_bought(tmp_path):
    fat = Categorical("fat", ["butter", "lard"], changes=("swap", "butter"))
    roll = Formula("roll", {"bread flour": 100, "water": 60, "butter": 12, "salt": 2})
    for grams, said in ((600, True), (120, False)):
        one = planned(
            tmp_path / f"{grams}", fat, roll, batch=Batch(dough=grams), tasters=[Taster("Ada")]
        )
        assert (
            any("than 1 taster eats: a line [batch] at the end" in told for told in overlooked(one))
            == said
        )


def test_who_avoids_what_nothing_holds_is_told_so_before_anything_is_weighed(tmp_path):
    fat = Categorical("fat", ["butter", "lard"], changes=("swap", "butter"))
    roll = Formula("roll", {"bread flour": 100, "water": 60, "butter": 12, "salt": 2})
    who = [Taster("Ada"), Taster("Bo", ["nuts", "sesame"]), Taster("Cy", ["milk"])]
    one = planned(tmp_path / "one", fat, roll, tasters=who)
    said = "Bo avoids nuts or sesame, which no bake is known to hold: the labels say."
    assert held_by_nothing(one) == [said]
    told = overlooked(one)
    (cy,) = [one for one in told if one.startswith("Cy avoids")]
    assert "never served B0" in cy
    assert not any(one.startswith("Ada") for one in told)


@pytest.mark.parametrize(
    ("kinds", "seen"),
    [
        (["oven", "dry griddle"], True),
        (["baked", "fried in oil"], True),
        (["deep-fry", "shallow-fry", "oven"], True),
        (["butter", "lard"], False),
        (["dark tin", "light tin"], False),
        (["fan", "still"], False),
    ],
)
def test_how_a_piece_was_cooked_is_seen_and_said_so(tmp_path, kinds, seen):
    way = Categorical("way", kinds, by_hand=True)
    one = planned(tmp_path / "one", way, tasters=[Taster("Ada")])
    assert not any("Tasters see" in said for said in overlooked(planned(tmp_path / "two", way)))
    told = [said for said in overlooked(one) if said.startswith("Tasters see how")]
    assert bool(told) == seen
    if seen:
        assert f"({in_words(kinds, 'or')}): what they say of way is not blind" in told[0]


def test_water_is_left_out_as_far_as_there_is_any(tmp_path):
    little = Formula("loaf", {"bread flour": 100, "sunflower oil": 40, "egg": 60, "water": 3})
    fat = Categorical("fat", ["sunflower oil", "butter"], changes=("swap", "sunflower oil"))
    one = planned(tmp_path / "one", fat, little)
    (told,) = [one for one in overlooked(one) if "brings" in one]
    assert "3 % of the flour less water is weighed, of which too little is in the recipe" in told
    wetter = float(re.search(r"([\d.]+) % of the flour wetter", told)[1])
    assert wetter == pytest.approx(40 * 0.1794 / 0.8111 - 3, rel=0.01)


def test_what_is_swapped_gram_for_gram_is_not_said_to_want_water_left_out(tmp_path):
    """Strawberries for raisins, weight for weight: there is water in the roll, and it stays."""
    roll = Formula("roll", {"bread flour": 100, "water": 60, "raisins": 20, "salt": 2})
    fruit = Categorical("fruit", ["raisins", "strawberries"], changes=("swap", "raisins"))
    (told,) = [one for one in overlooked(planned(tmp_path / "one", fruit, roll)) if "brings" in one]
    assert "gram for gram: with strawberries a bake is" in told
    assert "leave out" not in told


POTATO = Formula("roll", {"bread flour": 100, "potatoes": 80, "water": 40, "salt": 2})


def test_the_water_that_goes_with_an_ingredient_is_said_with_the_driest_bake(tmp_path):
    potato = Numeric("potatoes", 0, 80, "%", changes=("percent", "potatoes"))
    one = planned(tmp_path / "one", potato, POTATO)
    (told,) = overlooked(one)
    dry, wet = one.plan.table.sort_values("potatoes")["bake"]
    # 40 of water, and 80 of potato that hold it: column water_g of the table (USDA)
    held = 40 + 0.8 * shipped().find("potatoes").water
    assert f"Without potatoes its water goes too: 40 % water instead of {held:.0f} %." in told
    assert f"driest would be {dry} (40 %" in told
    assert f"wettest {wet} ({held:.0f} %)" in told
    assert 'cross "water" too' in told


def test_water_that_is_made_up_for_or_hardly_changes_is_not_said(tmp_path):
    potato = Numeric("potatoes", 0, 80, "%", changes=("percent", "potatoes"))
    wet = Numeric("hydration", 105, 110, "%", changes=("total", "hydration"))
    plan = lay_out(
        [potato, wet],
        pd.DataFrame({"potatoes": [0, 80], "hydration": [105, 110]}),
        family="ends",
        model="main",
        seed=1,
    )
    liking = [Measure("liking", "hedonic 9")]
    kept = Round.create(tmp_path / "kept", plan=plan, measures=liking, formula=POTATO)
    assert overlooked(kept) == []
    little = Numeric("potatoes", 76, 80, "%", changes=("percent", "potatoes"))
    assert overlooked(planned(tmp_path / "little", little, POTATO)) == []


def test_a_swap_that_weighs_more_water_says_so(tmp_path):
    bread = Formula("bread", {"bread flour": 100, "water": 60, "treacle": 40, "salt": 2})
    sweet = Categorical("sweetener", ["treacle", "sugar"], changes=("swap", "treacle"))
    one = planned(tmp_path / "one", sweet, bread)
    (told,) = (line for line in overlooked(one) if "weighed" in line)
    rows = one.plan.table.set_index("bake")["sweetener"]
    parts = {kind: one.formulas[bake].parts["water"] for bake, kind in rows.items()}
    assert f"{parts['sugar'] - parts['treacle']:.2g} % of the flour more water" in told
    assert told.startswith("Sugar brings less water than the treacle")


@pytest.mark.parametrize(
    ("leaven", "steps", "said"),
    [
        ("dry yeast", [Step("knead", 10), Step("bake", 30)], True),
        ("dry yeast", [Step("knead", 10), Step("first rise", 60), Step("bake", 30)], False),
        ("dry yeast", [Step("prove", 60)], False),
        ("baking powder", [Step("bake", 30)], False),
    ],
)
def test_a_yeasted_dough_that_never_rises_is_pointed_out(tmp_path, leaven, steps, said):
    loaf = Formula("loaf", {"bread flour": 100, "water": 65, leaven: 1, "salt": 2})
    wet = Numeric("hydration", 62, 66, "%", changes=("total", "hydration"))
    told = overlooked(planned(tmp_path / "one", wet, loaf, steps=steps))
    assert any("Nothing says when the dough rises" in one for one in told) == said


def test_a_rest_longer_than_the_day_is_begun_the_evening_before(tmp_path):
    rest = Categorical("rest", ["none", "overnight"])
    one = planned(tmp_path / "one", rest)
    (bake,) = one.plan.table.set_index("bake").query("rest == 'overnight'").index
    (told,) = (line for line in overlooked(one) if "the evening before" in line)
    assert told == f"Mix these the evening before (rest: overnight): {bake} before day 1."


def test_what_can_not_be_mixed_is_refused_at_the_plan_in_a_cooks_figures(tmp_path):
    wet = Numeric("hydration", 30, 60, "%", changes=("total", "hydration"))
    with pytest.raises(FormulaError) as refused:
        planned(tmp_path / "one", wet, Formula("wet", {"bread flour": 100, "milk": 70}))
    said = str(refused.value)
    assert "hydration 30 %" in said
    assert "61.7 %" in said  # 70 of milk, 88.13 g of water in 100 g (USDA)
    assert not (tmp_path / "one").exists()


def test_the_sheet_says_where_the_water_of_a_folded_in_fat_went(tmp_path):
    laminated = Formula(
        "fold", {"dough": {"bread flour": 100, "water": 55}, "roll-in": {"butter": 50}}
    )
    fat = Categorical("fat", ["butter", "lard"], changes=("swap", "butter", "roll-in"))
    one = planned(tmp_path / "one", fat, laminated)
    # 50 of butter hold 8.97 of water (USDA: 17.94 g in 100 g); lard holds none
    (told,) = water_moved(laminated, one.plan.factors, {"fat": "lard"})
    assert told.startswith("dough: 9 % of the flour more water")
    assert water_moved(laminated, one.plan.factors, {"fat": "butter"}) == []
    sheets = bake_sheets(one).split('<section class="sheet">')[1:]
    lard = (one.plan.table["fat"] == "lard").tolist()
    assert [("more water" in sheet) for sheet in sheets] == lard


def test_water_of_a_soak_stays_in_the_soak():
    soaked = Formula(
        "cake",
        {"dough": {"bread flour": 100, "water": 55}, "soak": {"honey": 40, "water": 20}},
    )
    swapped = soaked.swap("honey", "sugar", part="soak")
    assert swapped.mix.parts["dough"] == soaked.mix.parts["dough"]
    assert swapped.totals()["hydration"] == soaked.totals()["hydration"]


def scone(**more):
    return Formula("scone", {"bread flour": 100, "milk": 60, "baking soda": 1} | more)


def test_soda_with_nothing_sour_beside_it_is_pointed_out(tmp_path):
    sugar = Numeric("sugar", 5, 15, "%", changes=("percent", "sugar"))
    (told,) = overlooked(planned(tmp_path / "one", sugar, scone(sugar=10)))
    assert told.startswith("Baking soda lifts where something sour meets it")
    assert "every bake would be without" in told
    assert not overlooked(planned(tmp_path / "two", sugar, scone(sugar=10, molasses=10)))


def test_soda_is_pointed_out_in_those_bakes_that_lose_the_acid(tmp_path):
    swap = Categorical("liquid", ["buttermilk", "water"], changes=("swap", "buttermilk"))
    formula = Formula("scone", {"bread flour": 100, "buttermilk": 60, "baking soda": 1})
    round_ = planned(tmp_path / "one", swap, formula)
    (told,) = (one for one in overlooked(round_) if "sour" in one)
    (bake,) = round_.plan.table.set_index("bake").query("liquid == 'water'").index
    assert f"; {bake} would be without" in told


def test_another_liquid_that_is_not_weighed_is_pointed_out(tmp_path):
    (told,) = overlooked(planned(tmp_path / "one", Categorical("liquid", ["plain", "cultured"])))
    assert told.startswith('Nothing that is weighed follows "liquid"')


def test_who_is_never_served_what_is_told_as_the_serving_plan_tells_it(tmp_path):
    fat = Categorical("fat", ["butter", "lard"], changes=("swap", "butter"))
    formula = Formula("scone", {"bread flour": 100, "water": 60, "butter": 10, "salt": 2})
    tasters = [Taster("Ida"), Taster("Ben", avoids=["milk"])]
    round_ = planned(tmp_path / "one", fat, formula, tasters=tasters)
    (bake,) = round_.plan.table.set_index("bake").query("fat == 'butter'").index
    kept = f"Ben is never served {bake} (butter: milk)."
    count = len(round_.plan.rows)
    (told,) = (one for one in overlooked(round_) if one.endswith(kept))
    assert told.startswith(f"Ben avoids milk and can taste {count - 1} of the {count} bakes, ")
    salted = planned(tmp_path / "two", fat, formula, tasters=[Taster("Cy", avoids=["salt"])])
    with pytest.raises(TastingError) as refused:
        write_sheets(salted)
    assert any(one.endswith(refused.value.message) for one in overlooked(salted))
    write_sheets(round_)
    assert kept in (round_.folder / "serving-notes.txt").read_text("utf-8")


def test_a_leavening_that_another_change_puts_in_lifts_too(tmp_path):
    soda = Numeric("soda", 0, 2, "%", changes=("percent", "baking soda"))
    powder = Numeric("powder", 0, 4, "%", changes=("percent", "baking powder"))
    formula = Formula("bun", {"bread flour": 100, "buttermilk": 60, "baking soda": 2})
    (alone,) = lost(formula, soda)
    assert "nothing but steam" in alone
    (both,) = lost(formula, soda, [soda, powder])
    assert "baking powder alone lifts, where a bake has it" in both


LOAVES = {
    'name = "bake", minutes = 14': 'name = "bake", minutes = 45',
    "minutes = 20 }": "minutes = 60 }",
}


def loaves(folder, more="", pages=SHORT):
    """Write a page of loaves that take long and cool for an hour, and return what `plan` says."""
    text = pages
    for old, new in LOAVES.items():
        assert old in text
        text = text.replace(old, new)
    folder.mkdir(exist_ok=True)
    (folder / "idea.toml").write_text(f"seed = 1\n{text}{more}", "utf-8")
    return overlooked(planned_round(folder))


def test_days_of_several_sittings_are_pointed_out_with_the_lines_that_mend_it(tmp_path):
    told = [one for one in loaves(tmp_path / "one") if "sittings" in one]
    (said,) = told
    assert len(said.split()) <= 45
    days = timetable(Round.open(tmp_path / "one")).ready.groupby("day")["part"].max()
    assert said.startswith(f"Each day needs {days.max()} sittings")
    assert days.nunique() == 1
    header, line = re.findall(r"a line (\[kitchen\]) and below it (safe = \d+)", said)[0]
    assert not any("sittings" in one for one in loaves(tmp_path / "one", f"\n{header}\n{line}\n"))
    less = f"safe = {int(line.split()[-1]) - 10}"
    assert any("sittings" in one for one in loaves(tmp_path / "two", f"\n{header}\n{less}\n"))


@pytest.mark.parametrize(
    ("more", "said"),
    [
        # A page that has [kitchen] has it once
        ('\n[[kitchen.heats]]\nthing = "oven"\n\n[kitchen]\nstart = "8:00"\n',
         "by your food-safety code, write under [kitchen] safe = "),
        # What somebody says of it is no assumption
        ("\n[kitchen]\nsafe = 110\n", "as a bake keeps 110 min (safe, under [kitchen])"),
        ("\n[kitchen]\nfresh = 30\n", "as a bake keeps 30 min (fresh, under [kitchen])"),
    ],
)  # fmt: skip
def test_why_a_day_needs_sittings_is_said_as_the_page_has_it(tmp_path, more, said):
    (told,) = (one for one in loaves(tmp_path / "one", more) if "sittings" in one)
    assert said in told


def test_pieces_that_are_tasted_as_they_are_ready_need_no_sittings(tmp_path):
    fresh = SHORT.replace('taste = "together"', 'taste = "fresh"')
    assert not any("sittings" in one for one in loaves(tmp_path / "one", pages=fresh))


def test_a_day_that_can_not_be_laid_out_is_pointed_out(tmp_path):
    steps = [Step("mix", 10, "hands", wait=0), Step("fry", 8, "pot")]
    kitchen = Kitchen({"hands": 1, "pot": 1}, [Heat("pot")])
    one = planned(
        tmp_path / "one", Categorical("tin", ["dark", "light"]), steps=steps, kitchen=kitchen,
        tasters=[Taster("Ben")],
    )  # fmt: skip
    assert any("one pair of hands" in said for said in overlooked(one))


def test_a_heat_that_no_step_needs_is_pointed_out_with_what_they_need(tmp_path):
    steps = [Step("mix", 10, "hands"), Step("fry", 8, "fried in oil"), Step("bake", 9, "oven")]
    kitchen = Kitchen(
        {"hands": 1, "fried in oil": 1, "oven": 1}, [Heat("hot oil", up=20), Heat("oven")]
    )
    one = planned(
        tmp_path / "one", Categorical("tin", ["dark", "light"]), steps=steps, kitchen=kitchen
    )
    (said,) = (one for one in overlooked(one) if "kitchen.heats" in one)
    assert '"hot oil", which no step needs' in said
    assert 'steps need "fried in oil" and "oven"' in said
