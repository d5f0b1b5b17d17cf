"""Small-sample inference held against R's lmerTest and pbkrtest, and the printed formulas."""

import tracemalloc

import numpy as np
import pytest
from scipy import stats

from tests.analysis import dense_mixed
from tests.analysis.test_mixed import CAKE, MORE, WINE, panel
from tests.reference import mixed_models as published
from trials.analysis.mixed import RandomTerm, fit_mixed
from trials.analysis.small_sample import predict_mean, predict_new, small_sample
from trials.base.errors import FitError

METHODS = ["kenward-roger", "satterthwaite"]


def coefficients_agree(small, rows):
    """Standard errors and df within 1e-5: R's follow its optimiser's variances."""
    estimate, se, df = small.estimates(np.eye(len(rows)))
    np.testing.assert_allclose(estimate, published.column(rows, "Estimate"), rtol=1e-9)
    np.testing.assert_allclose(se, published.column(rows, "Std. Error"), rtol=1e-5)
    np.testing.assert_allclose(df, published.column(rows, "df"), rtol=1e-5)


def hypotheses_agree(small, columns_by_term, rows, rtol=1e-6):
    for row in rows:
        found = small.test(np.eye(small.fit.X.shape[1])[columns_by_term[row["term"]]])
        assert found.num_df == row["NumDF"]
        assert found.den_df == pytest.approx(row["DenDF"], rel=1e-5)
        assert pytest.approx(row["F value"], rel=rtol) == found.F
        assert found.p == pytest.approx(row["Pr(>F)"], rel=20 * rtol)


class TestAgainstR:
    """R 4.2.2, lme4 1.1-31, lmerTest 3.1-3, pbkrtest 0.5.2."""

    @pytest.mark.parametrize("method", METHODS)
    @pytest.mark.parametrize("model", ["crossed_model", "nested_only_model"])
    def test_cake(self, model, method):
        y, X, terms = published.cake()
        fit = fit_mixed(y, X, terms if model == "crossed_model" else terms[1:])
        small = small_sample(fit, method=method)
        name = method.replace("-", "_")
        coefficients_agree(small, CAKE[model][f"fixed_{name}"])
        hypotheses_agree(small, published.CAKE_TERMS, CAKE[model][f"anova_{name}"])

    @pytest.mark.parametrize("method", METHODS)
    def test_cake_with_temperature_as_a_number(self, method):
        y, _, terms = published.cake()
        data = published.table("cake.csv")
        recipe = published.sum_to_zero(data["recipe"])
        fit = fit_mixed(y, np.column_stack([np.ones(len(y)), recipe, data["temperature"]]), terms)
        small = small_sample(fit, method=method)
        name, model = method.replace("-", "_"), CAKE["linear_temp_model"]
        coefficients_agree(small, model[f"fixed_{name}"])
        hypotheses_agree(small, {"recipe": [1, 2], "temp": [3]}, model[f"anova_{name}"], rtol=1e-5)

    def test_cake_against_a_reference_cell_mixes_both_levels_of_error(self):
        y, X, terms = published.cake(published.treatment)
        small = small_sample(fit_mixed(y, X, terms))
        coefficients_agree(small, CAKE["crossed_model_treatment_coding_fixed_KR"])

    def test_cake_means_and_differences_of_recipes(self):
        small = small_sample(fit_mixed(*published.cake()))
        means = np.zeros((3, 18))
        means[:, 0] = 1
        means[:, 1:3] = [[1, 0], [0, 1], [-1, -1]]
        estimate, se, df = predict_mean(small.fit, small, means)
        rows = CAKE["emm_recipe"]
        np.testing.assert_allclose(estimate, published.column(rows, "emmean"), rtol=1e-9)
        np.testing.assert_allclose(se, published.column(rows, "SE"), rtol=1e-5)
        np.testing.assert_allclose(df, published.column(rows, "df"), rtol=1e-5)
        differences = means[[0, 0, 1]] - means[[1, 2, 2]]
        estimate, se, df = small.estimates(differences)
        rows = CAKE["pairs_recipe_tukey"]
        np.testing.assert_allclose(estimate, published.column(rows, "estimate"), rtol=1e-9)
        np.testing.assert_allclose(se, published.column(rows, "SE"), rtol=1e-5)
        np.testing.assert_allclose(df, 28, rtol=1e-9)

    @pytest.mark.parametrize("method", METHODS)
    def test_wine_with_judges(self, method):
        y, X, terms = published.wine()
        small = small_sample(fit_mixed(y, X, [terms["judge"]]), method=method)
        name = method.replace("-", "_")
        coefficients_agree(small, WINE["lmm_response"][f"fixed_{name}"])
        columns = {"temp": [1], "contact": [2], "temp:contact": [3]}
        hypotheses_agree(small, columns, WINE["lmm_response"][f"anova_{name}"])

    @pytest.mark.parametrize("method", METHODS)
    def test_wine_with_judges_who_differ_in_their_effects(self, method):
        y, X, terms = published.wine(interaction=False)
        groups = [terms[name] for name in ("judge", "judge:temp", "judge:contact")]
        small = small_sample(fit_mixed(y, X, groups), method=method)
        name, model = method.replace("-", "_"), WINE["lmm_response_scaled_judge"]
        coefficients_agree(small, model[f"fixed_{name}"])

    def test_wine_with_the_bottle_as_unit_has_eight_bottles_not_seventy_two_scores(self):
        y, X, terms = published.wine()
        small = small_sample(fit_mixed(y, X, [terms["judge"], terms["bottle"]]))
        columns = {"temp": [1], "contact": [2], "temp:contact": [3]}
        hypotheses_agree(small, columns, MORE["wine_lmm_crossed"]["anova_kr"], rtol=1e-8)

    def test_satterthwaite_keeps_bottles_of_variance_zero_too(self):
        """Unlike lmerTest, which gives 60 here: see the method's docstring."""
        y, X, terms = published.wine()
        fit = fit_mixed(y, X, [terms["judge"], terms["bottle"]])
        assert small_sample(fit, method="satterthwaite").test([0, 1, 0, 0]).den_df == pytest.approx(
            4
        )


