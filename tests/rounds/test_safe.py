"""Nobody is served what they avoid. Allergens by the table's own column (USDA names, Annex II)."""

import json
import re
import tempfile
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import trials
from trials.base.errors import TastingError, TrialsError
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure
from trials.deciding.story import final_card
from trials.design.layout import lay_out
from trials.doors.cli import run
from trials.recipe.avoided import avoidable_in
from trials.recipe.formula import Formula
from trials.recipe.ingredients import Ingredients, shipped
from trials.rounds.forms import read_serving
from trials.rounds.kitchen import Step
from trials.rounds.overlooked import overlooked
from trials.rounds.round import Round
from trials.rounds.safe import kept_from, not_for, notices
from trials.rounds.serving import drawn_serving
from trials.tasting.panel import Taster

LIKING = [Measure("liking", "hedonic 9")]
FATS = ("butter", "lard", "sunflower oil", "coconut oil", "clarified butter", "peanut oil")
FLOURS = ("bread flour", "rice flour", "buckwheat flour", "medium rye flour", "oats")
EXTRAS = ("egg", "honey", "tahini", "walnuts", "miso", "rum", "milk", "soy flour", "ground almonds")
ALLERGENS = sorted({one for row in shipped().rows for one in row.allergens})


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


FLAT = Formula("griddle bread", {"rice flour": 100, "water": 70, "salt": 2})
DRY, BRUSHED = "dry griddle", "dry griddle, brushed with melted butter"


def by_hand(place, tasters, kinds=(DRY, BRUSHED), name="cooking", steps=(), formula=FLAT):
    """A round in which something that no formula holds is done by hand."""
    factors = [Categorical(name, kinds), Numeric("rest", 20, 60, "min")]
    rows = pd.DataFrame([{name: kind, "rest": rest} for kind in kinds for rest in (20, 60)])
    return Round.create(
        place,
        plan=lay_out(factors, rows, family="test", model="main", seed=3),
        measures=LIKING,
        formula=formula,
        tasters=tasters,
        steps=steps,
    )


def notices_of(round_) -> dict[str, str]:
    """The text of every page that tells somebody what a bake may hold, by the bake it is of."""
    trials.write_sheets(round_)
    cook = json.loads(
        re.search(r"<script type=\"application/json\"[^>]*>(.*?)</script>", page(round_), re.S)[1]
    )
    sheets = (round_.folder / "bake-sheets.html").read_text("utf-8").split('class="bake">')[1:]
    key = (round_.folder / "code-sheet.html").read_text("utf-8").split('<th scope="row"><b>')[1:]
    found = {f"bake sheet {text[:3]}": _notice(text) for text in sheets}
    found |= {
        f"cook page {one['bake']}": dict(one["cautions"])["allergens"] for one in cook["bakes"]
    }
    found |= {f"code sheet {text[:3]}": text.split("</tr>")[0] for text in key}
    # The sentence alone: what a ballot asks everybody of alcohol is no notice of it
    for path in round_.folder.glob("ballots/**/*.html"):
        text = path.read_text("utf-8").partition("Any piece may contain")[2]
        found[str(path.relative_to(round_.folder))] = text.partition(".")[0]
    shopping = round_.folder / "shopping-list.html"
    found[shopping.name] = _notice(shopping.read_text("utf-8"))
    return found


def page(round_) -> str:
    return (round_.folder / "cook-page.html").read_text("utf-8")


def _notice(text: str) -> str:
    return text.split("<b>allergens:</b>")[1].split("</p>")[0]


