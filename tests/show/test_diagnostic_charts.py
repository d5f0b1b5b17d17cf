"""Pictures of what is left over: the numbers on the axes and the words beside them."""

import numpy as np
import pandas as pd
import pytest

from trials.analysis.diagnostics import diagnostics
from trials.analysis.fitting import fit
from trials.base.errors import FitError
from trials.show.bakes import influence, residuals


@pytest.fixture(scope="module")
def found():
    rng = np.random.default_rng(5)
    table = pd.DataFrame(
        {
            "bake": [f"B{n:02d}" for n in range(1, 17)],
            "day": [1] * 8 + [2] * 8,
            "rest": [20, 60] * 8,
            "spread": 60 + rng.normal(0, 1, 16),
        }
    )
    table.loc[4, "spread"] += 12
    return diagnostics(fit(table, "spread", ["rest"]))


def test_every_bake_stands_in_baking_order(found):
    picture = residuals(found)
    left, right = picture.figure.axes[:2]
    drawn = next(line for line in left.lines if line.get_marker() == "o")
    assert drawn.get_ydata() == pytest.approx(found.bakes["residual"].to_numpy())
    said = [text.get_text() for text in left.texts]
    assert [one for one in said if one.startswith("B")] == ["B05"]
    assert [one for one in said if one.startswith("day")] == ["day 1", "day 2"]
    names = [label.get_text() for label in left.get_xticklabels()]
    assert names == found.bakes["bake"].tolist()
    assert "Far out: B05 (+" in picture.text
    assert "16 bakes" in picture.text
    sorted_dots = next(line for line in right.lines if line.get_marker() == "o")
    assert (np.diff(sorted_dots.get_ydata()) >= 0).all()


def test_the_bake_that_moves_most_is_told(found):
    picture = influence(found)
    assert "most of all B05" in picture.text
    assert picture.png().startswith(b"\x89PNG")


def test_nothing_to_leave_out():
    table = pd.DataFrame({"rest": [20, 60] * 4, "spread": [60, 61, 63, 62, 60, 64, 61, 62.0]})
    with pytest.raises(FitError, match="nothing to draw"):
        influence(diagnostics(fit(table, "spread", ["rest"])))
