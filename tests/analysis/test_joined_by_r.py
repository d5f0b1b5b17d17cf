"""Several rounds in one fit, against lme4 with pbkrtest.

Inputs, scripts and outputs stand in `tests/reference/r/`, with the versions of R and its packages;
`scenarios.json` says what each scenario pins. R's tables hold eight digits and its optimiser stops
a little short of the top: 1e-6 relative is safe everywhere, 1e-9 for a variance of zero.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import trials

HOME = Path(__file__).parent.parent / "reference" / "r"
SCENARIOS = {one["name"]: one for one in json.loads((HOME / "scenarios.json").read_text())}
KINDS = {"numeric": trials.Numeric, "categorical": trials.Categorical}


def factors_of(scenario):
    return [
        KINDS[one["kind"]](**{name: value for name, value in one.items() if name != "kind"})
        for one in scenario["factors"]
    ]


def tables_of(scenario):
    table = pd.read_csv(HOME / scenario["input"], dtype={"load": object, "day": object})
    tables = [own.drop(columns="round") for _, own in table.groupby("round", sort=False)]
    for factor in scenario["factors"]:
        if factor["name"] in scenario.get("held", {}):
            # The round that did not vary it does not name it
            tables = [
                own.drop(columns=factor["name"]) if own[factor["name"]].nunique() == 1 else own
                for own in tables
            ]
    return tables


def fitted(scenario, **words):
    known = trials.evidence(tables_of(scenario), factors_of(scenario), held=scenario.get("held"))
    return trials.fit(known, "liking", model=scenario["terms"], **words)


def output(name, kind):
    return pd.read_csv(HOME / f"{name}_{kind}.csv")


def groups_of(scenario):
    """Return the groups to name where the rule would take others."""
    return scenario["random"] if scenario["name"] == "days_and_loads_day_random" else None


@pytest.mark.parametrize("name", SCENARIOS)
def test_effects_of_joined_rounds_are_those_of_r(name):
    scenario = SCENARIOS[name]
    found = fitted(scenario, groups=groups_of(scenario)).effects
    known = output(name, "output")
    assert found["term"].tolist() == known["term"].tolist()
    np.testing.assert_allclose(found["estimate"], known["estimate"], rtol=1e-6)
    np.testing.assert_allclose(found["se"], known["se"], rtol=1e-6)
    np.testing.assert_allclose(found["df"], known["df_kr"], rtol=1e-6)


@pytest.mark.parametrize("name", SCENARIOS)
def test_tests_and_spreads_of_joined_rounds_are_those_of_r(name):
    scenario = SCENARIOS[name]
    found = fitted(scenario, groups=groups_of(scenario))
    known = output(name, "tests")
    assert found.tests["term"].tolist() == known["term"].tolist()
    for own, theirs in (("df", "num_df"), ("error_df", "den_df"), ("F", "F"), ("p", "p")):
        np.testing.assert_allclose(found.tests[own], known[theirs], rtol=1e-6)
    spread = output(name, "variance").set_index("source")["variance"]
    own = found.variance.set_index("source")["variance"]
    assert list(own.index) == list(spread.index)
    np.testing.assert_allclose(own, spread, rtol=1e-6, atol=1e-9)


@pytest.mark.parametrize("name", ["two_rounds", "three_rounds", "shared_day", "moved_reference"])
def test_one_table_with_a_column_of_rounds_is_the_same_evidence(name):
    scenario = SCENARIOS[name]
    table = pd.read_csv(HOME / scenario["input"], dtype={"load": object, "day": object})
    whole = trials.evidence(table, factors_of(scenario))
    listed = trials.evidence(tables_of(scenario), factors_of(scenario))
    assert whole.digest == listed.digest
    one = trials.fit(whole, "liking", model=scenario["terms"]).effects
    pd.testing.assert_frame_equal(one, fitted(scenario).effects)
