"""Pictures of tasters: the numbers on the axes and the words beside them."""

import numpy as np
import pandas as pd
import pytest

from trials.analysis.fitting import fit
from trials.analysis.tasters import describe_tasters
from trials.base.errors import FitError
from trials.show.tasters import places, tasters


def scored(names, seed=2):
    rng = np.random.default_rng(seed)
    quality = rng.normal(6, 1, 8)
    rows = [
        (name, place, f"B{bake:02d}", 20 + 40 * (bake % 2), quality[bake] + rng.normal(0, 0.5))
        for name in names
        for place, bake in enumerate(rng.permutation(8), start=1)
    ]
    return pd.DataFrame(rows, columns=["taster", "place", "bake", "rest", "liking"])


def described(names):
    table = scored(names)
    return describe_tasters(fit(table, "liking", ["rest"]))


def test_a_panel_for_each():
    found = described(["Ada", "Ben", "Cy", "Dee"])
    picture = tasters(found)
    titles = [axes.get_title(loc="left") for axes in picture.figure.axes if axes.lines]
    assert [title.split()[0] for title in titles] == ["Ada", "Ben", "Cy", "Dee"]
    own = found.bakes[found.bakes["taster"] == "Ada"]
    dots = picture.figure.axes[0].collections[0].get_offsets()
    assert np.asarray(dots) == pytest.approx(own[["others", "own"]].to_numpy())
    assert any(text.get_text().startswith("Good:") for text in picture.figure.texts)
    assert f"Ada {found.table['agreement'].iloc[0]:.2f}" in picture.text


def test_many_tasters_are_cut_off_with_a_word():
    picture = tasters(described([f"T{n}" for n in range(14)]))
    assert "2 more are not drawn." in picture.text


def test_the_mean_of_every_place():
    found = described(["Ada", "Ben", "Cy", "Dee"])
    picture = places(found)
    thick = max(picture.figure.axes[0].lines, key=lambda line: line.get_linewidth())
    means = found.places.groupby("place")["apart"].mean()
    assert thick.get_ydata() == pytest.approx(means.to_numpy())
    assert "All tasters together" in picture.text
    # The two whose scores change most along the sitting are named, and nobody else
    change = {
        name: abs(own.iloc[-1] - own.iloc[0])
        for name, own in found.places.groupby(["taster", "place"])["apart"].mean().groupby("taster")
    }
    named = {text.get_text() for text in picture.figure.axes[0].texts}
    assert named == set(sorted(change, key=change.get)[-2:])


def test_what_can_not_be_drawn():
    table = scored(["Ada", "Ben"])
    found = describe_tasters(fit(table.drop(columns="place"), "liking", ["rest"]))
    with pytest.raises(FitError, match="no position"):
        places(found)
    with pytest.raises(FitError, match="nobody to agree with"):
        tasters(described(["Ada"]))