@pytest.mark.parametrize(
    ("kind", "name", "avoided", "named"),
    [
        (BRUSHED, "cooking", "milk", "milk"),
        ("sesame and honey", "topping", "sesame", "sesame"),
        ("rum", "soak", "pregnant", "alcohol"),
        ("jackfruit glaze", "finish", "", "jackfruit"),  # what no table knows
        ("egg wash", "glaze", "vegan", "egg"),
    ],
)
def test_whatever_keeps_a_bake_from_a_taster_is_in_every_notice_of_it(
    tmp_path, kind, name, avoided, named
):
    ida = Taster("Ida", avoided) if avoided else Taster("Ida", also_avoids=named)
    one = by_hand(tmp_path / "one", [ida, Taster("Bo")], ("none", kind), name)
    found = notices_of(one)
    kept = kept_from(one)["Ida"]
    assert kept == set(one.plan.table.loc[one.plan.table[name] == kind, "bake"])
    silent = [
        where
        for where, text in found.items()
        if named not in text and not set(where.split()) & (set(one.plan.table["bake"]) - kept)
    ]
    assert silent == []


def test_a_notice_of_what_is_done_by_hand_needs_nobody_who_avoids_it(tmp_path):
    steps = (Step("mix", 10), Step("brush with beaten egg", 2, only_when=("cooking", [BRUSHED])))
    one = by_hand(tmp_path / "one", [Taster("Bo")], steps=steps)
    found = notices_of(one)
    for row in one.plan.table.to_dict("records"):
        both = row["cooking"] == BRUSHED
        for where in ("bake sheet", "cook page", "code sheet"):
            text = found[f"{where} {row['bake']}"]
            assert ("milk" in text, "egg" in text) == (both, both), where
    ballot = next(text for where, text in found.items() if where.startswith("ballots"))
    assert "egg and milk" in ballot or "egg, milk" in ballot


def test_the_card_of_a_setting_names_what_is_done_by_hand(tmp_path):
    one = by_hand(tmp_path / "one", [Taster("Bo")])
    told = final_card(one, {"cooking": BRUSHED, "rest": 20})
    assert "milk" in told.card.allergens
    assert any("May hold milk" in text for text in told.cautions)
    assert "milk" not in final_card(one, {"cooking": DRY, "rest": 20}).card.allergens
    shown = trials.card(FLAT, FLAT.grams(flour=300), settings={"cooking": (BRUSHED, "")})
    assert "milk" in shown.allergens
    assert "May hold milk" in repr(shown)


def test_a_bake_that_was_brushed_though_not_planned_is_named_so(tmp_path):
    one = by_hand(tmp_path / "one", [Taster("Bo")])
    trials.write_sheets(one)
    dry = one.plan.table.loc[one.plan.table["cooking"] == DRY, "bake"].iloc[0]
    sheet = pd.read_csv(one.folder / "bakes.csv", dtype=str, keep_default_na=False)
    sheet.loc[sheet["bake"] == dry, "actual cooking"] = BRUSHED
    sheet.to_csv(one.folder / "bakes.csv", index=False)
    found = notices_of(one)
    assert "milk" in found[f"bake sheet {dry}"]
    assert "milk" in found[f"code sheet {dry}"]


def test_an_amount_by_hand_is_kept_from_who_avoids_it(tmp_path):
    factors = [
        Numeric("butter brushed on", 0, 10, "g", by_hand=True),
        Numeric("rest", 20, 60, "min"),
    ]
    rows = pd.DataFrame(
        [{"butter brushed on": grams, "rest": rest} for grams in (0, 10) for rest in (20, 60)]
    )
    one = Round.create(
        tmp_path / "one",
        plan=lay_out(factors, rows, family="test", model="main", seed=3),
        measures=LIKING,
        formula=FLAT,
        tasters=[Taster("Ida", "milk"), Taster("Bo")],
    )
    held = set(one.plan.table.loc[one.plan.table["butter brushed on"] > 0, "bake"])
    assert kept_from(one)["Ida"] == held
    assert all(("milk" in named) == (bake in held) for bake, named in notices(one).items())


