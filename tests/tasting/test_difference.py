import csv
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from trials.base.errors import TastingError
from trials.tasting import difference
from trials.tasting.difference import friedman_null, guessing_model, page_null

REFERENCE = Path(__file__).parents[1] / "reference"


def read(name):
    with open(REFERENCE / name, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def whole(text):
    return int(text) if text else None


# --- critical numbers, published ---


def test_triangle_numbers_are_those_of_the_published_table():
    rows = read("triangle_published.csv")
    assert len(rows) == 176
    for row in rows:
        found = difference.critical_number("triangle", int(row["n"]), level=float(row["alpha"]))
        assert found == whole(row["critical_count"]), row


def test_duo_trio_numbers_are_those_of_the_standard_but_for_its_misprints():
    off = {}
    rows = read("duotrio_published.csv")
    assert len(rows) == 200
    for row in rows:
        found = difference.critical_number("duo-trio", int(row["n"]), level=float(row["alpha"]))
        if found != whole(row["critical_count"]):
            off[int(row["n"]), float(row["alpha"])] = (whole(row["critical_count"]), found)
    # P(X >= 15 of 22) = 0.067 is over 0.05: the printed row is one too low (README)
    assert off == {(22, 0.2): (13, 14), (22, 0.1): (14, 15), (22, 0.05): (15, 16)}


@pytest.mark.parametrize(
    ("method", "test", "sided"),
    [
        ("triangle", "triangle", 1),
        ("duo-trio", "duo-trio", 1),
        ("paired-one-sided", "paired", 1),
        ("paired-two-sided", "paired", 2),
    ],
)
def test_exact_numbers_for_panels_up_to_a_hundred(method, test, sided):
    rows = [r for r in read("discrimination_critical_numbers.csv") if r["method"] == method]
    assert len(rows) > 400
    for row in rows:
        found = difference.critical_number(
            test, int(row["n"]), level=float(row["alpha"]), sided=sided
        )
        assert found == whole(row["critical_count"]), row


def test_numbers_of_the_trade_sheet():
    triangle = {6: 5, 8: 6, 10: 7, 12: 8, 15: 9, 18: 10, 20: 11, 24: 13, 30: 15, 36: 18}
    one = {6: 6, 8: 7, 10: 9, 12: 10, 15: 12, 20: 15, 24: 17, 30: 20, 36: 24}
    two = {8: 8, 10: 9, 12: 10, 20: 15, 30: 21, 40: 27}
    assert {n: difference.triangle(1, n).critical for n in triangle} == triangle
    assert {n: difference.duo_trio(1, n).critical for n in one} == one
    assert {n: difference.paired(1, n).critical for n in one} == one
    assert {n: difference.paired(1, n, sided=2).critical for n in two} == two


# --- models and intervals, by a second route ---


def by_integration(test, d):
    """The chance of a right answer as an integral over the impressions (Ennis 1993)."""
    phi, cap = stats.norm.pdf, stats.norm.cdf
    if test == "triangle":
        shift = d * np.sqrt(2 / 3)
        return integrate.quad(
            lambda z: 2 * (cap(-z * np.sqrt(3) + shift) + cap(-z * np.sqrt(3) - shift)) * phi(z),
            0,
            np.inf,
        )[0]
    if test == "paired":
        return integrate.quad(lambda z: cap(z + d) * phi(z), -np.inf, np.inf)[0]
    # duo-trio: reference r, its twin z away on either side, the other d away; right when the other
    # lies farther than z from r. Gauss-Legendre over r and z, smooth for z from 0 up
    nodes, weights = np.polynomial.legendre.leggauss(200)
    r, z = 8 * nodes[:, None], 8 * (nodes[None, :] + 1)
    farther = 1 - cap(r + z - d) + cap(r - z - d)
    density = phi(r) * (phi(r + z) + phi(r - z))
    return float(64 * weights @ (density * farther) @ weights)


@pytest.mark.parametrize("test", ["triangle", "duo-trio", "paired"])
@pytest.mark.parametrize("d", [0.0, 0.4, 1.0, 2.2])
def test_chance_of_a_right_answer_is_the_integral_over_impressions(test, d):
    model = guessing_model(test)
    assert model.chance(d) == pytest.approx(by_integration(test, d), abs=1e-8)
    assert model.d_prime(model.chance(d)) == pytest.approx(d, abs=1e-6)


def test_the_interval_of_d_prime_is_the_exact_interval_of_the_share_right():
    found = difference.triangle(13, 24)
    model = guessing_model("triangle")
    exact = stats.binomtest(13, 24).proportion_ci(0.95, method="exact")
    assert model.chance(found.d_prime_low) == pytest.approx(max(exact.low, 1 / 3), abs=1e-9)
    assert model.chance(found.d_prime_high) == pytest.approx(exact.high, abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 60), st.data())
