"""Whole variants, methods with settings of their own, doughs over several oil fills."""

import numpy as np
import pandas as pd
import pytest

from trials.analysis.fitting import fit
from trials.base.errors import TrialsError
from trials.core.factors import Categorical, Numeric, factor_from, factor_record
from trials.core.terms import basis, coded_settings, model_matrix, model_terms, real_settings
from trials.deciding.rehearsal import Spreads, rehearse
from trials.design.aliasing import aliases
from trials.design.exchange import optimal
from trials.design.power import power
from trials.design.propose import propose
from trials.design.quality import quality
from trials.design.side_by_side import variants
from trials.rounds.round import FORMAT, plan_record, read_plan, write_plan

METHOD = Categorical("method", ["baked", "fried", "steamed"])
HEAT = Numeric("fry: heat", 165, 180, "°C", only_when=("method", ["fried"]))
RACK = Categorical("rack", ["top", "bottom"], only_when=("method", ["baked", "steamed"]))
REST = Numeric("rest", 20, 60, "min")
STILL = Spreads(tasting=0, taster_by_bake=0, taster=0, bake=0, load=0, day=0)
QUIET = Spreads(tasting=0.2, taster_by_bake=0.1, taster=0.3, bake=0.1, load=0, day=0.1)


@pytest.mark.parametrize("count", [2, 3, 4, 5, 6])
@pytest.mark.parametrize("repeats", [2, 3, 4, 6])
def test_a_reference_is_baked_as_often_as_makes_comparisons_surest(count, repeats):
    plan = variants([f"v{n}" for n in range(count)], repeats=repeats, seed=1)
    often = plan.table["variant"].value_counts()
    assert (often.drop("v0") == repeats).all()
    # Dunnett 1955: n0 = n sqrt(k). No other split of the same bakes has a smaller variance of a
    # difference from the reference (others equal, so the total moves in steps of count - 1)
    total, others = plan.count(), count - 1
    variance = 1 / often["v0"] + 1 / repeats
    for n in range(1, total // others + 1):
        if total - others * n > 0:
            assert variance <= 1 / n + 1 / (total - others * n) + 1e-12


def test_days_hold_every_variant_alike():
    plan = variants(["a", "b", "c", "d"], repeats=4, days=2, reference=False, seed=3)
    counts = plan.table.groupby(["day", "variant"]).size()
    assert (counts == 2).all()
    uneven = variants(["a", "b", "c"], repeats=5, days=2, seed=3).table
    spread = uneven.groupby(["variant", "day"]).size().groupby("variant").agg(["min", "max"])
    assert (spread["max"] - spread["min"] <= 1).all()


def test_each_method_is_baked_at_its_own_settings_only():
    plan = variants(METHOD, within=[HEAT, RACK], repeats=2, seed=1)
    table = plan.table
    fried = table["method"] == "fried"
    assert sorted(table.loc[fried, HEAT.name]) == [165, 165, 180, 180]
    assert table.loc[~fried, HEAT.name].isna().all()
    assert set(table.loc[fried, "rack"]) == {""}
    assert table.loc[~fried].groupby(["method", "rack"]).size().tolist() == [2, 2, 2, 2]
    assert quality(plan).effects["judged_on"].tolist() == ["bakes"] * 3
    assert "Fry: heat is set only where method is fried" in repr(plan)


def test_a_variant_s_difference_is_found_against_the_reference():
    plan = variants(["as it is", "with malt", "with rye"], repeats=4, days=2, seed=1)
    truth = {"variant": {"with malt": 1.0}}
    scores = rehearse(plan, truth, tasters=6, spreads=QUIET, rounded=False, seed=1)
    effects = fit(scores, "liking", plan.factors, model=plan.model).effects
    assert effects["reference"].tolist() == ["as it is"] * 2
    # Days, variants and tasters are balanced, so the estimates are differences of plain means
    means = scores.groupby("variant")["liking"].mean()
    assert effects["estimate"].tolist() == pytest.approx(
        [means[name] - means["as it is"] for name in ("with malt", "with rye")], rel=1e-9
    )
    # The spreads add up to sqrt((0.1^2 + (0.2^2 + 0.1^2) / 6) (1 / 6 + 1 / 4)) = 0.087: the truth
    # lies within four of them, and the malt is told from none
    assert effects["estimate"].tolist() == pytest.approx([1.0, 0.0], abs=4 * 0.0874)
    assert effects["low"].iloc[0] > 0
    still = rehearse(plan, truth, tasters=6, spreads=STILL, rounded=False, seed=1)
    exact = fit(still, "liking", plan.factors, model=plan.model).effects
    assert exact["estimate"].tolist() == pytest.approx([1.0, 0.0], abs=1e-9)


def test_a_nested_setting_has_columns_of_its_own_that_are_nothing_elsewhere():
    table = pd.DataFrame(
        {
            "method": ["baked", "fried", "fried", "steamed"],
            HEAT.name: [np.nan, 165, 180, np.nan],
            "rack": ["top", "", "", "bottom"],
        }
    )
    factors = [METHOD, HEAT, RACK]
    terms = model_terms("quadratic", factors)
    assert [term.name for term in terms] == ["method", HEAT.name, "rack", f"{HEAT.name}^2"]
    X = model_matrix(terms, factors, table).X
    assert X[:, 3].tolist() == [0, -1, 1, 0]
    assert X[:, 4].tolist() == [1, 0, 0, -1]
    assert X[:, 5].tolist() == [0, 1, 1, 0]
    assert not np.isnan(X).any()


def test_the_search_s_columns_span_those_of_the_model():
    plan = optimal([METHOD, HEAT, REST], model="interactions", bakes=18, criterion="D", seed=1)
    coded = coded_settings(plan.factors, plan.table)
    terms = model_terms(plan.model, plan.factors)
    quick = basis(terms, plan.factors).rows(coded)
    plain = model_matrix(terms, plan.factors, plan.table).X
    # Two codings of one model: each explains the other exactly
    left = plain - quick @ np.linalg.lstsq(quick, plain, rcond=None)[0]
    assert np.abs(left).max() < 1e-9
    again = real_settings(plan.factors, coded)
    pd.testing.assert_frame_equal(pd.DataFrame(again), plan.table[list(again)], check_dtype=False)


def test_an_optimal_plan_gives_a_nested_setting_the_bakes_it_needs():
    plan = optimal([METHOD, HEAT], model="main", bakes=12, criterion="D", seed=1)
    counts = plan.table.groupby("method").size()
    # Four parameters: method means 3, heat 1. D-optimal by enumeration: information of the cells
    # (baked, fried low, fried high, steamed) is the product of their counts, so 3 bakes each
    assert counts.to_dict() == {"baked": 3, "fried": 6, "steamed": 3}
    heats = plan.table[HEAT.name].value_counts()
    assert heats.to_dict() == {165.0: 3, 180.0: 3}
    found = power(plan, effect=1, sd_bake=1, sd_tasting=0).set_index("term")
    # Two means of three bakes each
    assert found.loc[HEAT.name, "se"] == pytest.approx(np.sqrt(1 / 3 + 1 / 3))
    assert found.loc[HEAT.name, "df"] == pytest.approx(8)


def test_the_effect_of_a_nested_setting_is_estimated_where_it_exists():
    plan = optimal([METHOD, HEAT, REST], model="interactions", bakes=20, criterion="D", seed=1)
    truth = {HEAT.name: 2.0, "rest": 0.5, f"{HEAT.name}:rest": 0.6}
    still = rehearse(plan, truth, tasters=6, spreads=STILL, rounded=False, seed=1)
    exact = fit(still, "liking", plan.factors, model=plan.model).effects
    exact = exact.set_index("term")["estimate"]
    assert exact[HEAT.name] == pytest.approx(2.0, abs=1e-9)
    assert exact["rest"] == pytest.approx(0.5, abs=1e-9)
    assert exact[f"{HEAT.name}:rest"] == pytest.approx(0.6, abs=1e-9)
    scores = rehearse(plan, truth, tasters=6, spreads=QUIET, rounded=False, seed=1)
    found = fit(scores, "liking", plan.factors, model=plan.model)
    effects = found.effects.set_index("term")["estimate"]
    # Every bake is tasted by the same six, so it is least squares on the means of bakes; the
    # heat's column runs from -1 to 1 where it is fried, so an effect is twice its coefficient
    matrix = model_matrix(found.terms, plan.factors, plan.table)
    means = scores.groupby("bake")["liking"].mean()[plan.table["bake"]]
    known = np.linalg.lstsq(matrix.X, means.to_numpy(), rcond=None)[0]
    place = matrix.columns.index(HEAT.name)
    assert effects[HEAT.name] == pytest.approx(2 * known[place], rel=1e-9)
    assert found.ranking["factor"].iloc[0] == HEAT.name
    means = found.means(HEAT.name)
    assert means[["method", HEAT.name]].to_numpy().tolist() == [["fried", 165], ["fried", 180]]
    assert np.diff(means["mean"])[0] == pytest.approx(effects[HEAT.name])
    both = [{"method": "fried", HEAT.name: heat, "rest": 40} for heat in (165, 180)]
    hot = np.diff(found.predict(both)["estimate"])[0]
    assert hot == pytest.approx(effects[HEAT.name])
    assert np.isfinite(found.predict({"method": "baked", HEAT.name: "", "rest": 40})["estimate"][0])


def test_what_is_mixed_up_never_names_a_pair_that_can_not_be():
    plan = variants(METHOD, within=[HEAT, RACK], repeats=2, seed=1)
    mixed = aliases(plan)
    assert not mixed["aliased_with"].str.contains("method = .*:").any()


def _settings(plan):
    """What a round's settings say of a plan, without the digests of files."""
    factors = [factor_record(factor) for factor in plan.factors]
    return {"format": FORMAT, "factors": factors, "plan": plan_record(plan)}


def test_a_nested_plan_goes_to_its_folder_and_back(tmp_path):
    plan = variants(METHOD, within=[HEAT, RACK], repeats=2, seed=1)
    write_plan(tmp_path, plan)
    record = _settings(plan)
    again = read_plan(tmp_path, record)
    pd.testing.assert_frame_equal(again.table, plan.table, check_dtype=False)
    assert again.factors == plan.factors
    assert HEAT.show(float("nan")) == RACK.show("") == "–"
    assert factor_from(factor_record(HEAT)) == HEAT


def test_a_cell_that_should_be_empty_or_filled_is_named(tmp_path):
    plan = variants(METHOD, within=[HEAT], repeats=1, reference=False, seed=1)
    record = _settings(plan)
    path = write_plan(tmp_path, plan)
    text = path.read_text()
    path.write_text(text.replace("baked,", "baked,170"))
    with pytest.raises(TrialsError, match=r'"fry: heat" has a setting in row .* where "method"'):
        read_plan(tmp_path, record)
    path.write_text(text.replace("fried,165", "fried,").replace("fried,180", "fried,"))
    with pytest.raises(TrialsError, match="has no setting in row"):
        read_plan(tmp_path, record)


def test_it_is_reached_from_propose():
    plan = propose([METHOD, HEAT, REST], 18, references=2, seed=1)
    table = plan.table
    assert table.loc[table["method"] != "fried", HEAT.name].isna().all()
    assert table.loc[table["method"] == "fried", HEAT.name].notna().all()
    assert "All 3 single changes can be told apart" in plan.reasons[1]


@pytest.mark.parametrize(
    ("make", "named"),
    [
        (lambda: variants(["one"]), "at least two"),
        (lambda: variants(list("abcdefg")), "7 variants"),
        (lambda: variants(["a", "b"], repeats=0), "repeats is 0"),
        (lambda: variants(["a", "b"], repeats=2, days=3), "days is 3"),
        (lambda: variants(METHOD, within=[REST]), "within holds rest"),
        (lambda: Numeric("heat", 1, 2, only_when="fried"), '"only_when" is the text "fried"'),
        (lambda: variants(["a", "b"], within=[HEAT]), "no factor of kinds"),
        (
            lambda: variants(METHOD, within=[Numeric("h", 1, 2, only_when=("method", ["boiled"]))]),
            "no level 'boiled'",
        ),
        (
            lambda: variants(
                METHOD, within=[Numeric("h", 1, 2, only_when=("method", METHOD.levels))]
            ),
            "every kind",
        ),
    ],
)
def test_what_can_not_be_is_refused_with_the_reason(make, named):
    with pytest.raises(TrialsError) as error:
        make()
    assert named in str(error.value)


OIL = Numeric("oil temperature", 165, 180, hard_to_change=True)
PROOF = Numeric("proof", 40, 70, hard_to_change="dough")


def test_a_dough_split_over_several_oil_fills_is_crossed_with_them():
    plan = optimal(
        [OIL, PROOF, REST],
        model="main",
        bakes=24,
        criterion="D",
        loads={"load": 6, "dough": 4},
        seed=1,
    )
    assert (plan.table.groupby(["load", "dough"]).size() == 1).all()
    assert plan.table.groupby(["load", "dough"]).ngroups == 24
    judged = power(plan, effect=1).set_index("term")["judged_on"]
    assert judged.to_dict() == {
        "oil temperature": "oil fills",
        "proof": "dough batches",
        "rest": "bakes",
    }


def test_a_dough_that_can_not_be_split_evenly_is_refused_with_what_would_work():
    # 24 bakes fill every dough in every fill; 36 can not do that evenly, nor does 4 divide 6
    with pytest.raises(TrialsError, match=r"can be split over every load .* 24 or 48 bakes would"):
        optimal([OIL, PROOF, REST], model="main", bakes=36, loads={"load": 6, "dough": 4})
    with pytest.raises(TrialsError, match="does not divide 18 bakes"):
        optimal([OIL, PROOF, REST], model="main", bakes=18, loads={"load": 6, "dough": 4})


def test_doughs_and_oil_fills_are_crossed_from_propose_too():
    plan = propose([OIL, PROOF, REST], 24, loads={"load": 6, "dough": 4}, seed=1)
    assert set(plan.groups) == {"load", "dough"}
    assert "judged on 6 oil fills" in " ".join(plan.reasons)
    assert "judged by 4 doughs" in " ".join(plan.reasons)