def unbalanced_fits():
    y, X, terms = panel(3)
    yield fit_mixed(y, X, terms)
    yield fit_mixed(y, X, [*terms, RandomTerm("taster:x", terms[1].codes, X[:, 1])])
    yield fit_mixed(*panel(12, bake_sd=0.0))


class TestAgainstThePrintedFormulas:
    """Kenward & Roger (1997), with matrices of scores by scores."""

    def test_one_of_the_fits_has_a_variance_of_zero(self):
        assert [bool(fit.at_boundary) for fit in unbalanced_fits()] == [False, False, True]

    @pytest.mark.parametrize("which", range(3))
    def test_covariance(self, which):
        fit = list(unbalanced_fits())[which]
        plain, adjusted, W, _ = dense_mixed.kenward_roger(fit)
        small = small_sample(fit)
        np.testing.assert_allclose(fit.cov, plain, rtol=1e-9)
        np.testing.assert_allclose(small.cov, adjusted, rtol=1e-9)
        unit = small.variance_unit * fit.variances[-1]
        np.testing.assert_allclose(small.variance_cov * np.outer(unit, unit), W, rtol=1e-8)

    @pytest.mark.parametrize("which", range(3))
    @pytest.mark.parametrize(
        "L", [np.eye(3), np.eye(3)[1:], [[1, 0.5, 0.3]], [[1, 1, 0], [0, 3, 2]]]
    )
    def test_f_test(self, which, L):
        fit = list(unbalanced_fits())[which]
        L = np.array(L, float)
        F, df, scale = dense_mixed.kenward_roger_test(fit, L)
        found = small_sample(fit).test(L)
        np.testing.assert_allclose([found.F, found.den_df, found.scale], [F, df, scale], rtol=1e-8)
        assert found.p == pytest.approx(stats.f.sf(F, len(L), df), rel=1e-7)

    @pytest.mark.parametrize("seed", [29, 147])
    def test_directions_stand_in_where_the_moments_of_f_do_not_exist(self, seed):
        """Four loads of up to three bakes, a quarter lost: lambda comes out below zero."""
        rng = np.random.default_rng(seed)
        load, bake = (axis.ravel() for axis in np.indices((4, 3)))
        kept = rng.random(12) >= 0.25
        load, bake = load[kept], bake[kept]
        X = np.column_stack([np.ones(load.size), load % 2, bake % 2])
        y = rng.normal(size=4)[load] + rng.normal(size=load.size)
        fit = fit_mixed(y, X, [RandomTerm("load", load)])
        L = np.eye(3)[1:]
        assert dense_mixed.kenward_roger_test(fit, L)[2] < 0
        small = small_sample(fit)
        found = small.test(L)
        wald = fit.beta[1:] @ np.linalg.solve(small.cov[1:, 1:], fit.beta[1:])
        assert found.scale == 1
        assert pytest.approx(wald / 2) == found.F
        assert 1 < found.den_df < 2
        assert found.p == pytest.approx(stats.f.sf(found.F, 2, found.den_df))

    def test_weights_of_the_variances_give_back_the_variance(self):
        """V is linear in the variances, so the covariance is the sum of its slopes times them."""
        for fit in unbalanced_fits():
            weights = small_sample(fit).variance_weights(np.eye(3))
            np.testing.assert_allclose(weights @ fit.variances, np.diag(fit.cov), rtol=1e-9)

    def test_satterthwaite_by_numerical_slopes(self):
        """df = 2 v^2 / (g'Ag), A the inverse curvature of the likelihood in the variances."""
        fit = next(unbalanced_fits())
        step = 1e-4 * fit.variances
        size = range(len(step))

        def moved(*by):
            return fit.variances + sum(by)

        def variance_of_slope(variances):
            return dense_mixed.pieces(fit, variances)[2][1, 1]

        unit = np.diag(step)
        slope = [
            (variance_of_slope(moved(unit[i])) - variance_of_slope(moved(-unit[i]))) / 2
            for i in size
        ]
        at = dense_mixed.log_likelihood
        curvature = np.array(
            [
                [
                    at(fit, moved(unit[i], unit[j]))
                    - at(fit, moved(unit[i], -unit[j]))
                    - at(fit, moved(-unit[i], unit[j]))
                    + at(fit, moved(-unit[i], -unit[j]))
                    for j in size
                ]
                for i in size
            ]
        )
        spread = np.array(slope) @ np.linalg.solve(-curvature / 4, slope)
        wanted = 2 * fit.cov[1, 1] ** 2 / spread
        _, se, df = small_sample(fit, method="satterthwaite").estimate([0, 1, 0])
        assert df == pytest.approx(wanted, rel=1e-4)
        assert se == pytest.approx(fit.cov[1, 1] ** 0.5)


