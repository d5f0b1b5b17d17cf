"""Fits held against R's lme4, NIST's certified values, textbook sums and full matrices."""

import math

import numpy as np
import pytest

from tests.analysis import dense_mixed
from tests.reference import mixed_models as published
from trials.analysis.mixed import RandomTerm, dependent_columns, fit_mixed
from trials.analysis.small_sample import small_sample
from trials.base.errors import FitError

CAKE = published.expected("cake_expected.json")
WINE = published.expected("wine_expected.json")
MORE = published.expected("more_expected.json")
NIST = published.expected("nist_expected.json")


def panel(seed, bakes=10, tasters=6, missing=0.15, bake_sd=0.5):
    """Scores of an unbalanced round: some tasters missed some bakes; one number on each bake."""
    rng = np.random.default_rng(seed)
    bake, taster = (axis.ravel() for axis in np.indices((bakes, tasters)))
    kept = rng.random(bake.size) >= missing
    bake, taster = bake[kept], taster[kept]
    x = rng.uniform(-1, 1, bakes)[bake]
    y = 6 + 0.4 * x + bake_sd * rng.normal(size=bakes)[bake] + rng.normal(size=tasters)[taster]
    y = y + 1.2 * rng.normal(size=bake.size)
    X = np.column_stack([np.ones(bake.size), x, x**2])
    return y, X, [RandomTerm("bake", bake), RandomTerm("taster", taster)]


def agree(fit, model):
    """Variances within 1e-4 (R's optimiser stops at 1e-6 to 2e-5), the rest as far as it goes."""
    reference = model["variance_components"]
    found = dict(zip([*(t.name for t in fit.terms), "Residual"], fit.variances, strict=True))
    for source, variance in reference.items():
        assert found[source] == pytest.approx(variance, rel=1e-4)
    assert fit.loglik == pytest.approx(model["loglik_reml"], rel=1e-11)
    rows = model["fixed_kenward_roger"]
    np.testing.assert_allclose(fit.beta, published.column(rows, "Estimate"), rtol=1e-9)
    assert fit.converged


class TestAgainstLme4:
    """R 4.2.2, lme4 1.1-31 (cake: Cochran & Cox 1957; wine: Randall 1989)."""

    def test_cake_with_replicates_and_whole_plots(self):
        agree(fit_mixed(*published.cake()), CAKE["crossed_model"])

    def test_cake_with_whole_plots_only(self):
        y, X, terms = published.cake()
        agree(fit_mixed(y, X, terms[1:]), CAKE["nested_only_model"])

    def test_cake_with_temperature_as_a_number(self):
        y, _, terms = published.cake()
        data = published.table("cake.csv")
        recipe = published.sum_to_zero(data["recipe"])
        X = np.column_stack([np.ones(len(y)), recipe, data["temperature"]])
        agree(fit_mixed(y, X, terms), CAKE["linear_temp_model"])

    def test_wine_with_judges(self):
        y, X, terms = published.wine()
        agree(fit_mixed(y, X, [terms["judge"]]), WINE["lmm_response"])

    def test_wine_with_judges_who_differ_in_their_effects(self):
        y, X, terms = published.wine(interaction=False)
        groups = [terms[name] for name in ("judge", "judge:temp", "judge:contact")]
        agree(fit_mixed(y, X, groups), WINE["lmm_response_scaled_judge"])

    def test_wine_with_the_bottle_as_unit_has_a_variance_of_exactly_zero(self):
        y, X, terms = published.wine()
        fit = fit_mixed(y, X, [terms["judge"], terms["bottle"]])
        by_source = {row["grp"]: row["vcov"] for row in MORE["wine_lmm_crossed"]["vc"]}
        judge, bottle, residual = fit.variances
        assert judge == pytest.approx(by_source["judge"], rel=1e-7)
        assert residual == pytest.approx(by_source["Residual"], rel=1e-7)
        assert bottle == by_source["bottle"] == 0
        assert fit.at_boundary == ("bottle",)


