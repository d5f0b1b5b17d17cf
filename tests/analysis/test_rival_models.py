import itertools
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, linalg, stats

from trials.analysis.explanations import Candidate, Priors, average_models, find_aliases
from trials.base.errors import FitError

REFERENCE = Path(__file__).parents[1] / "reference"


def factorial(k):
    return np.array(list(itertools.product([-1.0, 1.0], repeat=k)))[:, ::-1]


def two_level_terms(plan, names):
    mains = [Candidate(name, plan[:, at]) for at, name in enumerate(names)]
    pairs = [
        Candidate(f"{names[i]}:{names[j]}", plan[:, i] * plan[:, j], (names[i], names[j]))
        for i, j in itertools.combinations(range(len(names)), 2)
    ]
    return mains + pairs


@pytest.fixture
def filtration():
    data = pd.read_csv(REFERENCE / "filtration_2p4.csv")
    plan = data[list("ABCD")].to_numpy(dtype=float)
    return data["y"].to_numpy(dtype=float), two_level_terms(plan, "ABCD")


def log_marginal_by_integration(y, X, size):
    """Integrate coefficients in a dense normal density, then the error by quadrature.

    Contrasts of the bakes stand for a mean about which nothing is known.
    """
    contrasts = linalg.null_space(np.ones((1, len(y)))).T
    y, X = contrasts @ y, contrasts @ X

    def density(log_sd):
        shape = math.exp(2 * log_sd) * (np.eye(len(y)) + size**2 * X @ X.T)
        return stats.multivariate_normal.pdf(y, np.zeros(len(y)), shape)

    return math.log(integrate.quad(density, -4, 4, epsrel=1e-9, limit=200)[0])


def test_probabilities_of_models_are_those_of_the_integral():
    # Independent route: numerical integration over the error of the dense normal density.
    plan = factorial(3)
    terms = two_level_terms(plan, "ABC")[:3]
    y = np.array([1.0, 2.9, 0.7, 2.4, 1.6, 3.1, 0.4, 2.2])
    priors = Priors(sizes=(1.5,), size_weights=(1.0,))
    found = average_models(y, terms, priors=priors)
    logs = {}
    for size in range(4):
        for held in itertools.combinations("ABC", size):
            X = plan[:, ["ABC".index(name) for name in held]]
            prior = size * math.log(priors.main) + (3 - size) * math.log(1 - priors.main)
            logs[held] = log_marginal_by_integration(y, X, 1.5) + prior
    total = np.logaddexp.reduce(list(logs.values()))
    for terms_held, probability in zip(
        found.models["terms"], found.models["probability"], strict=True
    ):
        assert probability == pytest.approx(math.exp(logs[terms_held] - total), rel=1e-5)


def test_every_model_of_weak_heredity_is_there_once(filtration):
    y, terms = filtration
    found = average_models(y, terms, largest=5)
    names = [term.name for term in terms]
    allowed = [
        held
        for size in range(6)
        for held in itertools.combinations(names, size)
        if all(":" not in name or set(name.split(":")) & set(held) for name in held)
    ]
    assert sorted(found.models["terms"]) == sorted(allowed)
    assert found.models["probability"].sum() == pytest.approx(1, rel=1e-12)
    assert found.complete


def test_strong_heredity_needs_both_parents(filtration):
    y, terms = filtration
    found = average_models(y, terms, priors=Priors(some_parents=0.0))
    for held in found.models["terms"]:
        assert all(set(name.split(":")) <= set(held) for name in held if ":" in name)


