"""The half-normal picture: the published example, and names that never touch."""

import json
from itertools import combinations
from pathlib import Path

import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from trials.analysis.fitting import fit
from trials.base.errors import FitError
from trials.core.factors import Categorical, Numeric
from trials.deciding.rehearsal import rehearse
from trials.design.factorial import full_factorial
from trials.show.effects import half_normal

REFERENCE = Path(__file__).parents[1] / "reference"


@pytest.fixture(scope="module")
def filtration():
    # Montgomery, filtration rate 2^4
    known = json.loads((REFERENCE / "two_level_expected.json").read_text(encoding="utf-8"))
    model = list(known["filtration"]["effects"])
    table = pd.read_csv(REFERENCE / "filtration_2p4.csv")
    return fit(table, "y", list("ABCD"), model=model, groups=())


def boxes(figure):
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    texts = [one for one in figure.axes[0].texts if one.get_text()]
    return [one.get_window_extent(canvas.get_renderer()) for one in texts]


def test_published_effects_stand_out(filtration):
    picture = half_normal(filtration)
    assert "A +22, A with C −18, A with D +17, D +15 and C +10 stand out" in picture.text
    # Fifteen effects at half-normal scores of (rank - 1/2) / 15 (Daniel 1959)
    drawn = [one.get_offsets() for one in picture.figure.axes[0].collections]
    assert sum(len(one) for one in drawn) == 15


@pytest.mark.parametrize("count", [4, 5, 6])
def test_names_do_not_touch(count):
    factors = [Numeric(f"a longer name {n}", 0, 1) for n in range(count)]
    plan = full_factorial(factors, seed=1)
    model = [
        ":".join(f.name for f in chosen)
        for k in range(1, count + 1)
        for chosen in combinations(factors, k)
    ]
    scores = rehearse(plan, {factors[0].name: 2.0, factors[1].name: -1.5}, tasters=2, seed=4)
    found = fit(scores, "liking", factors, model=model)
    placed = boxes(half_normal(found).figure)
    assert len(placed) >= 5
    assert not any(one.overlaps(other) for one, other in combinations(placed, 2))


def test_effects_with_unlike_errors_are_refused():
    table = pd.DataFrame(
        {"rest": [20, 20, 20, 60, 60, 60], "fat": list("abcabc"), "y": [1.0, 2, 4, 3, 5, 9]}
    )
    with pytest.raises(FitError, match="several levels"):
        half_normal(fit(table, "y", ["rest", Categorical("fat", list("abc"))], model="main"))
    table = pd.DataFrame(
        {"a": [0, 0, 0, 1], "b": [0, 1, 1, 1], "c": [0, 1, 0, 1], "y": [1, 2, 4, 3]}
    )
    with pytest.raises(FitError, match="not in balance"):
        half_normal(fit(table, "y", ["a", "b", "c"], model="main"))