class TestAgainstTextbookSums:
    def test_cake_variances_are_those_of_the_analysis_of_variance(self):
        """Balanced data, mean squares in the right order: REML is the classical estimate."""
        rows = CAKE["classical_splitplot_anova"]
        replicate, whole_plot, residual = classical_mean_squares(rows)
        fit = fit_mixed(*published.cake())
        wanted = [(replicate - whole_plot) / 18, (whole_plot - residual) / 6, residual]
        np.testing.assert_allclose(fit.variances, wanted, rtol=1e-9)

    @pytest.mark.parametrize("seed", range(5))
    def test_balanced_panel(self, seed):
        rng = np.random.default_rng(seed)
        table = rng.normal(size=(9, 1)) + rng.normal(size=(1, 7)) + rng.normal(size=(9, 7))
        bake, taster = (axis.ravel() for axis in np.indices(table.shape))
        terms = [RandomTerm("bake", bake), RandomTerm("taster", taster)]
        fit = fit_mixed(table.ravel(), np.ones((63, 1)), terms)
        rows, columns = table.mean(axis=1), table.mean(axis=0)
        left = table - rows[:, None] - columns + table.mean()
        residual = np.sum(left**2) / (8 * 6)
        wanted = [rows.var(ddof=1) - residual / 7, columns.var(ddof=1) - residual / 9, residual]
        np.testing.assert_allclose(fit.variances, wanted, rtol=1e-9)


def classical_mean_squares(strata):
    return [rows[-1]["Mean Sq"] for rows in strata.values()]


class TestAgainstFullMatrices:
    """The likelihood of the normal distribution, written out with matrices of scores by scores."""

    @pytest.mark.parametrize("method", ["REML", "ML"])
    @pytest.mark.parametrize("seed", range(4))
    def test_likelihood_and_its_slopes(self, seed, method):
        fit = fit_mixed(*panel(seed), method=method)
        assert fit.loglik == pytest.approx(dense_mixed.log_likelihood(fit), rel=1e-11)
        slopes = dense_mixed.gradient(fit) * fit.variances[-1]
        inside = fit.variances > 0
        np.testing.assert_allclose(slopes[inside], 0, atol=1e-7)
        assert (slopes[~inside] < 0).all()

    @pytest.mark.parametrize("seed", range(4))
    def test_no_other_variances_are_more_likely(self, seed):
        fit = fit_mixed(*panel(seed, bake_sd=0.3))
        rng = np.random.default_rng(seed)
        for _ in range(200):
            others = (fit.variances + rng.exponential(0.2, 3)) * np.exp(rng.normal(size=3))
            assert dense_mixed.log_likelihood(fit, others) <= fit.loglik

    def test_random_slopes(self):
        y, X, terms = panel(2, bakes=16)
        taster = terms[1].codes
        y = y + np.random.default_rng(9).normal(size=6)[taster] * X[:, 1]
        fit = fit_mixed(y, X, [*terms, RandomTerm("taster:x", taster, X[:, 1])])
        assert (fit.variances > 0).all()
        assert fit.loglik == pytest.approx(dense_mixed.log_likelihood(fit), rel=1e-11)
        np.testing.assert_allclose(dense_mixed.gradient(fit), 0, atol=1e-7)

    def test_predicted_random_effects(self):
        y, X, terms = panel(1)
        fit = fit_mixed(y, X, terms)
        _, inverse, _, _, _ = dense_mixed.pieces(fit)
        left = y - X @ fit.beta
        for term, variance in zip(terms, fit.variances, strict=False):
            Z = np.equal.outer(term.codes, np.arange(term.levels)).astype(float)
            wanted = variance * Z.T @ inverse @ left
            np.testing.assert_allclose(fit.blups[term.name], wanted, atol=1e-12)
        wanted = fit.variances[-1] * inverse @ left
        np.testing.assert_allclose(fit.conditional_residuals, wanted, atol=1e-12)
        np.testing.assert_allclose(fit.fitted + fit.residuals, y)