def test_the_filtration_model_of_the_textbook_is_the_best(filtration):
    # Montgomery keeps A, C, D, AC and AD; reduced-model coefficients from R 4.2.2.
    found = average_models(*filtration)
    assert set(found.models["terms"][0]) == {"A", "C", "D", "A:C", "A:D"}
    averaged = found.coefficients.set_index("term")["estimate"]
    published = {"A": 10.8125, "C": 4.9375, "D": 7.3125, "A:C": -9.0625, "A:D": 8.3125}
    for term, value in published.items():
        # Averaging shrinks toward zero, by less than a tenth here.
        assert 0.9 < averaged[term] / value <= 1
    assert found.blocks[0] == pytest.approx(70.0625, rel=1e-10)


def test_confounded_explanations_share_their_probability_and_are_named():
    plan = factorial(3)
    plan = np.column_stack([plan, plan.prod(axis=1)])
    terms = two_level_terms(plan, "ABCD")
    y = 5 + plan[:, 0] + plan[:, 2] + 0.8 * plan[:, 0] * plan[:, 1]
    y = y + np.array([0.1, -0.1, 0.05, 0.0, -0.05, 0.1, -0.1, 0.0])
    found = average_models(y, terms)
    probability = found.models.set_index("terms")["probability"]
    # AB = CD in a 2^(4-1) with D = ABC: both have one parent in, so they must be equals.
    assert probability["A", "C", "A:B"] == pytest.approx(probability["A", "C", "C:D"], rel=1e-9)
    rivals = found.rivals(within=1.0)
    assert {("A", "C", "A:B"), ("A", "C", "C:D")} <= set(rivals["terms"])
    pairs = found.aliases[found.aliases["fully"]]
    assert {*zip(pairs["term"], pairs["other"], strict=True)} == {
        ("A:B", "C:D"), ("A:C", "B:D"), ("A:D", "B:C")
    }  # fmt: skip
    assert any("A:B can not be told apart from C:D" in said for said in found.sentences())


def test_moments_agree_with_draws(filtration):
    found = average_models(*filtration)
    drawn = found.draws(40_000, seed=3)
    sd = found.coefficients["sd"].to_numpy()
    error = np.abs(drawn.coefficients.mean().to_numpy() - found.coefficients["estimate"])
    assert (error < 5 * sd / 200).all()
    np.testing.assert_allclose(drawn.coefficients.std(), sd, rtol=0.1)
    assert drawn.blocks.mean() == pytest.approx(found.blocks[0], abs=0.05)
    again = found.draws(10, seed=3)
    assert again.coefficients.equals(found.draws(10, seed=3).coefficients)


def test_the_unit_of_the_response_does_not_matter(filtration):
    y, terms = filtration
    plain, scaled = average_models(y, terms), average_models(y * 1e-200, terms)
    np.testing.assert_allclose(scaled.models["probability"], plain.models["probability"], rtol=1e-6)
    np.testing.assert_allclose(
        scaled.coefficients["estimate"] * 1e200, plain.coefficients["estimate"], rtol=1e-9
    )


def test_the_names_and_the_coding_of_kinds_do_not_matter():
    fat = np.array([0, 1, 2] * 4)
    oil = np.repeat([-1.0, 1.0], 6)
    y = np.array([1.0, 0.2, 2.1, 1.1, 0.1, 2.4, 0.8, 0.4, 1.9, 1.3, 0.0, 2.2])
    shares = []
    for order in ([0, 1, 2], [2, 0, 1]):
        contrasts = np.vstack([np.eye(2), -np.ones(2)])[order]
        terms = [Candidate("oil", oil), Candidate("fat", contrasts[fat])]
        found = average_models(y, terms)
        shares.append(found.activity["probability"].to_numpy())
        kinds = contrasts @ found.coefficients.query("term == 'fat'")["estimate"].to_numpy()
        shares.append(kinds)
    np.testing.assert_allclose(shares[0], shares[2], rtol=1e-9)
    np.testing.assert_allclose(shares[1], shares[3], rtol=1e-9)