def test_p_is_that_of_an_independent_binomial_test(n, data):
    right = data.draw(st.integers(0, n))
    one = stats.binomtest(right, n, 0.5, alternative="greater").pvalue
    two = stats.binomtest(right, n, 0.5).pvalue
    three = stats.binomtest(right, n, 1 / 3, alternative="greater").pvalue
    assert difference.paired(right, n).p == pytest.approx(one, rel=1e-9)
    assert difference.paired(right, n, sided=2).p == pytest.approx(two, rel=1e-9)
    assert difference.triangle(right, n).p == pytest.approx(three, rel=1e-9)


@settings(max_examples=30, deadline=None)
@given(st.sampled_from(["triangle", "duo_trio", "paired"]), st.integers(1, 60), st.data())
def test_settled_exactly_from_the_critical_number_on(name, n, data):
    right = data.draw(st.integers(0, n))
    for found in (
        getattr(difference, name)(right, n),
        getattr(difference, name)(right, n, likeness=0.3),
    ):
        if found.critical is None:
            assert not found.settled
        elif found.likeness is None:
            assert found.settled == (right >= found.critical)
        else:
            assert found.settled == (right <= found.critical)
        assert found.d_prime_low <= found.d_prime <= found.d_prime_high
        assert found.sentence.endswith(".")


def test_likeness_two_sided_is_two_one_sided_tests():
    # 48 of 100 either way: each direction against 0.5 + 0.5 * 0.3 = 0.65
    found = difference.paired(48, 100, sided=2, likeness=0.3)
    assert found.p == pytest.approx(stats.binom.cdf(52, 100, 0.65), rel=1e-12)
    assert found.critical == max(x for x in range(50, 101) if stats.binom.cdf(x, 100, 0.65) <= 0.05)


def test_power_is_counted_outcome_by_outcome():
    chance = 1 / 3 + 2 / 3 * 0.5
    counted = sum(
        stats.binom.pmf(x, 24, chance) for x in range(25) if difference.triangle(x, 24).settled
    )
    assert difference.power("triangle", 24, discriminators=0.5) == pytest.approx(counted)
    counted = sum(
        stats.binom.pmf(x, 30, guessing_model("paired").chance(1.0))
        for x in range(31)
        if difference.paired(x, 30, sided=2).settled
    )
    assert difference.power("paired", 30, d_prime=1.0, sided=2) == pytest.approx(counted)
    counted = sum(
        stats.binom.pmf(x, 60, 0.5)
        for x in range(61)
        if difference.paired(x, 60, sided=2, likeness=0.4).settled
    )
    assert difference.power("paired", 60, likeness=0.4, sided=2) == pytest.approx(counted)


def test_the_sample_size_is_where_power_stays_above():
    n = difference.sample_size("triangle", discriminators=0.4, chance=0.9)
    powers = [difference.power("triangle", m, discriminators=0.4) for m in range(n - 1, n + 80)]
    assert powers[0] < 0.9
    assert min(powers[1:]) >= 0.9


def test_a_hopeless_size_is_refused():
    with pytest.raises(TastingError, match="2000"):
        difference.sample_size("paired", discriminators=0.0)


# --- replicated ---


def test_without_guessing_the_likelihood_is_the_plain_beta_binomial():
    from trials.tasting.difference import _Likelihood

    hits, trials = np.array([3, 0, 4, 2]), np.array([4, 4, 5, 3])
    guess = 1e-12
    share, unlike = 0.45, 0.3
    total = 1 / unlike - 1
    plain = stats.betabinom.logpmf(hits, trials, share * total, (1 - share) * total).sum()
    assert _Likelihood(hits, trials, guess).at(share, unlike) == pytest.approx(plain, abs=1e-8)