def any_table(rng):
    """A table of any shape: few rows or many, crossed or nested, levels met once or never."""
    n = int(rng.integers(5, 40))
    p = int(rng.integers(1, min(n - 2, 5)))
    X = np.column_stack([np.ones(n), rng.integers(-1, 2, (n, p - 1)) * 10.0 ** rng.integers(-5, 6)])
    y = np.round(rng.normal(6, 1.5, n)) if rng.random() < 0.4 else rng.normal(size=n)
    terms = []
    for name in ("a", "b", "c")[: rng.integers(0, 4)]:
        codes = rng.integers(0, rng.integers(1, n + 1), n)
        codes = terms[-1].codes // 2 if terms and rng.random() < 0.3 else codes
        slope = rng.normal(size=n) if rng.random() < 0.2 else None
        terms.append(RandomTerm(name, codes, slope))
        y = y + rng.choice([0.0, 0.5, 5.0]) * rng.normal(size=n)[codes]
    return y, X, terms


def fit_or_refusal(seed):
    rng = np.random.default_rng(seed)
    try:
        return fit_mixed(*any_table(rng), method=("REML", "ML")[seed % 2]), ""
    except FitError as error:
        return None, str(error)


def test_few_tables_are_refused_and_those_for_a_reason():
    refusals = [refusal for _, refusal in map(fit_or_refusal, range(150)) if refusal]
    assert 0 < len(refusals) < 30
    assert all(
        "cannot be told apart" in r or "no residual spread" in r or "zero" in r for r in refusals
    )


@pytest.mark.parametrize("seed", range(150))
def test_any_table_is_fitted_at_its_optimum(seed):
    """Warnings are errors here; an inner optimum has no slope, a variance of zero pulls down."""
    fit, refusal = fit_or_refusal(seed)
    if refusal:
        return
    y, X, terms = fit.y, fit.X, fit.terms
    assert fit.converged
    assert set(fit.blups) == {term.name for term in terms}
    assert sum(fit.error_df.values()) <= len(y) - X.shape[1]
    if not fit.unidentified:
        slopes = dense_mixed.gradient(fit) * fit.variances[-1]
        at_zero = fit.variances == 0
        np.testing.assert_allclose(slopes[~at_zero], 0, atol=1e-4)
        assert (slopes[at_zero] < 1e-6).all()
    if fit.method == "REML":
        small = small_sample(fit)
        _, se, df = small.estimates(np.eye(X.shape[1]))
        assert (np.isnan(se) == (df == 0)).all()
        assert (df[df != 0] > 0).all()


class TestWhatMustNotMatter:
    @pytest.mark.parametrize("seed", range(3))
    def test_order_of_rows_and_names_of_levels(self, seed):
        y, X, terms = panel(seed)
        rng = np.random.default_rng(seed)
        order = rng.permutation(len(y))
        renamed = [
            RandomTerm(term.name, rng.permutation(term.levels)[term.codes][order]) for term in terms
        ]
        one, other = fit_mixed(y, X, terms), fit_mixed(y[order], X[order], renamed[::-1])
        np.testing.assert_allclose(one.beta, other.beta, rtol=1e-9)
        np.testing.assert_allclose(one.variances, other.variances[[1, 0, 2]], rtol=1e-7)
        np.testing.assert_allclose(one.cov, other.cov, rtol=1e-8)

    @pytest.mark.parametrize("factor", [1e-140, 1e-9, 60.0, 1e140])
    def test_unit_of_the_response(self, factor):
        y, X, terms = panel(3)
        one, other = fit_mixed(y, X, terms), fit_mixed(y * factor, X, terms)
        np.testing.assert_allclose(other.beta, one.beta * factor, rtol=1e-9)
        np.testing.assert_allclose(other.variances, one.variances * factor**2, rtol=1e-7)

    @pytest.mark.parametrize("factor", [1e-100, 1e-6, 1e8, 1e100])
    def test_unit_and_offset_of_a_setting(self, factor):
        y, X, terms = panel(3)
        one, scaled = fit_mixed(y, X, terms), fit_mixed(y, X * [1, factor, factor], terms)
        np.testing.assert_allclose(scaled.beta * [1, factor, factor], one.beta, rtol=1e-9)
        moved = X[:, :2] + [0, 2000.0]
        np.testing.assert_allclose(
            fit_mixed(y, moved, terms).beta[1], fit_mixed(y, X[:, :2], terms).beta[1], rtol=1e-8
        )

    @pytest.mark.parametrize("factor", [1e-50, 1e-4, 1e5, 1e50])
    def test_unit_of_a_random_slope(self, factor):
        y, X, (bake, taster) = panel(2, bakes=16)
        slopes = [RandomTerm("taster:x", taster.codes, X[:, 1] * unit) for unit in (1.0, factor)]
        one, other = (fit_mixed(y, X, [bake, taster, slope]) for slope in slopes)
        np.testing.assert_allclose(other.variances * [1, 1, factor**2, 1], one.variances, rtol=1e-6)

    def test_large_offset_of_the_response(self):
        y, X, terms = panel(3)
        one, other = fit_mixed(y, X, terms), fit_mixed(y + 1e8, X, terms)
        np.testing.assert_allclose(other.variances, one.variances, rtol=1e-6)

    def test_what_was_handed_over_is_left_alone(self):
        y, X, terms = panel(3)
        fit = fit_mixed(y, X, terms)
        before = fit.fitted.copy()
        X[:] = 0
        np.testing.assert_array_equal(fit.fitted, before)