class TestExactCases:
    @pytest.mark.parametrize("n", [6, 7, 8, 9, 12, 30])
    @pytest.mark.parametrize("method", METHODS)
    def test_least_squares_has_its_own_degrees_of_freedom(self, n, method):
        """One to n - p left: also where the moments of F do not exist (1, 2 and 4)."""
        rng = np.random.default_rng(n)
        X = np.column_stack([np.ones(n), rng.normal(size=(n, 4))])
        y = rng.normal(size=n)
        fit = fit_mixed(y, X)
        rest, *_ = np.linalg.lstsq(X[:, :2], y, rcond=None)
        reduced, full = np.sum((y - X[:, :2] @ rest) ** 2), np.sum(fit.residuals**2)
        found = small_sample(fit, method=method).test(np.eye(5)[2:])
        F = (reduced - full) / 3 / (full / (n - 5))
        np.testing.assert_allclose([found.F, found.den_df, found.scale], [F, n - 5, 1], rtol=1e-7)

    @pytest.mark.parametrize("bake_sd", [1.5, 4.0])
    def test_balanced_round_is_the_test_on_bake_means(self, bake_sd):
        rng = np.random.default_rng(11)
        bake, taster = (axis.ravel() for axis in np.indices((9, 5)))
        recipe = np.arange(9) % 3
        y = bake_sd * rng.normal(size=9)[bake] + rng.normal(size=5)[taster] + rng.normal(size=45)
        X = np.eye(3)[recipe][bake]
        fit = fit_mixed(y, X, [RandomTerm("bake", bake), RandomTerm("taster", taster)])
        assert not fit.at_boundary
        found = small_sample(fit).test([[1, -1, 0], [0, 1, -1]])
        means = np.bincount(bake, y) / 5
        exact = stats.f_oneway(*(means[recipe == r] for r in range(3)))
        np.testing.assert_allclose([found.F, found.p], exact, rtol=1e-7)
        assert (found.num_df, found.scale) == (2, pytest.approx(1))
        assert found.den_df == pytest.approx(6)

    def test_known_variances_leave_a_chi_square(self):
        fit = fit_mixed(*panel(3))
        small = small_sample(fit, method="none")
        found = small.test(np.eye(3)[1:])
        wald = fit.beta[1:] @ np.linalg.solve(fit.cov[1:, 1:], fit.beta[1:])
        assert found.p == pytest.approx(stats.chi2.sf(wald, 2))
        assert small.estimate([0, 1, 0])[2] == found.den_df == np.inf