@pytest.mark.parametrize("unit", ["pieces", "spoons", "", "g", "%"])
def test_a_count_by_hand_is_kept_from_who_avoids_it_too(tmp_path, unit):
    factors = [
        Numeric("walnuts on top", 0, 4, unit, by_hand=True),
        Numeric("butter oven", 20, 60, "°C"),
    ]
    rows = pd.DataFrame(
        [{"walnuts on top": on, "butter oven": heat} for on in (0, 4) for heat in (20, 60)]
    )
    one = Round.create(
        tmp_path / "one",
        plan=lay_out(factors, rows, family="test", model="main", seed=3),
        measures=LIKING,
        formula=FLAT,
        tasters=[Taster("Ida", "tree nuts"), Taster("Cleo", "milk"), Taster("Bo")],
    )
    kept = kept_from(one)
    assert kept["Ida"] == set(one.plan.table.loc[one.plan.table["walnuts on top"] > 0, "bake"])
    assert not kept.get("Cleo")  # a heat brings nothing in, whatever it is called


@pytest.mark.parametrize("row", ["Müsli topping", "choc-chip topping", "chip topping"])
def test_a_row_of_ones_own_is_known_however_it_is_written(row):
    own = Ingredients((*shipped().rows, replace(shipped().find("butter"), name=row)))
    assert avoidable_in([f"{row} by hand"], own) == ["milk"]


def test_a_portion_is_no_port():
    assert avoidable_in(["divide into portions"], shipped()) == []
    assert avoidable_in(["port wine glaze"], shipped()) == ["alcohol", "sulphites"]


def test_a_bake_made_with_what_has_another_name_is_kept_from_who_avoids_it(tmp_path):
    fats = ("rice flour", "besan")
    factors = [Categorical("flour", fats, changes=("swap", fats[0]))]
    plan = lay_out(
        [*factors, Numeric("rest", 20, 60, "min")],
        pd.DataFrame([{"flour": one, "rest": rest} for one in fats for rest in (20, 60)]),
        family="test",
        model="main",
        seed=3,
    )
    ida = Taster("Ida", "chickpea")
    one = Round.create(
        tmp_path / "one", plan=plan, measures=LIKING, formula=FLAT, tasters=[ida, Taster("Bo")]
    )
    planned = set(plan.table.loc[plan.table["flour"] == "besan", "bake"])
    assert kept_from(one)["Ida"] == planned
    trials.write_sheets(one)
    bake = next(one for one in plan.table["bake"] if one not in planned)
    sheet = pd.read_csv(one.folder / "bakes.csv", dtype=str, keep_default_na=False)
    sheet.loc[sheet["bake"] == bake, "actual flour"] = "besan"
    sheet.to_csv(one.folder / "bakes.csv", index=False)
    assert kept_from(one)["Ida"] == planned | {bake}


def test_who_can_taste_nothing_is_told_what_it_is_and_where(tmp_path):
    nutty = Formula("nut bun", {"bread flour": 100, "water": 60, "ground almonds": 10})
    me = Taster("Me", "tree nuts", cooks=True)
    alone = by_hand(tmp_path / "one", [me], formula=nutty)
    with pytest.raises(TastingError) as told:
        trials.write_sheets(alone)
    assert "ground almonds, in the formula" in str(told.value)
    assert "Leave Me out" not in str(told.value)
    assert "somebody else" in str(told.value)
    two = by_hand(tmp_path / "two", [me, Taster("Bo")], formula=nutty)
    with pytest.raises(TastingError, match=r"ground almonds, in the formula.*Leave Me out"):
        trials.write_sheets(two)
    assert any("ground almonds, in the formula" in one for one in overlooked(two))


