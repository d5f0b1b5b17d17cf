"""The forms of a notebook as plain objects: what is typed is read as the sheets are, and kept."""

import pandas as pd
import pytest

import trials
from tests.rounds.ginger_round import MEASURES, make_round
from trials.base.files import read_csv


@pytest.fixture
def round_(tmp_path):
    return make_round(tmp_path / "snaps")


def code_of(round_, taster: str, place: int) -> str:
    table = read_csv(round_.folder / "serving.csv")
    own = table[(table["taster"] == taster) & (table["place"] == str(place))]
    return own["code"].iloc[0]


def typed(form, taster: str, code: str, column: str, text: str, what: str = "cell") -> None:
    form.heard({"what": "page", "value": f"{taster}'s scores"})
    form.heard({"what": what, "key": [taster, code], "column": column, "text": text})


def cell(form, code: str, column: str) -> dict:
    table = form.view["table"]
    at = [one["name"] for one in table["columns"]].index(column)
    return next(row for row in table["rows"] if row["key"][1] == code)["cells"][at]


def test_what_is_entered_is_read_as_a_sheet_is(round_):
    form = trials.forms.enter(round_, "Ida")
    code = code_of(round_, "Ida", 1)
    typed(form, "Ida", code, "liking", "6,5")
    assert "was read as 6.5" in cell(form, code, "liking")["note"]
    scored = trials.scores(round_)
    assert scored.loc[scored["code"] == code, "liking"].tolist() == [6.5]


def test_a_wrong_score_is_refused_and_not_saved(round_):
    form = trials.forms.enter(round_, "Ida")
    code = code_of(round_, "Ida", 1)
    typed(form, "Ida", code, "liking", "11")
    assert "11" in cell(form, code, "liking")["problem"]
    assert "1 to 9" in cell(form, code, "liking")["problem"]
    assert not form.saved
    typed(form, "Ida", code, "liking", "7")
    assert not cell(form, code, "liking")["problem"]
    assert len(trials.check(round_)) == 0


def test_nothing_is_saved_before_it_is_said_who_enters(round_):
    form = trials.forms.enter(round_)
    code = code_of(round_, "Ida", 1)
    typed(form, "Ida", code, "liking", "7")
    assert "who enters" in cell(form, code, "liking")["problem"]
    assert not list(round_.folder.glob("incoming/entered-*"))
    form.heard({"what": "who", "value": "Bo"})
    typed(form, "Ida", code, "liking", "7")
    assert [path.name for path in form.saved] == ["entered-bo-tastings.csv"]


def test_a_failed_bake_has_its_reason_and_no_score(round_):
    form = trials.forms.enter(round_, "Ida")
    form.heard({"what": "page", "value": "the bakes"})
    for column, text in (("status", "failed"), ("reason", "scorched")):
        form.heard({"what": "cell", "key": ["B03"], "column": column, "text": text})
    scored = trials.scores(round_)
    failed = scored[(scored["bake"] == "B03") & scored["taster"].isna()].iloc[0]
    assert (failed["status"], failed["reason"]) == ("failed", "scorched")


def test_what_was_entered_is_there_again(round_):
    code = code_of(round_, "Bo", 2)
    typed(trials.forms.enter(round_, "Bo"), "Bo", code, "liking", "4")
    again = trials.forms.enter(round_, "bo")
    again.heard({"what": "page", "value": "Bo's scores"})
    assert cell(again, code, "liking")["text"] == "4"


def test_two_people_differ_and_one_is_chosen(round_):
    code = code_of(round_, "Ida", 3)
    first, second = trials.forms.enter(round_, "Ida"), trials.forms.enter(round_, "Bo")
    typed(first, "Ida", code, "liking", "7")
    typed(second, "Ida", code, "liking", "6")
    assert cell(second, code, "liking")["conflict"]
    assert [one["text"] for one in cell(second, code, "liking")["others"]] == ["7"]
    with pytest.raises(trials.TrialsError, match="Which is right"):
        trials.scores(round_)
    typed(second, "Ida", code, "liking", "7", what="choose")
    assert not cell(second, code, "liking")["conflict"]
    scored = trials.scores(round_)
    assert scored.loc[scored["code"] == code, "liking"].tolist() == [7.0]
    kept = [path for path in (round_.folder / "received").iterdir() if "entered-bo" in path.name]
    assert any("6" in read_csv(path)["liking"].tolist() for path in kept), "the other is kept"


def test_a_workbook_that_says_otherwise_is_not_changed(round_):
    from tests.rounds.ginger_round import enter as type_into

    code = code_of(round_, "Ida", 1)
    typed_row = read_csv(round_.folder / "tastings.csv")
    row = typed_row.index[typed_row["code"] == code][0]
    type_into(round_.folder / "tastings.csv", row, "liking", "3")
    before = (round_.folder / "tastings.csv").read_bytes()
    form = trials.forms.enter(round_, "Ida")
    typed(form, "Ida", code, "liking", "5")
    assert cell(form, code, "liking")["others"] == [
        {"text": "3", "where": "tastings.csv", "changeable": False}
    ]
    typed(form, "Ida", code, "liking", "5", what="choose")
    assert "change it there" in form.view["status"]
    assert (round_.folder / "tastings.csv").read_bytes() == before