class TestWhatMustNotMatter:
    @pytest.mark.parametrize("method", METHODS)
    def test_how_a_hypothesis_is_written(self, method):
        small = small_sample(fit_mixed(*panel(3)), method=method)
        L = np.array([[0, 1.0, 0], [1, 0, 2]])
        one = small.test(L)
        other = small.test([[0, 1e6, 0], [1, -3, 2], [1, 1, 2], [0, 0, 0]])
        np.testing.assert_allclose([one.F, one.den_df], [other.F, other.den_df], rtol=1e-8)
        assert one.num_df == other.num_df == 2

    @pytest.mark.parametrize("method", METHODS)
    def test_one_contrast_is_the_square_of_its_t(self, method):
        small = small_sample(fit_mixed(*panel(3)), method=method)
        estimate, se, df = small.estimate([0, 1, -1])
        found = small.test([0, 1, -1])
        np.testing.assert_allclose([found.F, found.den_df], [(estimate / se) ** 2, df], rtol=1e-9)

    @pytest.mark.parametrize("method", METHODS)
    def test_coding_of_the_settings_and_unit_of_the_response(self, method):
        y, X, terms = panel(3)
        recoded = X @ np.array([[1, 30.0, -7], [0, 0.01, 5], [0, 0, 2000]])
        one = small_sample(fit_mixed(y, X, terms), method=method).test(np.eye(3)[1:])
        other = small_sample(fit_mixed(y * 1e-100, recoded, terms), method=method)
        other = other.test(np.eye(3)[1:])
        np.testing.assert_allclose(
            [one.F, one.den_df, one.scale], [other.F, other.den_df, other.scale], rtol=1e-7
        )


class TestNothingLeftForError:
    @pytest.mark.parametrize("method", METHODS)
    def test_a_contrast_between_bakes_that_the_fixed_part_uses_up(self, method):
        y, _, terms = panel(0)
        every_bake = np.eye(10)[terms[0].codes]
        small = small_sample(fit_mixed(y, every_bake, terms), method=method)
        estimate, se, df = small.estimate([1, -1] + [0] * 8)
        assert np.isfinite(estimate)
        assert np.isnan(se)
        assert df == 0
        test = small.test(np.eye(10)[:2])
        assert test.den_df == 0
        assert np.isnan([test.F, test.p]).all()

    def test_a_contrast_within_bakes_is_still_judged(self):
        """Two pieces of each bake, one salted: the bakes are used up, the pieces are not."""
        rng = np.random.default_rng(5)
        bake, taster, salted = (axis.ravel() for axis in np.indices((4, 6, 2)))
        y = rng.normal(size=4)[bake] + rng.normal(size=6)[taster] + rng.normal(size=48)
        X = np.column_stack([np.eye(4)[bake], salted - 0.5])
        small = small_sample(
            fit_mixed(y, X, [RandomTerm("bake", bake), RandomTerm("taster", taster)])
        )
        assert np.isnan(small.estimate([1, -1, 0, 0, 0])[1])
        _, se, df = small.estimate([0, 0, 0, 0, 1])
        assert se > 0
        assert df == pytest.approx(48 - 4 - 5 - 1)

    def test_two_names_for_the_same_groups_change_no_test(self):
        y, X, (bake, taster) = panel(5, bake_sd=2)
        once = small_sample(fit_mixed(y, X, [bake, taster]))
        twice = small_sample(fit_mixed(y, X, [bake, RandomTerm("batch", bake.codes), taster]))
        np.testing.assert_allclose(once.estimate([0, 1, 0]), twice.estimate([0, 1, 0]), rtol=1e-6)