def test_pure_buckwheat_is_served_to_who_avoids_wheat_and_a_mixture_is_not(tmp_path):
    """Buckwheat is Fagopyrum, no grass; where traces count it is kept back all the same."""
    flour = Numeric("wheat", 0, 20, "%", changes=("flour share", "bread flour"))
    rest = Numeric("rest", 20, 60, "min")
    rows = pd.DataFrame([{"wheat": share, "rest": time} for share in (0, 20) for time in (20, 60)])
    one = Round.create(
        tmp_path / "one",
        plan=lay_out([flour, rest], rows, family="test", model="main", seed=3),
        measures=LIKING,
        formula=Formula("crepe", {"buckwheat flour": 100, "water": 150, "salt": 1}),
        tasters=[Taster("Ida", "wheat"), Taster("Cy", "gluten"), Taster("Bo")],
    )
    mixed = set(one.plan.table.set_index("bake").query("wheat > 0").index)
    assert kept_from(one) == {
        "Ida": frozenset(mixed),
        "Cy": frozenset(one.plan.table["bake"]),
        "Bo": frozenset(),
    }
    told = " ".join(overlooked(one))
    assert f"Ida is never served {', '.join(sorted(mixed))} (bread flour: wheat)." in told


def test_why_a_bake_is_kept_back_is_told_thing_by_thing(tmp_path):
    one = by_hand(tmp_path / "one", [Taster("Ida", ["milk", "sesame"]), Taster("Bo")])
    brushed = sorted(one.plan.table.set_index("bake").query("cooking == @BRUSHED").index)
    (told,) = (said for said in overlooked(one) if "never served" in said)
    why = f'"{BRUSHED}", a kind of cooking: milk'
    assert told.endswith(f"Ida is never served {', '.join(brushed)} ({why}).")
    trials.write_sheets(one)
    notes = (one.folder / "serving-notes.txt").read_text("utf-8")
    assert f"Ida is never served {', '.join(brushed)} ({why})." in notes


def test_what_nobody_may_add_stands_on_every_sheet_of_who_is_served(tmp_path):
    """Nothing of the round holds sesame, so no notice names it; a cook could add it on the day."""
    tasters = [Taster("Ida", ["sesame", "milk"]), Taster("Bo", "sesame", also_avoids="jackfruit")]
    one = by_hand(tmp_path / "one", tasters)
    trials.write_sheets(one)
    brushed = set(one.plan.table.set_index("bake").query("cooking == @BRUSHED").index)
    page = (one.folder / "bake-sheets.html").read_text("utf-8")
    for sheet in page.split('<section class="sheet">')[1:]:
        bake = re.search(r'class="bake">(B\d\d)<', sheet)[1]
        never = re.search(r"Nobody adds: ([^.]*)\.", sheet)[1]
        if bake in brushed:  # Ida is not served it
            assert never == "sesame (Bo) and jackfruit (Bo)"
        else:
            assert never == "sesame (Ida and Bo), milk (Ida) and jackfruit (Bo)"
    phone = (one.folder / "cook-page.html").read_text("utf-8")
    assert "Nobody adds: sesame (Ida and Bo)" in phone
    # What tasters read says nothing of one another
    for ballot in (one.folder / "ballots").rglob("*.html"):
        assert "Nobody adds" not in ballot.read_text("utf-8")
    free = by_hand(tmp_path / "two", [Taster("Ida"), Taster("Bo")])
    trials.write_sheets(free)
    assert "Nobody adds" not in (free.folder / "bake-sheets.html").read_text("utf-8")


def test_tasters_are_told_of_a_label_in_words(tmp_path):
    dough = Formula("roll", {"bread flour": 100, "water": 60, "margarine": 10})
    factors = [Categorical("fat", ["margarine", "lard"], changes=("swap", "margarine"))]
    rows = pd.DataFrame({"fat": ["margarine", "lard"]})
    plan = lay_out(factors, rows, family="test", model="main", seed=1)
    one = Round.create(
        tmp_path / "one", plan=plan, measures=LIKING, formula=dough, tasters=[Taster("Bo")]
    )
    found = notices_of(one)
    assert not any("check label" in text for text in found.values())
    ballots = [text for where, text in found.items() if where.startswith("ballots")]
    assert ballots
    assert all("what the label of margarine names" in text for text in ballots)
    for row in one.plan.table.to_dict("records"):
        told = found[f"code sheet {row['bake']}"]
        assert ("the label of margarine" in told) == (row["fat"] == "margarine")


