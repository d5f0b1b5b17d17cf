"""Gaps and repeated ids in the columns that say what scores share."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from trials.analysis.fitting import fit
from trials.base.errors import FitError


def tasted(tasters=5):
    """Return eight oil fills of four bakes, two fills a day, each bake tasted by all."""
    rng = np.random.default_rng(7)
    rows = []
    for load in range(8):
        fill = rng.normal(0, 1)
        for n in range(4):
            bake = fill + rng.normal(0, 0.3)
            rows += [
                {
                    "day": load // 2,
                    "load": f"L{load}",
                    "bake": f"B{4 * load + n:02d}",
                    "taster": f"taster {t}",
                    "oil": 165 + 15 * (load % 2),
                    "fat": ["butter", "sunflower"][n % 2],
                    "liking": 5 + bake + rng.normal(0, 0.5),
                }
                for t in range(tasters)
            ]
    return pd.DataFrame(rows)


def test_one_bake_without_its_load_leaves_the_loads_the_unit_of_the_oil():
    table = tasted()
    table.loc[table["bake"] == "B00", "load"] = np.nan
    found = fit(table, "liking", ["oil", "fat"], model="main")
    oil = found.tests.set_index("term").loc["oil"]
    assert oil["judged_against"] == "loads"
    # Eight fills, four days and the oil leave three; one fill more can not add more than one
    assert 2.5 < oil["error_df"] < 4.5
    assert "1 bake names no load; each is taken as a load of its own." in found.notes


def test_a_score_without_its_bake_is_refused_with_its_place():
    table = tasted()
    table.loc[3, "bake"] = None
    with pytest.raises(FitError, match="bake is missing") as caught:
        fit(table, "liking", ["oil", "fat"])
    assert caught.value.place.row == 5


def test_a_score_without_its_taster_still_counts():
    table = tasted()
    table.loc[3, "taster"] = ""
    found = fit(table, "liking", ["oil", "fat"], model="main")
    assert "taster" in found.variance["source"].tolist()
    assert "1 score names no taster; each is taken as a taster of its own." in found.notes


@pytest.mark.parametrize(("inner", "outer"), [("bake", "load"), ("load", "day")])
def test_ids_that_start_again_are_refused(inner, outer):
    table = tasted()
    table[inner] = table.groupby(outer)[inner].transform(lambda ids: pd.factorize(ids)[0])
    with pytest.raises(FitError, match=f"more than one {outer}"):
        fit(table, "liking", ["oil", "fat"])


def test_loads_within_days_can_be_named():
    table = tasted()
    table["load"] = table.groupby("day")["load"].transform(lambda ids: pd.factorize(ids)[0])
    found = fit(
        table, "liking", ["oil", "fat"], model="main", groups=("day/load", "bake", "taster")
    )
    fills = tasted().groupby(["load", "oil"], as_index=False)["liking"].mean()
    hot, cool = (fills.loc[fills["oil"] == oil, "liking"] for oil in (180, 165))
    expected = stats.ttest_ind(hot, cool)
    oil = found.effects.set_index("term").loc["oil"]
    assert oil["df"] == pytest.approx(expected.df, rel=1e-6)
    assert oil["p"] == pytest.approx(expected.pvalue, rel=1e-5)


def test_a_column_called_row_is_not_overwritten():
    table = tasted().rename(columns={"oil": "row"})
    with pytest.raises(FitError, match="tray row"):
        fit(table, "liking", ["row", "fat"])


def test_one_taster_is_judged_on_bakes():
    table = tasted(tasters=1)
    found = fit(table, "liking", ["fat"], groups=())
    assert found.tests["judged_against"].tolist() == ["bakes"]
    assert not any("tastings" in said for said in found.sentences)
    # A new bake is expected to spread as bakes did, and not as their mean
    told = found.predict({"fat": "butter"}).iloc[0]
    sd = found.variance["sd"].iloc[-1]
    reach = stats.t.ppf(0.975, told["df"]) * np.hypot(told["se"], sd)
    assert told["new_high"] - told["estimate"] == pytest.approx(reach, rel=1e-6)


def test_tasters_without_bakes_are_warned_of():
    found = fit(tasted().drop(columns=["bake", "load", "day"]), "liking", ["fat"])
    assert any("which bake" in note for note in found.notes)


def wine():
    return pd.read_csv(Path(__file__).parents[1] / "reference" / "wine.csv")


def test_rows_that_share_settings_are_not_silently_bakes():
    found = fit(wine(), "response", ["temp", "contact"])
    said = next(note for note in found.notes if "share" in note)
    assert said.startswith("72 rows share their settings")
    assert "bottle and judge were not used" in said
    assert 'groups=("bottle", "judge")' in said
    assert found.method == "ordinary least squares, each row taken as a bake of its own"


@pytest.mark.parametrize("names", [("Bake", "TASTER"), ("bake", "taster"), (" BAKE", "Taster")])
def test_group_columns_are_known_however_they_are_written(names):
    table = wine().rename(columns=dict(zip(("bottle", "judge"), names, strict=True)))
    found = fit(table, "response", ["temp", "contact"])
    named = fit(wine(), "response", ["temp", "contact"], groups=("bottle", "judge"))
    assert found.effects["se"].tolist() == pytest.approx(named.effects["se"].tolist(), rel=1e-6)
    for one in (found, named):
        assert not any("share" in note for note in one.notes)
    again = fit(table, "response", ["temp", "contact"], groups=names)
    assert again.effects["p"].tolist() == found.effects["p"].tolist()


def test_two_columns_for_one_group_are_refused():
    table = wine().rename(columns={"bottle": "Bake", "judge": "BAKE"})
    with pytest.raises(FitError, match="'Bake' and 'BAKE' could each be the bake"):
        fit(table, "response", ["temp", "contact"])


def test_a_taster_alone_is_not_enough_and_the_spare_labels_are_named():
    table = wine().rename(columns={"judge": "taster"})
    said = " ".join(fit(table, "response", ["temp", "contact"]).notes)
    assert "bottle was not used" in said
    assert 'groups=("bottle", "taster")' in said


def test_bakes_that_each_have_their_settings_need_no_word():
    table = pd.DataFrame({"rest": np.arange(8.0), "liking": [5, 6, 5, 7, 6, 8, 7, 9]})
    assert not any("share" in note for note in fit(table, "liking", ["rest"]).notes)
    twice = pd.concat([table, table.assign(liking=table["liking"] + 0.5)])
    said = fit(twice.assign(oven=[1, 2, 3, 4] * 4), "liking", ["rest"]).notes
    # An oven that only says the rest in other words is no label to group by
    assert any(note.startswith("16 rows share") and "oven" not in note for note in said)
    bakes = twice.assign(bake=range(16))
    found = fit(bakes, "liking", ["rest"])
    assert not any("share" in note for note in found.notes)
    assert found.method == "ordinary least squares, one value per bake"


@pytest.mark.parametrize("said", ["Failed", " failed ", "FAILED"])
def test_a_failed_bake_is_known_however_it_is_written(said):
    table = tasted().assign(status="made")
    table.loc[table["bake"] == "B00", "status"] = said
    found = fit(table, "liking", ["oil", "fat"])
    assert found.failed["bake"].tolist() == ["B00"]
    assert "B00" not in set(found.residuals["bake"])


def test_an_unknown_status_is_refused():
    table = tasted().assign(status="made")
    table.loc[0, "status"] = "burnt"
    with pytest.raises(FitError, match="made, failed, not served or not baked"):
        fit(table, "liking", ["fat"])


def test_failed_rows_without_a_bake_column_are_left_out_too():
    table = pd.DataFrame({"fat": ["a", "b"] * 6, "liking": np.arange(12.0), "status": "made"})
    table.loc[0, ["status", "liking"]] = ["failed", 0.0]
    found = fit(table, "liking", ["fat"])
    assert len(found.residuals) == 11
    assert found.failed["bake"].tolist() == ["1"]


@pytest.mark.parametrize(
    "reference",
    [{"fat": None, "rest": None}, {"fat": "lard", "rest": 200}, {"fat": "butter", "rest": 40}],
)
def test_the_settings_of_a_reference_bake_change_no_effect(reference):
    table = tasted(tasters=1).drop(columns=["load", "taster"]).assign(role="trial")
    table["rest"] = np.tile([20, 20, 60, 60], 8)
    references = pd.DataFrame(
        [{"day": n, "bake": f"C{n}", "role": "reference", "liking": 4 + n / 3} for n in range(4)]
    ).assign(**reference)
    alone = fit(table, "liking", ["fat", "rest"], model="main").effects
    both = fit(pd.concat([table, references]), "liking", ["fat", "rest"], model="main").effects
    assert both[["level", "reference"]].equals(alone[["level", "reference"]])
    # Days are taken as they are and crossed with the settings: only the error learns a little
    assert both["estimate"].tolist() == pytest.approx(alone["estimate"].tolist(), rel=1e-9)