@pytest.fixture(scope="module")
def found():
    table = pd.DataFrame(
        {
            "bake": [f"B{n:02d}" for n in range(1, 9)],
            "rest": [20, 60] * 4,
            "fat": ["butter", "butter", "oil", "oil"] * 2,
            "liking": [5.1, 6.3, 5.0, 6.0, 5.3, 6.1, 4.8, 6.2],
            "spread": [60.0, 64, 61, 66, 59, 65, 62, 67],
        }
    )
    rest = trials.Numeric("rest", 20, 60, "min")
    fat = trials.Categorical("fat", ["butter", "oil"])
    return {
        name: trials.fit(table, name, [rest, fat], model="main") for name in ("liking", "spread")
    }


def test_a_setting_is_told_as_predict_tells_it(found):
    form = trials.forms.explore(found)
    form.heard({"what": "set", "name": "rest", "value": "60"})
    form.heard({"what": "set", "name": "fat", "value": "1"})
    assert form.settings == {"rest": 60.0, "fat": "oil"}
    told = found["spread"].predict({"rest": 60, "fat": "oil"}).iloc[0]
    row = form.expected.set_index("measure").loc["spread"]
    assert row["expect"] == pytest.approx(told["estimate"], abs=1e-12)
    assert row["new_high"] == pytest.approx(told["new_high"], abs=1e-12)


def test_beyond_the_bakes_it_says_never_tried(found):
    shown = trials.forms.explore(found["liking"])
    assert not shown.view["warnings"]
    # Only one of the two kinds was baked long
    table = found["liking"].residuals
    kept = table[(table["fat"] == "butter") | (table["rest"] == 20)]
    kept = kept.rename(columns={"observed": "liking"})
    fat = trials.Categorical("fat", ["butter", "oil"])
    part = trials.fit(kept, "liking", [trials.Numeric("rest", 20, 60, "min"), fat], model="main")
    form = trials.forms.explore(part).set("rest", 60).set("fat", "oil")
    assert any(text.startswith("never tried") for text in form.view["warnings"])


def test_no_score_is_expected_off_its_scale():
    table = pd.DataFrame({"rest": [20, 60] * 3, "liking": [8.9, 6.0, 8.2, 7.5, 8.8, 5.9]})
    liking = trials.Measure("liking", "hedonic 9", goal="higher")
    rest = trials.Numeric("rest", 20, 60, "min")
    form = trials.forms.explore(trials.fit(table, "liking", [rest], model="main", measure=liking))
    form.set("rest", 20)
    assert form.expected["new_high"].iloc[0] > 9
    (row,) = form.view["rows"]
    assert row[3].endswith("and 9.0")


def test_the_best_bake_stands_beside(found):
    view = trials.forms.explore(found).view
    assert "B02 scored" in view["columns"]
    place = view["columns"].index("B02 scored")
    assert [float(row[place]) for row in view["rows"]] == pytest.approx([6.3, 64])


@pytest.mark.parametrize("measure", [one for one in MEASURES if one.per == "bake"])
def test_the_still_table_stands_where_widgets_can_not_run(round_, measure):
    form = trials.forms.enter(round_, "Ida")
    form.heard({"what": "page", "value": "the bakes"})
    html = form._repr_mimebundle_()[0]["text/html"]
    assert measure.name in html
    assert "B08" in html


@pytest.fixture
def asked(tmp_path):
    from trials.doors.cli import run

    assert run(["new", str(tmp_path / "my-round")]) == 0
    return tmp_path / "my-round"


def test_an_answer_is_saved_and_the_remarks_stay(asked):
    before = (asked / "idea.toml").read_text(encoding="utf-8")
    form = trials.forms.idea(asked)
    form.heard({"what": "field", "name": "bakes", "value": "10"})
    after = (asked / "idea.toml").read_text(encoding="utf-8")
    assert form.idea.bakes == 10
    assert trials.forms.idea(asked).idea.bakes == 10
    remarks = [line.split("#", 1)[1] for line in before.splitlines() if "#" in line]
    assert all(remark in after for remark in remarks)


def test_an_answer_that_can_not_be_understood_is_said_and_not_saved(asked):
    before = (asked / "idea.toml").read_bytes()
    form = trials.forms.idea(asked)
    form.heard({"what": "field", "name": "bakes", "value": "a dozen"})
    assert any("a dozen" in text and "Not saved" in text for text in form.view["problems"])
    form.heard({"what": "field", "name": "factors", "value": "oven: hot"})
    assert (asked / "idea.toml").read_bytes() == before
    form.heard({"what": "field", "name": "bakes", "value": "12"})
    assert not any("a dozen" in text for text in form.view["problems"])