def test_with_guessing_the_likelihood_is_the_integral_over_people():
    from trials.tasting.difference import _Likelihood

    share, unlike, guess = 0.4, 0.35, 1 / 3
    total = 1 / unlike - 1
    integral = integrate.quad(
        lambda t: (
            stats.binom.pmf(3, 4, guess + (1 - guess) * t)
            * stats.beta.pdf(t, share * total, (1 - share) * total)
        ),
        0,
        1,
        limit=200,
    )[0]
    found = _Likelihood(np.array([3]), np.array([4]), guess).at(share, unlike)
    assert np.exp(found) == pytest.approx(integral, rel=1e-6)


def test_replicated_finds_what_was_simulated():
    rng = np.random.default_rng(12)
    tell = rng.random(300) < 0.4  # 40 % always tell, the others never: as unlike as can be
    hits = np.where(tell, 12, rng.binomial(12, 1 / 3, 300))
    found = difference.replicated("triangle", hits.tolist(), 12)
    assert found.recognised_low < tell.mean() < found.recognised_high
    assert found.unlike > 0.8
    assert found.p_unlike < 1e-6


def test_replicated_sees_alike_people_as_alike():
    found = difference.replicated("duo-trio", [5, 5, 6, 5, 6, 5], 8)
    assert found.unlike == 0.0
    assert found.p_unlike == 1.0
    assert found.p == pytest.approx(stats.binom.sf(31, 48, 0.5))
    assert found.recognised == pytest.approx((32 / 48 - 0.5) / 0.5)


# --- ranking ---


def as_ranks(k, n):
    return np.tile(np.arange(1.0, k + 1), (n, 1))


def test_friedman_critical_values_are_the_tabled_ones():
    rows = [r for r in read("friedman_page_exact.csv") if r["test"] == "friedman"]
    assert len(rows) == 56
    for row in rows:
        k, n = int(row["k_samples"]), int(row["n_assessors"])
        squares, chances = friedman_null(as_ranks(k, n))
        statistic = 12 * (squares / 4) / (n * k * (k + 1)) - 3 * n * (k + 1)
        tail = chances[::-1].cumsum()[::-1]
        within = tail <= float(row["alpha"]) + 1e-12
        if not row["critical_value"]:
            assert not within.any(), row
            continue
        assert statistic[within].min() == pytest.approx(float(row["critical_value"]), rel=1e-5)
        assert tail[within].max() == pytest.approx(float(row["exact_p"]), rel=1e-5)


def test_page_critical_values_are_the_tabled_ones():
    rows = [r for r in read("friedman_page_exact.csv") if r["test"] == "page"]
    assert len(rows) > 150
    for row in rows:
        values, chances = page_null(as_ranks(int(row["k_samples"]), int(row["n_assessors"])))
        tail = chances[::-1].cumsum()[::-1]
        within = (tail <= float(row["alpha"]) + 1e-12) & (chances > 0)
        if not row["critical_value"]:
            assert not within.any(), row
            continue
        assert values[within].min() == float(row["critical_value"]), row
        assert tail[within].max() == pytest.approx(float(row["exact_p"]), rel=1e-5)


def test_page_and_friedman_count_every_order_with_ties_too():
    table = pd.DataFrame([[1, 2, 2], [1, 3, 2], [2, 1, 3]], columns=["B01", "B02", "B03"])
    found = difference.ranking(table, order=["B01", "B02", "B03"])
    ranks = np.array([[1, 2.5, 2.5], [1, 3, 2], [2, 1, 3]])
    from itertools import permutations

    every = [
        np.array(rows) for rows in product(*(list(permutations(row)) for row in ranks.tolist()))
    ]
    squares = np.array([(rows.sum(axis=0) ** 2).sum() for rows in every])
    page = np.array([rows.sum(axis=0) @ [1, 2, 3] for rows in every])
    assert found.exact
    assert found.p == pytest.approx((squares >= (ranks.sum(axis=0) ** 2).sum()).mean())
    assert found.page == ranks.sum(axis=0) @ [1, 2, 3]
    assert found.page_p == pytest.approx((page >= found.page).mean())