class TestCertifiedValues:
    """NIST Statistical Reference Datasets; agreeing digits as -log10 of the relative error."""

    @pytest.mark.parametrize(
        ("name", "digits"),
        [("SiRstv", 12), ("SmLs01", 13), ("AtmWtAg", 9), ("SmLs04", 9), ("SmLs07", 4)],
    )
    def test_analysis_of_variance(self, name, digits):
        data, certified = published.table(f"nist_{name}.csv"), NIST[name]
        groups = published.treatment(data["group"])
        X = np.column_stack([np.ones(len(data)), groups])
        fit = fit_mixed(data["y"].to_numpy(), X)
        test = small_sample(fit).test(np.eye(X.shape[1])[1:])
        assert test.num_df == certified["df_between"]
        assert test.den_df == pytest.approx(certified["df_within"], rel=1e-12)
        assert agreeing_digits(test.F, certified["F"]) >= digits
        assert agreeing_digits(np.sqrt(fit.variances[-1]), certified["resid_sd"]) >= digits

    def test_line(self):
        data, certified = published.table("nist_Norris.csv"), NIST["Norris"]
        X = np.column_stack([np.ones(len(data)), data["x"]])
        fit = fit_mixed(data["y"].to_numpy(), X)
        small = small_sample(fit)
        for position, name in enumerate(["b0", "b1"]):
            estimate, se, df = small.estimate(np.eye(2)[position])
            assert agreeing_digits(estimate, certified[name]) >= 12
            assert agreeing_digits(se, certified[f"se_{name}"]) >= 12
            assert df == pytest.approx(certified["df_res"], rel=1e-12)
        assert agreeing_digits(small.test([0, 1]).F, certified["F"]) >= 12

    def test_ill_conditioned_regression(self):
        data, certified = published.table("nist_Longley.csv"), NIST["Longley"]
        names = [name for name in certified["certified_coef_se"] if name != "const"]
        X = np.column_stack([np.ones(len(data)), data[names]])
        fit = fit_mixed(data["TOTEMP"].to_numpy(), X)
        small = small_sample(fit)
        estimate, se, df = small.estimates(np.eye(7))
        for position, pair in enumerate(certified["certified_coef_se"].values()):
            assert agreeing_digits(estimate[position], pair[0]) >= 10
            assert agreeing_digits(se[position], pair[1]) >= 10
        np.testing.assert_allclose(df, 9)
        assert agreeing_digits(small.test(np.eye(7)[1:]).F, certified["certified_F"]) >= 10
        assert agreeing_digits(fit.variances[-1] ** 0.5, certified["certified_resid_sd"]) >= 12


def agreeing_digits(found, certified):
    error = abs(found / float(certified) - 1)
    return 15.0 if error == 0 else -math.log10(error)