def test_who_can_not_taste_the_setting_to_go_for_is_said_beside_it(tmp_path, capsys):
    """Butter is liked, and Bo may have no milk: fit and page name both, and lard names nobody."""
    factors = [Categorical("fat", ["butter", "lard"], changes=("swap", "butter")),
               Numeric("rest", 20, 60, "min")]  # fmt: skip
    bakes = pd.DataFrame({"fat": ["butter", "lard"] * 4, "rest": [20.0, 20, 60, 60] * 2})
    formula = Formula("roll", {"bread flour": 100, "water": 60, "butter": 12, "salt": 2})
    tasters = [Taster("Ada"), Taster("Bo", avoids=["milk"])]
    for liked in ("butter", "lard"):
        plan = lay_out(factors, bakes, family="ends", model="main", seed=1)
        folder = tmp_path / liked
        round_ = Round.create(
            folder, plan=plan, measures=[replace(LIKING[0], goal="higher")],
            tasters=tasters, formula=formula,
        )  # fmt: skip
        trials.write_sheets(round_)
        fat = plan.table.set_index("bake")["fat"]
        key = read_serving(round_).set_index("code")["bake"]
        table = pd.read_csv(folder / "tastings.csv", dtype=str, keep_default_na=False)
        best = table["code"].map(key).map(fat) == liked
        table["liking"] = [str(8 - at % 2 if one else 4 - at % 2) for at, one in enumerate(best)]
        table.to_csv(folder / "tastings.csv", index=False)
        capsys.readouterr()
        assert run(["fit", str(folder)]) == 0
        told = [" ".join(capsys.readouterr().out.split()), trials.report(round_).read_text("utf-8")]
        for one in told:
            assert f"fat {liked}" in one
            assert ("Bo can not taste it (butter: milk)." in one) == (liked == "butter")
            assert "Ada can not" not in one
        assert run(["next", str(folder), "--bakes", "4"]) == 0
        said = " ".join(capsys.readouterr().out.split())
        after = Round.open(folder.with_name(f"{liked}-2"))
        for row in after.plan.rows.to_dict("records"):  # what is baked next is told, bake by bake
            role = " (the reference)" if row["role"] == "reference" else ""
            assert f"{row['bake']}: fat {row['fat']}, rest {row['rest']:g} min{role} " in f"{said} "
        if liked == "butter":  # and so is the reference beside it
            assert "Bo can taste none of the bakes (butter, in the formula)" in said
        else:
            kept = sorted(kept_from(after)["Bo"])
            assert f"Bo is never served {', '.join(kept)} (butter: milk)." in said


def test_a_setting_that_no_formula_has_keeps_nobody_from_an_answer(tmp_path, capsys):
    """Much milk and little water were each baked; together there is no water left to take."""
    factors = [Numeric("hydration", 60, 80, "%", changes=("total", "hydration")),
               Numeric("milk", 40, 75, "%", changes=("percent", "milk"))]  # fmt: skip
    bakes = pd.DataFrame({"hydration": [60.0, 80, 80, 70] * 2, "milk": [40.0, 40, 75, 40] * 2})
    plan = lay_out(factors, bakes, family="ends", model="main", seed=1)
    formula = Formula("bun", {"bread flour": 100, "water": 30, "milk": 40, "salt": 2})
    round_ = Round.create(
        tmp_path / "r", plan=plan, measures=LIKING, tasters=[Taster("Bo", ["nuts"])],
        formula=formula,
    )  # fmt: skip
    assert not_for(round_, {"hydration": 60.0, "milk": 75.0}) == ""
    held = not_for(
        replace(round_, tasters=(Taster("Bo", ["milk"]),)), {"hydration": 80.0, "milk": 40}
    )
    assert held == "Bo can not taste it (milk)."
