"""Tasters described: each trait by hand, by definition, or put there and found again."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from trials.analysis.fitting import fit
from trials.analysis.tasters import describe_tasters
from trials.analysis.wording import smallest_shown
from trials.base.errors import FitError
from trials.core.measures import Measure
from trials.core.terms import Term

LIKING = Measure("liking", "number", worth_noticing=0.7)  # a bell curve has no ends


def panel(rng, *, bakes=12, tasters=("Ada", "Ben", "Cy", "Dee", "Eve"), repeats=2, noise=0.7):
    """Every taster meets every bake; the first `repeats` come back at the end of the sitting."""
    quality = rng.normal(0, 1.0, bakes)
    rows = []
    for name in tasters:
        order = [*rng.permutation(bakes), *rng.permutation(bakes)[:repeats]]
        for place, bake in enumerate(order, start=1):
            score = 6 + quality[bake] + rng.normal(0, noise)
            rows.append((name, place, f"B{bake:02d}", 96 + 12 * (bake % 2), score))
    return pd.DataFrame(rows, columns=["taster", "place", "bake", "hydration", "liking"])


def described(table, **more):
    found = fit(table, "liking", ["hydration"], measure=LIKING)
    return describe_tasters(found, **more)


def traits(found, name):
    return found.table.set_index("taster").loc[name]


def test_repeatability_and_discrimination_are_an_analysis_of_variance():
    """With every bake tasted twice, F is scipy's one-way F of that taster's scores."""
    table = panel(np.random.default_rng(1), repeats=12)
    found = described(table)
    for name, own in table.groupby("taster"):
        cells = [scores.to_numpy() for _, scores in own.groupby("bake")["liking"]]
        known = stats.f_oneway(*cells)
        one = traits(found, name)
        assert (one["F"], one["p"]) == pytest.approx((known.statistic, known.pvalue))
        halves = np.array([a - b for a, b in cells])
        assert one["repeatability"] == pytest.approx(np.sqrt((halves**2).mean() / 2))
        assert one["repeats"] == 12


def test_agreement_is_a_correlation_with_the_others():
    table = panel(np.random.default_rng(2), repeats=0)
    found = described(table)
    wide = table.pivot_table(index="bake", columns="taster", values="liking")
    for name in wide:
        known = stats.pearsonr(wide[name], wide.drop(columns=name).mean(axis=1))
        one = traits(found, name)
        assert one["agreement"] == pytest.approx(known.statistic)
        between = known.confidence_interval(0.95)
        assert (one["agreement_low"], one["agreement_high"]) == pytest.approx(tuple(between))
        level = wide[name].mean() - wide.to_numpy().mean()
        assert one["level"] == pytest.approx(level)


def test_a_taste_of_ones_own_is_told_and_kept():
    table = panel(np.random.default_rng(3))
    own = table["taster"] == "Eve"
    table.loc[own, "liking"] = 12 - table.loc[own, "liking"]
    found = described(table)
    assert traits(found, "Eve")["agreement_high"] < 0
    said = "\n".join(found.sentences)
    assert "Eve scores" in said
    assert "a taste of its own" in said
    assert len(found.table) == 5


def test_a_wide_hand_and_a_tired_one_are_found():
    table = panel(np.random.default_rng(4))
    wide, tired = table["taster"] == "Ben", table["taster"] == "Cy"
    table.loc[wide, "liking"] = 6 + 3 * (table.loc[wide, "liking"] - 6)
    table.loc[tired, "liking"] -= 0.2 * table.loc[tired, "place"]
    found = described(table)
    assert traits(found, "Ben")["spread"] > 2
    assert traits(found, "Cy")["drift_high"] < 0
    assert traits(found, "Cy")["drift_low"] < -0.2 * 13 < traits(found, "Cy")["drift_high"]
    assert traits(found, "Ada")["drift_low"] < 0 < traits(found, "Ada")["drift_high"]
    assert any(one.startswith("Cy") and "drifts by −" in one for one in found.sentences)


def test_the_whole_panel_may_tire():
    table = panel(np.random.default_rng(5))
    table["liking"] -= 0.15 * table["place"]
    said = described(table).sentences
    assert any(one.startswith("All tasters together drift by −") for one in said)


def test_a_verdict_that_hangs_on_one_taster_is_said():
    rng = np.random.default_rng(6)
    table = panel(rng, noise=0.3)
    table["liking"] = 6 + rng.normal(0, 0.2, len(table))
    lover = table["taster"] == "Dee"
    table.loc[lover, "liking"] += np.where(table.loc[lover, "hydration"] == 108, 5.0, 0.0)
    found = described(table)
    assert traits(found, "Dee")["turns"] == "hydration"
    assert any("without Dee (hydration): it hangs on one" in one for one in found.sentences)


def test_one_taster_speaks_for_one():
    table = panel(np.random.default_rng(7), tasters=("Ada",), repeats=4)
    found = described(table)
    said = " ".join(found.sentences)
    assert "one taster, Ada" in said
    assert "So few can show a difference of about" in said
    assert "Hidden repeats put a taster's own noise at" in said
    assert np.isnan(traits(found, "Ada")["agreement"])


@pytest.mark.parametrize("count", [1, 2])
def test_what_few_tasters_show_is_an_analysis_of_variance(count):
    """Every bake tasted once by each: hydration is judged on the bakes within a hydration.

    Its standard error is the root of their mean square over a sixth of the tastings, on ten
    degrees of freedom, as long as bakes differ by more than tastings do (else the two are pooled).
    """
    rng = np.random.default_rng(8)
    reach = stats.t.ppf(0.975, 10) + stats.t.ppf(0.8, 10)  # a test of 5 %, a chance of four in five
    held = 0
    for _ in range(12):
        table = panel(rng, tasters=("Ada", "Ben")[:count], repeats=0, noise=0)
        bakes = table["bake"].unique()
        own = dict(zip(bakes, rng.normal(0, 0.25, len(bakes)), strict=True))
        table["liking"] = 6 + table["bake"].map(own) + rng.normal(0, np.hypot(0.5, 1.1), len(table))
        between, within = mean_squares(table)
        if between < within:
            continue
        held += 1
        note = describe_tasters(fit(table, "liking", ["hydration"])).sentences[-1]
        shown = float(note.split("difference of about ")[1].split()[0])
        known = reach * np.sqrt(between * 2 / (6 * count))
        assert shown == pytest.approx(known, abs=0.05 + 1e-9)  # the note shows one decimal
    assert held >= 4


def mean_squares(table):
    """Return the mean squares of bakes within a hydration, and of tasters by bakes."""
    wide = table.pivot_table(index=["hydration", "bake"], columns="taster", values="liking")
    means = wide.mean(axis=1)
    apart = means - means.groupby("hydration").transform("mean")
    tasters = wide.shape[1]
    left = wide.sub(means, axis=0).sub(wide.mean() - wide.to_numpy().mean(), axis=1)
    within = (left**2).to_numpy().sum() / 11 if tasters > 1 else 0.0
    return tasters * (apart**2).sum() / 10, within


def test_what_few_tasters_show_is_said_once_in_one_number():
    """Where findings are told and where tasters are: of what is spoken, not of the bare fit."""
    table = panel(np.random.default_rng(9))
    table = table[table["taster"].isin(table["taster"].unique()[:2])]
    scores = table["liking"].round().clip(1, 9)
    liking = Measure("liking", "hedonic 9", goal="higher")
    found = fit(table.assign(liking=scores), "liking", ["hydration"], measure=liking)
    assert smallest_shown(found.spoken, found.terms) != smallest_shown(found.effects, found.terms)
    said = [note for note in found.notes if note.startswith("These are the scores of")]
    assert said[0] in describe_tasters(found).sentences


def test_the_spreads_of_the_trade_say_what_few_tasters_show():
    # TRADE 5: spreads of 0.5 and 1.1 among tastings and 0.25 among bakes give about 2 points for
    # one taster and 1.5 for two, told to half a point; twelve bakes, six at either setting
    reach = stats.t.ppf(0.975, 10) + stats.t.ppf(0.8, 10)
    for count, known in ((1, 2.0), (2, 1.5)):
        se = np.sqrt((0.25**2 + (0.5**2 + 1.1**2) / count) * (1 / 6 + 1 / 6))
        effects = pd.DataFrame({"term": ["hydration"], "se": [se], "df": [10.0]})
        shown = smallest_shown(effects, [Term((("hydration", 1),))])
        assert shown == pytest.approx(reach * se, rel=1e-12)
        assert round(2 * shown) / 2 == known


def test_without_names_there_is_nobody_to_describe():
    table = panel(np.random.default_rng(9))
    with pytest.raises(FitError, match="no taster"):
        describe_tasters(fit(table.drop(columns="taster"), "liking", ["hydration"]))