def test_factors_are_lines_and_keep_what_they_change(asked):
    form = trials.forms.idea(asked)
    lines = next(one for one in form.view["fields"] if one["name"] == "factors")["value"]
    known = {one.name: one for one in form.idea.factors}
    numeric = next(one for one in known.values() if isinstance(one, trials.Numeric))
    first = next(line for line in lines.splitlines() if line.startswith(f"{numeric.name}:"))
    wider = f"{numeric.name}: {numeric.low} to {numeric.high + 1} {numeric.unit}"
    text = lines.replace(first, wider) + "\nsalt kind: coarse, fine"
    form.heard({"what": "field", "name": "factors", "value": text})
    assert not form.view["problems"]
    now = {one.name: one for one in form.idea.factors}
    assert now[numeric.name].high == numeric.high + 1
    assert now[numeric.name].changes == numeric.changes
    assert now["salt kind"].levels == ("coarse", "fine")


def test_a_list_that_stands_line_by_line_stays_one_with_its_remarks(asked):
    path = asked / "idea.toml"
    text = path.read_text("utf-8")
    text = text.replace('unit = "°C" },', 'unit = "°C" },   # ours runs hot', 1)
    path.write_text(text, "utf-8")
    form = trials.forms.idea(asked)
    wanted = "oven: 170 to 190 °C\nfat: butter, lard\ntin: dark, light"
    form.heard({"what": "field", "name": "factors", "value": wanted})
    assert not form.view["problems"]
    after = path.read_text("utf-8")
    assert 'low = 170, high = 190, unit = "°C" },   # ours runs hot' in after
    assert "[[" not in after
    oven, fat, tin = trials.forms.idea(asked).idea.factors
    assert (oven.low, oven.high, fat.changes, tin.levels) == (
        170, 190, ("swap", "butter"), ("dark", "light"),
    )  # fmt: skip
    # What follows the list is still read as what it was
    assert form.idea.bakes == 8
    assert [one.name for one in form.idea.tasters] == ["Ada", "Ben"]


def test_a_list_in_another_order_is_kept_in_it(asked):
    form = trials.forms.idea(asked)
    wanted = "rest: 20 to 60 min\nfat: butter, lard\noven: 190 to 220 °C"
    form.heard({"what": "field", "name": "factors", "value": wanted})
    assert not form.view["problems"]
    assert [one.name for one in trials.forms.idea(asked).idea.factors] == ["rest", "fat", "oven"]
    assert "[[" not in (asked / "idea.toml").read_text("utf-8")


def test_fewer_bakes_promise_less(asked):
    import re

    form = trials.forms.idea(asked)
    form.heard({"what": "field", "name": "factors", "value": "oven: 165 to 190 °C\nrest: 20 to 60"})
    seen = []
    for bakes in ("8", "16"):
        form.heard({"what": "field", "name": "bakes", "value": bakes})
        said = " ".join(form.view["said"])
        seen.append(float(re.search(r"about ([\d.]+) points", said).group(1)))
    assert seen[0] > seen[1] > 0
    form.heard({"what": "field", "name": "bakes", "value": "3"})
    assert "no bake to measure" in " ".join(form.view["said"])


def test_the_same_person_may_have_the_form_open_twice(round_):
    first, second = trials.forms.enter(round_, "Ida"), trials.forms.enter(round_, "Ida")
    one, two = code_of(round_, "Ida", 1), code_of(round_, "Ida", 2)
    typed(first, "Ida", one, "liking", "7")
    typed(second, "Ida", two, "liking", "6")
    scored = trials.scores(round_).set_index("code")["liking"]
    assert (scored[one], scored[two]) == (7.0, 6.0)


def test_a_form_does_not_make_a_moved_round_anew(round_):
    form = trials.forms.enter(round_, "Ida")
    code = code_of(round_, "Ida", 1)
    round_.folder.rename(round_.folder.with_name("moved"))
    with pytest.raises(trials.TrialsError, match="not in"):
        form.put(("tastings", ("Ida", code), "liking"), "7")
    assert not round_.folder.exists()


def test_what_no_table_knows_stays_apart_from_what_it_knows(asked):
    form = trials.forms.idea(asked)
    text = "Ida: milk; by hand: my aunt's pickle\nBo"
    form.heard({"what": "field", "name": "tasters", "value": text})
    assert not form.view["problems"]
    ida, bo = form.idea.tasters
    assert (ida.avoids, ida.also_avoids) == (("milk",), ("my aunt's pickle",))
    assert (bo.avoids, bo.also_avoids) == ((), ())
    shown = next(one for one in trials.forms.idea(asked).view["fields"] if one["name"] == "tasters")
    assert shown["value"] == text
    form.heard({"what": "field", "name": "tasters", "value": "Ida: milk\nBo"})
    assert trials.forms.idea(asked).idea.tasters[0].also_avoids == ()


def test_what_is_worth_noticing_may_be_said_where_the_idea_names_no_measure(tmp_path):
    from trials.rounds.idea import read_idea, write_idea

    form = trials.forms.idea(write_idea(tmp_path / "mine", "cross").parent)
    form.heard({"what": "field", "name": "worth_noticing", "value": "1.5"})
    assert not form.view["problems"]
    (liking,) = read_idea(tmp_path / "mine").measures
    assert (liking.name, liking.goal, liking.worth_noticing) == ("liking", "higher", 1.5)
