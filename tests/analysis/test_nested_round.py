"""A round whose settings exist only for some methods, from plan to page."""

import re

import pytest

import trials
from trials.core.factors import Categorical, Numeric
from trials.deciding.rehearsal import Spreads, rehearse
from trials.design.side_by_side import variants
from trials.rounds.round import Round
from trials.rounds.scores import record_scores

METHOD = Categorical("method", ["baked", "fried", "steamed"])
HEAT = Numeric("fry heat", 165, 180, "°C", only_when=("method", ["fried"]))
RACK = Categorical("rack", ["top", "bottom"], only_when=("method", ["baked", "steamed"]))
LIKING = trials.Measure("liking", "hedonic 9", goal="higher")
QUIET = Spreads(tasting=0.5, taster_by_bake=0.1, taster=0.3, bake=0.1, load=0, day=0)


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    folder = tmp_path_factory.mktemp("nested") / "round"
    plan = variants(METHOD, within=[HEAT, RACK], repeats=3, seed=1)
    tasters = [trials.Taster("Ada"), trials.Taster("Ben"), trials.Taster("Cleo")]
    made = Round.create(folder, plan=plan, measures=[LIKING], tasters=tasters, seed=1)
    trials.write_sheets(made)
    scores = rehearse(
        plan, {"fry heat": 2.0}, tasters=["Ada", "Ben", "Cleo"], spreads=QUIET, seed=1
    )
    record_scores(made, scores)
    return Round.open(folder)


def test_sheets_ask_for_no_setting_where_none_is(finished):
    fried = (finished.plan.table["method"] == "fried").sum()
    text = next(finished.folder.rglob("bake-sheets.html")).read_text(encoding="utf-8")
    sheets = re.split(r"<(?:section|article)", text)
    asked = [one for one in sheets if '<th scope="row">fry heat' in one or ">fry heat<" in one]
    assert len(asked) <= fried + 1, "the list of the round may name it as well"
    for name in ("bake-sheets.html", "cook-page.html"):
        text = next(finished.folder.rglob(name)).read_text(encoding="utf-8")
        assert not re.search(r"\bnan\b", text)
    page = finished.plan._repr_html_()
    assert "NaN" not in page
    assert ">–</td>" in page


def test_nothing_is_held_to_be_missing(finished):
    assert not trials.check(finished)
    assert len(trials.scores(finished)) == 18 * 3


def test_the_setting_is_judged_where_it_exists(finished):
    found = trials.fit(finished, "liking")
    effects = found.effects.set_index("term")
    assert effects.loc["fry heat", "estimate"] == pytest.approx(2.0, abs=0.6)
    assert effects.loc["fry heat", "low"] > 0
    best = trials.recommend(found, LIKING)
    assert best.settings["method"] == "fried"
    assert best.settings["fry heat"] == 180
    assert best.settings["rack"] == ""


def test_the_page_tells_it_whole(finished, tmp_path):
    path = tmp_path / "page.html"
    trials.report(finished, path)
    text = path.read_text(encoding="utf-8").replace("\u00a0", " ")
    assert "Fry heat, 180 °C over 165 °C" in text
    assert not re.search(r">[^<]*\bnan\b[^<]*<", text)
