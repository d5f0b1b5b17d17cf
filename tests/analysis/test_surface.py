"""The shape of surfaces against published canonical analyses, and a region that holds the peak."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats

import trials
from trials.analysis.fitting import fit
from trials.analysis.surface import (
    best_at_distance,
    canonical,
    level_here,
    peak_region,
    quadratic,
    steepest,
)
from trials.base.errors import FitError, PlanError
from trials.core.factors import Categorical, Component, Numeric
from trials.core.measures import Measure

REFERENCE = Path(__file__).parents[1] / "reference"
KNOWN = json.loads((REFERENCE / "rsm_expected.json").read_text(encoding="utf-8"))
CODED = [Numeric("x1", -1, 1), Numeric("x2", -1, 1)]
SCORE = Measure("y", "number", worth_noticing=0.7)


def table(name):
    return pd.read_csv(REFERENCE / name)


@pytest.fixture(scope="module")
def yields():
    bakes = table("ccd_yield.csv")
    factors = [Numeric("time", 80, 90, "min"), Numeric("temperature", 170, 180, "°F")]
    # The table prints rounded axial settings; the codes hold them in full
    bakes = bakes.assign(time=85 + 5 * bakes["x1"], temperature=175 + 5 * bakes["x2"])
    return fit(bakes, "y", factors, model="quadratic", groups=())


@pytest.fixture(scope="module")
def second_order():
    return fit(table("nist_5531_ccd.csv"), "y", CODED, model="quadratic", groups=())


class TestYield:
    """Montgomery 2001, Design and Analysis of Experiments, example 11-1; computed with R 4.2.2."""

    known = KNOWN["montgomery_yield"]

    def test_stationary_point_in_real_units(self, yields):
        found = canonical(yields)
        assert found.coded == pytest.approx(self.known["stationary_coded"], rel=1e-9)
        assert found.stationary["time"] == pytest.approx(
            self.known["stationary_actual"]["time_min"], rel=1e-9
        )
        assert found.stationary["temperature"] == pytest.approx(
            self.known["stationary_actual"]["temp_F"], rel=1e-9
        )
        assert found.predicted == pytest.approx(self.known["predicted_at_stationary"], rel=1e-9)

    def test_eigenvalues_and_axes(self, yields):
        axes = canonical(yields).axes
        assert sorted(axes["eigenvalue"]) == pytest.approx(
            sorted(self.known["eigenvalues"]), rel=1e-9
        )
        wanted = np.abs(np.array(self.known["eigenvectors"]))[:, ::-1].T
        assert np.abs(axes[["time", "temperature"]].to_numpy()) == pytest.approx(wanted, rel=1e-9)

    def test_it_is_called_a_peak(self, yields):
        found = canonical(yields)
        assert found.shape == "peak"
        assert found.inside
        assert (
            str(found)
            == "y has a peak at time 86.95 min, temperature 176.5 °F, where 80.2 is expected."
        )


class TestHandbook:
    """NIST/SEMATECH e-Handbook 5.5.3.1 (data read there); computed with R 4.2.2."""

    def test_stationary_point_and_eigenvalues(self, second_order):
        known, found = KNOWN["nist_pri5314_second_order"], canonical(second_order)
        assert found.coded == pytest.approx(known["stationary_coded"], rel=1e-9)
        assert found.predicted == pytest.approx(known["predicted_at_stationary"], rel=1e-9)
        assert sorted(found.axes["eigenvalue"]) == pytest.approx(
            sorted(known["eigenvalues"]), rel=1e-9
        )

    def test_a_bend_that_is_not_sure_makes_no_peak(self, second_order):
        # By the textbook: the flatter eigenvalue is -4.97 and its error, as that of any square in
        # this plan, at least 2.04; 2.36 times that (7 df) reaches zero
        found = canonical(second_order)
        assert found.shape == "not settled"
        assert "equally good" not in str(found)
        assert found.axes["high"].iloc[1] > 0 > found.axes["high"].iloc[0]

    def test_steepest_way(self):
        found = fit(table("nist_5531_firstorder.csv"), "y", CODED, model="main", groups=())
        unit = KNOWN["nist_pri5311_first_order"]["steepest_ascent_unit"]
        path = steepest(found, 4, reach=2, exact=True)
        for row in path.iloc[1:].itertuples():
            assert row.x1 / row.distance == pytest.approx(unit["x1"], rel=1e-9)
            assert row.x2 / row.distance == pytest.approx(unit["x2"], rel=1e-9)
        assert path["estimate"].is_monotonic_increasing
        assert path["inside"].tolist() == [True, True, True, False, False]
        wanted = found.predict(path[["x1", "x2"]])
        assert path["low"].tolist() == pytest.approx(wanted["low"].tolist(), rel=1e-12)
        down = steepest(found, 4, reach=2, downhill=True)
        assert down["estimate"].is_monotonic_decreasing


def test_errors_of_eigenvalues_by_turning_the_axes(yields):
    # Bisgaard & Ankenman 1996: fit the model again along its own axes; the errors of the two
    # squares are those of the eigenvalues
    found = canonical(yields)
    turned = found.axes[["time", "temperature"]].to_numpy()
    coded = table("ccd_yield.csv")
    own = (coded[["x1", "x2"]].to_numpy() @ turned.T).T
    X = np.column_stack([np.ones(len(coded)), *own, own[0] ** 2, own[1] ** 2, own[0] * own[1]])
    y = coded["y"].to_numpy()
    beta, rss, *_ = np.linalg.lstsq(X, y, rcond=None)
    se = np.sqrt(np.diag(np.linalg.inv(X.T @ X)) * rss[0] / (len(y) - 6))
    reach = stats.t.ppf(0.975, len(y) - 6) * se[3:5]
    assert found.axes["eigenvalue"].to_numpy() == pytest.approx(beta[3:5], rel=1e-9)
    assert found.axes["low"].to_numpy() == pytest.approx(beta[3:5] - reach, rel=1e-9)


class TestPeakRegion:
    def test_the_p_value_by_least_squares(self, yields):
        # F test that both slopes at one place are zero, written out
        bakes = table("ccd_yield.csv")
        x1, x2, y = (bakes[name].to_numpy() for name in ("x1", "x2", "y"))
        X = np.column_stack([np.ones(len(y)), x1, x2, x1**2, x2**2, x1 * x2])
        beta, rss, *_ = np.linalg.lstsq(X, y, rcond=None)
        cov = np.linalg.inv(X.T @ X) * rss[0] / (len(y) - 6)
        at = np.array([0.5, 0.1])
        L = np.array([[0, 1, 0, 2 * at[0], 0, at[1]], [0, 0, 1, 0, 2 * at[1], at[0]]])
        slopes = L @ beta
        F = slopes @ np.linalg.inv(L @ cov @ L.T) @ slopes / 2
        found = level_here(quadratic(yields), at[None])
        assert found[0] == pytest.approx(stats.f.sf(F, 2, len(y) - 6), rel=1e-9)

    def test_it_holds_the_stationary_point_and_little_else(self, yields):
        found = peak_region(yields)
        assert found.iloc[0]["time"] == pytest.approx(86.946, abs=0.5)
        assert (found["p"] >= 0.05).all()
        assert found["time"].between(85, 89).all()
        assert len(peak_region(yields, level=0.5)) < len(found)

    @pytest.mark.slow
    def test_it_holds_the_true_peak_as_often_as_it_says(self):
        # 300 rounds of a central composite plan with its true peak at (0.3, -0.2)
        runs = table("ccd_yield.csv")[["x1", "x2"]]
        x1, x2 = runs["x1"].to_numpy(), runs["x2"].to_numpy()
        truth = 6 - (x1 - 0.3) ** 2 - 1.5 * (x2 + 0.2) ** 2
        rng = np.random.default_rng(11)
        held = 0
        for _ in range(300):
            bakes = runs.assign(y=truth + rng.normal(0, 0.3, len(runs)))
            made = quadratic(fit(bakes, "y", CODED, model="quadratic", groups=()))
            held += level_here(made, np.array([[0.3, -0.2]]))[0] >= 0.05
        assert 0.92 <= held / 300 <= 0.98  # 95 %, two standard errors either way

    def test_by_draws_where_explanations_are_averaged(self):
        bakes = table("ccd_yield.csv").drop([5, 6, 7, 8, 9])  # 2 bakes left for error
        # The star points lie beyond the range that is asked about
        found = trials.fit(bakes, "y", CODED, model="quadratic", outside_range=True)
        assert found.averaged is not None
        region = peak_region(found)
        assert region.attrs["method"].startswith("joint draws")
        assert 0.95 <= region["chance_best"].sum() <= 1


@pytest.mark.parametrize("seed", range(8))
def test_the_best_at_a_distance_by_brute_force(seed):
    rng = np.random.default_rng(seed)
    b, B = rng.normal(size=2), rng.normal(size=(2, 2))
    B = B + B.T
    radius = rng.uniform(0.2, 3)
    x = best_at_distance(b, B, radius)
    angles = np.linspace(0, 2 * np.pi, 200_001)
    circle = radius * np.column_stack([np.cos(angles), np.sin(angles)])
    values = circle @ b + np.einsum("pi,ij,pj->p", circle, B, circle)
    assert np.linalg.norm(x) == pytest.approx(radius, rel=1e-9)
    assert b @ x + x @ B @ x == pytest.approx(values.max(), abs=1e-8)


def test_bakes_on_the_way_are_round_in_the_kitchen(yields):
    path = steepest(yields)
    for name in ("time", "temperature"):
        tenths = path[name] / 0.05  # ranges of 10: steps of 0.5 on a dial, a tenth of that here
        assert np.allclose(tenths, np.round(tenths), atol=1e-9)
    wanted = yields.predict(path[["time", "temperature"]])
    assert path["estimate"].tolist() == pytest.approx(wanted["estimate"].tolist(), rel=1e-12)
    stepped = Numeric("x1", -1, 1, step=0.5)
    found = fit(table("nist_5531_ccd.csv"), "y", [stepped, CODED[1]], model="quadratic", groups=())
    halves = steepest(found)["x1"] / 0.5
    assert np.allclose(halves, np.round(halves), atol=1e-9)


def test_a_way_up_when_the_steepest_bend_has_no_slope():
    # The slope is along the first axis only, the bend up along the second: beyond a distance of
    # b / (2 (B2 - B1)) = 0.25 the best turns off the axis
    b, B = np.array([1.0, 0.0]), np.diag([-1.0, 1.0])
    x = best_at_distance(b, B, 1.0)
    assert x == pytest.approx([0.25, np.sqrt(1 - 0.0625)], rel=1e-6)


def made_of(truth, factors, noise=0.05, seed=2):
    rng = np.random.default_rng(seed)
    grid = np.array(np.meshgrid(*[np.linspace(-1, 1, 5)] * 2)).reshape(2, -1).T
    bakes = pd.DataFrame(grid, columns=["x1", "x2"])
    bakes["y"] = truth(bakes["x1"], bakes["x2"]) + rng.normal(0, noise, len(bakes))
    return fit(bakes, "y", factors, model="quadratic", measure=SCORE)


@pytest.mark.parametrize(
    ("truth", "shape", "words"),
    [
        (lambda a, b: 5 - 2 * a**2 - 2 * b**2, "peak", "has a peak"),
        (lambda a, b: 5 + 2 * a**2 + 2 * b**2, "lowest point", "is lowest"),
        (lambda a, b: 5 - 2 * a**2 + 2 * b**2, "saddle", "no single best"),
        (lambda a, b: 5 - 2 * (a - b) ** 2, "ridge", "several equally good"),
        (lambda a, b: 5 - 2 * a**2 - 0.3 * b**2, "ridge", "several equally good"),
    ],
)
def test_shapes_in_words(truth, shape, words):
    # The last bends by 0.3 half a range away: sure, yet less than the 0.7 worth noticing
    found = canonical(made_of(truth, CODED))
    assert found.shape == shape
    assert words in str(found)


@pytest.mark.parametrize(
    ("truth", "words"),
    [
        # A slope in one number and a peak in the other, and the same turned by 45 degrees
        (lambda a, b: 50 + 10 * a - 5 * b**2, "climbs towards x1 1"),
        (lambda a, b: 50 - 10 * a - 5 * b**2, "climbs towards x1 -1, x2 0"),
        (lambda a, b: 50 + 4 * (a + b) - 5 * (a - b) ** 2, "climbs towards"),
        # The peak of the first number lies three half-ranges away, too far to be seen from here
        (lambda a, b: 50 - 0.2 * (a - 9) ** 2 - 5 * b**2, "climbs towards"),
    ],
)
def test_a_slope_is_no_ridge(truth, words):
    """Rising ridges (Box & Draper 2007, ch. 11): no setting along them is as good as another."""
    found = canonical(made_of(truth, CODED))
    assert found.shape == "no peak in reach"
    assert words in str(found).replace("−", "-")
    assert "equally good" not in str(found)


def test_a_bend_that_few_bakes_can_not_tell_names_no_shape():
    found = canonical(made_of(lambda a, b: 5 - 2 * a**2 - 0.3 * b**2, CODED, noise=2.0))
    assert found.shape == "not settled"
    assert "may be a peak" in str(found)


def test_without_squares_there_is_no_peak():
    found = fit(table("nist_5531_ccd.csv"), "y", CODED, model="interactions", groups=())
    assert canonical(found).shape == "no bend"


def test_kinds_are_held():
    kinds = Categorical("flour", ["rye", "wheat"])
    rng = np.random.default_rng(4)
    rows = [(x, kind) for x in np.linspace(-1, 1, 7) for kind in kinds.levels] * 2
    bakes = pd.DataFrame(rows, columns=["x1", "flour"])
    peak = np.where(bakes["flour"] == "rye", -0.4, 0.4)
    bakes["y"] = 5 - 2 * (bakes["x1"] - peak) ** 2 + rng.normal(0, 0.02, len(bakes))
    found = fit(bakes, "y", [CODED[0], kinds], model="quadratic")
    assert canonical(found).stationary["x1"] == pytest.approx(-0.4, abs=0.03)
    assert canonical(found, {"flour": "wheat"}).stationary["x1"] == pytest.approx(0.4, abs=0.03)
    assert set(peak_region(found, at={"flour": "wheat"})["flour"]) == {"wheat"}


class TestBadInput:
    def test_no_number(self):
        bakes = pd.DataFrame({"fat": ["butter", "lard"] * 4, "y": [1, 2, 1.1, 2.2, 1, 2, 0.9, 2]})
        with pytest.raises(FitError, match="no factor is a number"):
            canonical(fit(bakes, "y", ["fat"]))

    def test_a_blend(self):
        parts = [Component("rye"), Component("wheat")]
        shares = np.linspace(0, 1, 8)
        bakes = pd.DataFrame({"rye": shares, "wheat": 1 - shares, "y": shares**2 + [0, 0.1] * 4})
        with pytest.raises(FitError, match="shares of a blend"):
            canonical(fit(bakes, "y", parts, model="blend"))

    def test_a_third_order(self):
        bakes = made_of(lambda a, b: a**3, CODED).residuals.rename(columns={"observed": "y"})
        found = fit(bakes[["x1", "x2", "y"]], "y", CODED, model=["x1", "x2", "x1^2", "x1^3"])
        with pytest.raises(FitError, match="beyond squares and pairs"):
            canonical(found)

    def test_unknown_kinds_steps_and_levels(self, yields):
        with pytest.raises(FitError, match='no factor "oven"'):
            canonical(yields, {"oven": 1})
        with pytest.raises(FitError, match="steps must be"):
            steepest(yields, 0)
        with pytest.raises(FitError, match="level is 95"):
            peak_region(yields, level=95)


def test_the_peak_by_a_search(yields):
    made = quadratic(yields)
    top = optimize.minimize(
        lambda x: -float(made.forecast.expect(made.at(x[None]))[0]), [0, 0], tol=1e-12
    )
    assert canonical(yields).coded == pytest.approx(top.x, abs=1e-5)


@pytest.fixture(scope="module")
def fried():
    """Fried best at 176 °C, baked without any heat; both best after a rest of 40 minutes."""
    method = Categorical("method", ["baked", "fried"])
    heat = Numeric("heat", 165, 180, "°C", only_when=("method", ["fried"]))
    rest = Numeric("rest", 20, 60, "min")
    cells = [("baked", ""), ("fried", 165), ("fried", 172.5), ("fried", 180)]
    rows = [(m, h, r) for _ in range(3) for r in (20, 40, 60) for m, h in cells]
    bakes = pd.DataFrame(rows, columns=["method", "heat", "rest"])
    x = np.array([(float(h) - 176.25) / 7.5 if h != "" else 0.0 for h in bakes["heat"]])
    z = (bakes["rest"] - 40) / 20
    bakes["y"] = 6 - 2 * x**2 - 2 * z**2 + np.random.default_rng(5).normal(0, 0.05, len(bakes))
    return fit(bakes, "y", [method, heat, rest], model="quadratic")


def test_a_number_that_does_not_exist_is_no_direction(fried):
    baked, hot = canonical(fried), canonical(fried, {"method": "fried"})
    assert baked.shape == hot.shape == "peak"
    assert len(baked.axes) == 1
    assert np.isnan(baked.stationary["heat"])
    # Errors of 0.05 against bends of 2: places are known to some hundredths of a half-range
    assert hot.stationary["heat"] == pytest.approx(176.25, abs=0.75)
    assert hot.stationary["rest"] == pytest.approx(40, abs=2)
    path = steepest(fried, 3)
    assert path["heat"].isna().all()
    region = peak_region(fried)
    assert region["heat"].isna().all()
    assert len(region)


def test_the_numbers_are_not_held_and_something_must_be_left(fried):
    with pytest.raises(FitError, match="at holds rest, a number"):
        canonical(fried, {"rest": 20})
    with pytest.raises(PlanError, match="is excluded, so the peak can lie nowhere"):
        peak_region(fried, exclude=[{"method": "baked"}])


def test_where_nothing_may_matter_no_corner_wins_by_its_place():
    bakes = table("ccd_yield.csv")
    factors = [Numeric("time_min", 80, 90), Numeric("temp_F", 170, 180)]
    found = fit(bakes, "y", factors, measure=Measure("y", "number", goal="higher"))
    draws = found.averaged.draws[1:]
    still = (draws == 0).all(axis=0)
    assert still.mean() > 0.1
    region = peak_region(found, level=0.999999)
    share = region.set_index(["time_min", "temp_F"])["chance_best"]
    assert share.sum() == pytest.approx(1)
    # A draw in which nothing matters counts alike for every setting of the 21 by 21
    assert len(share) == 441
    assert share.min() >= still.mean() / 441 * (1 - 1e-9)
    # 80 and 170 alone is best only where a draw slopes down along one or both
    down = (draws.min(axis=0) < 0).mean()
    assert share[80.0, 170.0] <= down + still.mean() / 441
    assert share[80.0, 170.0] < share[90.0, 180.0]
