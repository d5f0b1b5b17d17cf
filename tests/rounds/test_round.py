"""A round is its folder: opened again it is the same, and nothing in it is overwritten."""

import tomllib

import pytest

from trials.base.errors import MeasureError, RoundError, SheetError
from trials.base.keeping import received
from trials.core.factors import Categorical, Numeric
from trials.core.measures import Measure
from trials.design.factorial import full_factorial
from trials.recipe.formula import Formula
from trials.rounds.round import Round
from trials.tasting.panel import Taster

FACTORS = [
    Numeric('rest "long"', 0, 60, "min", hard_to_change=True),
    Categorical("graisse %", ["beurre", "saindoux d'oie"]),
]
LIKING = Measure("liking", "hedonic 9", goal="higher", worth_noticing=0.5)


def made(folder, **changes):
    fields = {
        "plan": full_factorial(FACTORS, replicates=2, loads=4, references=1, seed=1),
        "measures": [LIKING, Measure("loss", "number", unit="%", per="bake")],
        "formula": Formula("dough", {"bread flour": 100, "water": 60, "butter": 10}),
        "tasters": [Taster("Ada", ("milk",)), Taster("Bo")],
        "seed": 5,
    }
    return Round.create(folder, **{**fields, **changes})


def test_opened_again_it_is_the_same(tmp_path):
    one = made(tmp_path / "r")
    two = Round.open(tmp_path / "r")
    assert two.plan.table.equals(one.plan.table)
    assert two.plan.factors == one.plan.factors
    assert (two.plan.seed, two.plan.family, two.plan.reasons) == (
        one.plan.seed,
        one.plan.family,
        one.plan.reasons,
    )
    assert two.measures == one.measures
    assert two.tasters == one.tasters
    assert two.formula.totals().equals(one.formula.totals())


def test_made_again_it_is_opened_and_another_is_refused(tmp_path):
    made(tmp_path / "r")
    assert made(tmp_path / "r").seed == 5
    with pytest.raises(RoundError, match="already holds another round"):
        made(tmp_path / "r", seed=6)


def test_seed_and_versions_are_recorded(tmp_path):
    made(tmp_path / "r")
    settings = tomllib.loads((tmp_path / "r" / "round.toml").read_text(encoding="utf-8"))
    assert settings["format"] == 2
    assert settings["seed"] == 5
    assert settings["plan"]["seed"] == 1
    assert settings["written_by"].startswith("trials ")


def test_a_newer_format_is_refused_and_left_alone(tmp_path):
    made(tmp_path / "r")
    path = tmp_path / "r" / "round.toml"
    newer = path.read_text(encoding="utf-8").replace("format = 2", "format = 3")
    path.write_text(newer, encoding="utf-8")
    with pytest.raises(RoundError, match=r"format 3; this program knows formats up to 2"):
        Round.open(tmp_path / "r")
    assert path.read_text(encoding="utf-8") == newer


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("saindoux d'oie", "huile", r"plan\.csv, row \d+, \"graisse %\": .*no level 'huile'"),
        ("B02", "B01", r"\"bake\": \"B01\" stands here a second time"),
        ("bake,", "bakes,", r"no column 'bake'"),
    ],
)
def test_a_spoilt_plan_says_where(tmp_path, old, new, message):
    made(tmp_path / "r")
    path = tmp_path / "r" / "plan.csv"
    path.write_text(path.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    with pytest.raises(SheetError, match=message):
        Round.open(tmp_path / "r")


def test_a_file_that_came_is_kept_as_it_came(tmp_path):
    round_ = made(tmp_path / "r")
    came = tmp_path / "scores.csv"
    came.write_text("code,liking\n123,7\n")
    kept = received(round_.folder, came)
    came.write_text("code,liking\n123,8\n")
    assert received(round_.folder, came) != kept
    assert kept.read_text() == "code,liking\n123,7\n"


def test_names_that_the_sheets_need_are_refused(tmp_path):
    with pytest.raises(MeasureError, match="column"):
        made(tmp_path / "r", measures=[Measure("place", "number")])
    with pytest.raises(MeasureError, match="nothing is scored"):
        made(tmp_path / "s", measures=[])