class TestPredictions:
    def test_a_new_bake_and_a_new_score_add_their_own_spread(self):
        fit = fit_mixed(*panel(3))
        small = small_sample(fit)
        x_new = np.array([[1, 0.5, 0.25], [1, -1, 1]])
        mean, se, df = predict_mean(fit, small, x_new)
        for sources, spread in (
            (["bake"], fit.variances[0]),
            (["bake", "taster", "residual"], fit.variances.sum()),
        ):
            value, wider, new_df = predict_new(fit, small, x_new, sources)
            np.testing.assert_allclose(value, mean)
            np.testing.assert_allclose(wider**2, se**2 + spread)
            assert (new_df > 1).all()
        same, same_se, same_df = predict_new(fit, small, x_new, [])
        np.testing.assert_allclose([same, same_se, same_df], [mean, se, df])

    def test_least_squares_prediction_is_the_textbook_one(self):
        x = np.arange(10.0)
        y = 2 + 0.3 * x + np.random.default_rng(2).normal(size=10)
        fit = fit_mixed(y, np.column_stack([np.ones(10), x]))
        _, se, df = predict_new(fit, small_sample(fit), np.array([[1, 12.0]]), ["residual"])
        lift = 1 + 1 / 10 + (12 - x.mean()) ** 2 / np.sum((x - x.mean()) ** 2)
        assert se[0] == pytest.approx(np.sqrt(lift * np.sum(fit.residuals**2) / 8))
        assert df[0] == pytest.approx(8)

    def test_a_new_bake_where_the_spread_of_bakes_was_not_measured(self):
        y, _, terms = panel(0)
        fit = fit_mixed(y, np.eye(10)[terms[0].codes], terms)
        _, se, df = predict_new(fit, small_sample(fit), np.eye(10)[:1], ["bake"])
        assert np.isnan(se[0])
        assert df[0] == 0


def test_nothing_as_large_as_scores_by_scores_is_formed():
    """5,000 scores squared are 200 megabytes; the rows alone are half a megabyte."""
    y, X, terms = panel(1, bakes=100, tasters=50, missing=0.0)
    tracemalloc.start()
    small_sample(fit_mixed(y, X, terms)).test(np.eye(3)[1:])
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 10e6


class TestBadInput:
    def test_is_named(self):
        fit = fit_mixed(*panel(3))
        small = small_sample(fit)
        with pytest.raises(FitError, match="kenward-roger, satterthwaite, none"):
            small_sample(fit, method="kr")
        with pytest.raises(FitError, match="needs a fit by REML"):
            small_sample(fit_mixed(*panel(3), method="ML"))
        with pytest.raises(FitError, match="weight for each of 3"):
            small.test([1, 0])
        with pytest.raises(FitError, match="nothing to test"):
            small.test(np.zeros((2, 3)))
        with pytest.raises(FitError, match="One contrast"):
            small.estimate(np.eye(3))
        with pytest.raises(FitError, match='"oven" is no spread'):
            predict_new(fit, small, np.eye(3), ["oven"])
        with pytest.raises(FitError, match="another fit"):
            predict_mean(fit_mixed(*panel(4)), small, np.eye(3))