def test_friedman_statistic_is_scipys_with_ties():
    rng = np.random.default_rng(3)
    scores = pd.DataFrame(rng.integers(1, 6, (12, 7)), columns=list("abcdefg"))
    found = difference.ranking(scores)
    outside = stats.friedmanchisquare(*scores.to_numpy().T)
    assert not found.exact
    assert found.statistic == pytest.approx(outside.statistic)
    assert found.p == pytest.approx(outside.pvalue)


def test_page_is_scipys_where_it_is_exact():
    rng = np.random.default_rng(4)
    scores = pd.DataFrame(rng.random((6, 4)), columns=list("abcd"))
    found = difference.ranking(scores, order=list("abcd"))
    outside = stats.page_trend_test(scores.to_numpy(), method="exact")
    assert found.page == outside.statistic
    assert found.page_p == pytest.approx(outside.pvalue)


def test_least_difference_of_rank_sums():
    # TRADE: 1.96 sqrt(J p (p + 1) / 6), J = 12, p = 4, is 12.40
    table = pd.DataFrame(as_ranks(4, 12), columns=list("abcd"))
    found = difference.ranking(table)
    assert found.least_difference == pytest.approx(12.40, abs=0.005)
    assert found.differing["difference"].tolist() == [24.0, 36.0, 24.0]
    assert "a below c" in found.sentence


def test_everybody_ranking_all_alike_is_no_difference():
    found = difference.ranking(pd.DataFrame([[1, 1, 1]] * 4), order=[0, 1, 2])
    assert (found.statistic, found.p, found.page_p) == (0.0, pytest.approx(1.0), 1.0)


# --- bad input ---


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: difference.triangle(7, 6),
        lambda: difference.triangle(-1, 6),
        lambda: difference.triangle(2.5, 6),
        lambda: difference.triangle(True, 6),
        lambda: difference.triangle(0, 0),
        lambda: difference.triangle(3, 6, level=5),
        lambda: difference.triangle(3, 6, likeness=30),
        lambda: difference.paired(3, 6, sided=3),
        lambda: difference.power("two out of five", 6, d_prime=1.0),
        lambda: difference.power("triangle", 6),
        lambda: difference.power("triangle", 6, d_prime=-1.0),
        lambda: difference.power("triangle", 6, d_prime=1.0, discriminators=0.2),
        lambda: difference.critical_number("triangle", 6, sided=2),
        lambda: difference.replicated("triangle", [5], 4),
        lambda: difference.replicated("triangle", [1, 2], [4, 4, 4]),
        lambda: difference.replicated("triangle", [], 4),
        lambda: difference.ranking(pd.DataFrame([[1, 2], [1, None]])),
        lambda: difference.ranking(pd.DataFrame([[1, 2], [1, "best"]])),
        lambda: difference.ranking(pd.DataFrame([[1, 2]])),
        lambda: difference.ranking(pd.DataFrame([[1, 2], [2, 1]]), order=[0, 0]),
    ],
)
def test_what_can_not_be_is_refused(wrong):
    with pytest.raises(TastingError):
        wrong()


def test_names_become_no_markup():
    table = pd.DataFrame(as_ranks(3, 6), columns=["<b>x</b>", "y", "z"])
    assert "<b>" not in difference.ranking(table)._repr_html_()


# --- from sums of ranks alone ---


def test_sums_of_ranks_say_what_the_rankings_said():
    rng = np.random.default_rng(11)
    for bakes, tasters in ((3, 5), (4, 8), (5, 6), (9, 12)):
        names = [f"B{n:02d}" for n in range(bakes)]
        rows = np.array([rng.permutation(bakes) + 1 for _ in range(tasters)])
        table = pd.DataFrame(rows, columns=names)
        whole = difference.ranking(table, order=names)
        alone = difference.rank_sums(table.sum(), tasters, order=names)
        assert alone.sentence == whole.sentence
        assert (alone.p, alone.exact, alone.page_p) == (whole.p, whole.exact, whole.page_p)
        # scipy's Friedman statistic, an implementation that shares nothing with this one
        outside = stats.friedmanchisquare(*rows.T).statistic
        assert alone.statistic == pytest.approx(outside, rel=1e-12)