def test_a_load_hides_what_changes_only_between_loads():
    loads = np.repeat(np.eye(4), 4, axis=0)
    oil = np.repeat([-1.0, 1.0, 1.0, -1.0], 4)
    rest = np.tile([-1.0, 1.0], 8)
    y = 5 + 0.6 * oil + 0.6 * rest + np.tile([0.3, -0.2, 0.1, -0.3, 0.1], 4)[:16]
    terms = [Candidate("oil", oil), Candidate("rest", rest)]
    free = average_models(y, terms).coefficients["sd"]
    loaded = average_models(y, terms, covariances=[np.eye(16) + 4 * loads @ loads.T])
    assert loaded.coefficients["sd"][0] > 2 * free[0]
    assert loaded.coefficients["sd"][1] < 1.2 * free[1]


def test_a_term_that_only_the_days_could_explain_keeps_its_prior():
    day = np.repeat([0.0, 1.0], 4)
    oil = np.repeat([-1.0, 1.0], 4)
    rest = np.tile([-1.0, 1.0], 4)
    y = np.array([1, 2, 1.1, 2.2, 3, 4.1, 3.1, 4.0])
    blocks = np.column_stack([1 - day, day])
    found = average_models(y, [Candidate("oil", oil), Candidate("rest", rest)], blocks=blocks)
    assert found.activity["probability"][0] == pytest.approx(found.activity["prior"][0], rel=1e-9)
    assert found.aliases.loc[0, ["term", "other"]].tolist() == ["oil", "blocks"]


def test_a_square_comes_only_with_its_factor_and_a_hill_is_found():
    rest = np.array([-1.0, 0.0, 1.0] * 4)
    oil = np.repeat([-1.0, 1.0], 6)
    y = 6 - 1.2 * rest**2 + 0.2 * rest + np.tile([0.1, -0.15, 0.05, -0.1, 0.12], 3)[:12]
    terms = [
        Candidate("oil", oil),
        Candidate("rest", rest),
        Candidate("rest^2", rest**2, ("rest",)),
    ]
    found = average_models(y, terms)
    assert all("rest" in held for held in found.models["terms"] if "rest^2" in held)
    square = found.coefficients.set_index("term").loc["rest^2"]
    assert square["estimate"] == pytest.approx(-1.2, abs=0.2)
    # The mean of the blocks is the liking at the middle setting, where the columns are zero.
    assert found.blocks[0] == pytest.approx(6, abs=0.2)
    assert found.activity.set_index("term").loc["rest^2", "probability"] > 0.95


def test_half_mixed_terms_are_listed_with_their_correlation():
    # Plackett & Burman 1946, 12 runs: a main effect and a pair without it correlate by 1/3.
    row = [1, 1, -1, 1, 1, 1, -1, -1, -1, 1, -1]
    plan = np.vstack([[np.roll(row, k) for k in range(11)], -np.ones(11)])[:, :3].astype(float)
    table = find_aliases(two_level_terms(plan, "ABC"), np.ones((12, 1)))
    mixed = table[(table["term"] == "A") & (table["other"] == "B:C")]
    assert mixed["correlation"].item() == pytest.approx(1 / 3, rel=1e-12)
    assert not table["fully"].any()


@pytest.mark.parametrize(
    ("y", "words"),
    [
        (np.full(8, 5.0), "same for every bake"),
        (np.zeros(8), "every response is 0"),
        (np.array([1, 2, 3, 4, 5, 6, 7, np.nan]), "not a finite number"),
    ],
)
def test_responses_that_say_nothing_are_refused(y, words):
    with pytest.raises(FitError, match=words):
        average_models(y, two_level_terms(factorial(3), "ABC"))


def test_an_unknown_parent_and_too_few_bakes_are_refused():
    plan = factorial(2)
    with pytest.raises(FitError, match='needs "fat"'):
        average_models(np.arange(4.0), [Candidate("fat^2", plan[:, 0], ("fat",))])
    with pytest.raises(FitError, match="too few"):
        average_models(np.arange(3.0), [Candidate("fat", plan[:3, 0])])