class TestNothingLeftForError:
    def test_a_fixed_part_that_uses_every_bake(self):
        y, _, terms = panel(0)
        every_bake = np.eye(10)[terms[0].codes]
        fit = fit_mixed(y, every_bake, terms)
        assert fit.unidentified == ("bake",)
        assert np.isnan(fit.variances[0])
        assert (fit.variances[1:] > 0).all()
        assert fit.error_df["bake"] == 0

    def test_what_is_left_at_each_level(self):
        fit = fit_mixed(*published.cake())
        strata = CAKE["classical_splitplot_anova"].values()
        left = [rows[-1]["Df"] for rows in strata]
        assert list(fit.error_df.values()) == left
        assert list(fit.error_df) == ["replicate", "recipe:replicate", "residual"]

    def test_two_names_for_the_same_groups_share_one_variance(self):
        y, X, (bake, taster) = panel(5, bake_sd=2)
        once = fit_mixed(y, X, [bake, taster])
        twice = fit_mixed(y, X, [bake, RandomTerm("batch", bake.codes), taster])
        assert twice.variances[:2].sum() == pytest.approx(once.variances[0], rel=1e-6)
        assert twice.error_df["bake"] == twice.error_df["batch"] == 0

    def test_one_measure_of_a_bake_repeated_on_every_row(self):
        bake = np.repeat(np.arange(6), 4)
        height = np.array([3.1, 3.4, 2.9, 3.3, 3.8, 3.0])[bake]
        with pytest.raises(FitError, match="once per bake"):
            fit_mixed(height, np.ones((24, 1)), [RandomTerm("bake", bake)])

    def test_bakes_that_differ_ten_thousand_times_more_than_scores(self):
        rng = np.random.default_rng(4)
        bake = np.repeat(np.arange(8), 6)
        noise = rng.normal(size=48)
        y = rng.normal(size=8)[bake] + 1e-4 * noise
        fit = fit_mixed(y, np.ones((48, 1)), [RandomTerm("bake", bake)])
        means = np.bincount(bake, noise) / 6
        within = 1e-8 * np.sum((noise - means[bake]) ** 2) / 40
        assert fit.variances[1] == pytest.approx(within, rel=1e-6)


class TestBadInput:
    X = np.column_stack([np.ones(8), np.tile([-1.0, 1.0], 4)])
    y = np.array([5.0, 7, 6, 6, 4, 8, 5, 6])

    @pytest.mark.parametrize(
        ("y", "X", "words"),
        [
            (np.full(8, 7.3), X, "no spread"),
            (3 + 0.1 * X[:, 1], X, "no spread"),
            (np.where(np.arange(8) == 2, np.nan, y), X, "missing or infinite"),
            (np.where(np.arange(8) == 2, np.inf, y), X, "missing or infinite"),
            (y, np.where(X == -1, np.inf, X), "missing or infinite"),
            (y * 1e-300, X, "1e-150"),
            (y * 1e300, X, "1e150"),
            (y, X * [1, 1e-300], "too small"),
            (y, X * [1, 0], "zero throughout"),
            (y, np.column_stack([X, 3 - X[:, 1]]), "Column 3 .* cannot be told apart"),
            (y[:2], X[:2], "2 values for 2 fixed effects"),
            (y[:5], X, "shape"),
            (y, X[:, :0], "at least one column"),
        ],
    )
    def test_is_named(self, y, X, words):
        with pytest.raises(FitError, match=words):
            fit_mixed(y, X)

    @pytest.mark.parametrize("codes", [np.arange(7), np.arange(8) - 1, np.arange(8) / 2])
    def test_levels_that_are_not_codes(self, codes):
        with pytest.raises(FitError, match='levels of "bake"'):
            fit_mixed(self.y, self.X, [RandomTerm("bake", codes)])

    @pytest.mark.parametrize(
        "slope", [np.zeros(8), np.ones(7), np.full(8, np.nan), np.full(8, 1e80)]
    )
    def test_slopes_that_say_nothing(self, slope):
        with pytest.raises(FitError, match='slope variable of "taster"'):
            fit_mixed(self.y, self.X, [RandomTerm("taster", np.arange(8) // 2, slope)])

    def test_unknown_method(self):
        with pytest.raises(FitError, match="REML"):
            fit_mixed(self.y, self.X, method="MINQUE")

    def test_dependent_columns_are_found_by_place(self):
        x, z = self.X[:, 1], np.arange(8.0)
        table = np.column_stack([np.ones(8), x, 1e9 * x - 4, z, np.zeros(8), z**2, z + x])
        assert dependent_columns(table) == [2, 4, 6]