def test_sums_of_ranks_meet_the_tabled_chance():
    """Friedman 1937 as tabled: 3 bakes, 3 tasters who agree: 6.0, p = 0.028."""
    row = next(r for r in read("friedman_page_exact.csv") if r["critical_value"])
    assert (row["k_samples"], row["n_assessors"]) == ("3", "3")
    found = difference.rank_sums({"a": 3, "b": 6, "c": 9}, 3)
    assert found.statistic == float(row["critical_value"])
    assert found.p == pytest.approx(float(row["exact_p"]), rel=1e-5)


@pytest.mark.parametrize(
    ("sums", "tasters", "words"),
    [
        ({"a": 3, "b": 6, "c": 8}, 3, "add up to 17.*give 18"),
        ({"a": 2, "b": 6, "c": 10}, 3, "each bake between 3 and 9"),
        ({"a": 3}, 3, "two or more bakes"),
        ({"a": "x", "b": 6}, 3, "expected a number"),
        ({"a": 3, "b": 6}, 1, "tasters"),
    ],
)
def test_sums_that_can_not_be_are_refused(sums, tasters, words):
    with pytest.raises(TastingError, match=words):
        difference.rank_sums(sums, tasters)


# --- 3-AFC and tetrad ---


@pytest.mark.parametrize("test", ["3-AFC", "tetrad"])
def test_with_one_chance_in_three_they_share_the_table_of_the_triangle(test):
    """ASTM E3009 and ISO 4120: a guess is right one time in three in each."""
    for row in read("triangle_published.csv"):
        found = difference.critical_number(test, int(row["n"]), level=float(row["alpha"]))
        assert found == whole(row["critical_count"]), row


@pytest.mark.parametrize("d", [0.0, 0.5, 1.0, 2.0, 4.0])
def test_chances_are_those_of_people_who_compare_impressions(d):
    """The rule of each test played out (Ennis 1993; Ennis & Jesionka 2011); error 4 sd."""
    rng = np.random.default_rng(12)
    times = 200_000
    a, b = rng.normal(0, 1, (2, times)), rng.normal(d, 1, (2, times))
    afc = (b[0] > a.max(axis=0)).mean()
    tetrad = ((a.max(axis=0) < b.min(axis=0)) | (b.max(axis=0) < a.min(axis=0))).mean()
    for test, seen in (("3-AFC", afc), ("tetrad", tetrad)):
        chance = guessing_model(test).chance(d)
        assert abs(chance - seen) < 4 * np.sqrt(chance * (1 - chance) / times) + 1e-12
        assert guessing_model(test).d_prime(chance) == pytest.approx(d, abs=1e-6)


def test_a_tetrad_needs_about_a_third_of_the_people_of_a_triangle():
    """Ennis & Jesionka 2011, abstract; a 3-AFC, told what to look for, needs fewer still."""
    needed = {
        test: difference.sample_size(test, d_prime=1.0, chance=0.8)
        for test in ("triangle", "tetrad", "3-AFC")
    }
    assert 0.25 < needed["tetrad"] / needed["triangle"] < 0.4
    assert needed["3-AFC"] < needed["tetrad"]


def test_servings_of_a_tetrad_and_a_3_afc_are_balanced():
    people = [f"P{n}" for n in range(6)]
    four = difference.servings("tetrad", people, seed=1)
    assert four.groupby(["taster", "sample"]).size().eq(2).all()
    assert four.groupby("taster")["right"].sum().eq(1).all()
    firsts = four[four["place"] == 1]
    assert firsts["sample"].value_counts().eq(3).all()
    three = difference.servings("3-AFC", people, seed=1)
    assert three[three["right"]]["sample"].eq("new").all()
    assert three[three["right"]].groupby("place").size().eq(2).all()
    assert difference.three_afc(9, 12).settled
    assert difference.tetrad(9, 12).settled
