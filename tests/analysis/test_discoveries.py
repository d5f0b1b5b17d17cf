"""Many effects at once: which stand, by the published example."""

import numpy as np
import pandas as pd
import pytest

from trials.analysis.comparing import controlled
from trials.analysis.fitting import fit
from trials.base.errors import FitError


def test_false_discoveries_by_hand():
    """Benjamini & Hochberg 1995, section 3.2: fifteen p values, four stand at 5 %."""
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240]
    p += [0.4262, 0.5719, 0.6528, 0.7590, 1.0]
    rng = np.random.default_rng(1)
    table = pd.DataFrame({"variant": list("AB") * 8, "liking": rng.normal(6, 1, 16)})
    found = fit(table, "liking", ["variant"])
    effects = pd.concat([found.effects] * 15, ignore_index=True).assign(p=p)
    many = type(found)(**{**vars(found), "effects": effects})
    table = controlled(many)
    assert table["stands"].sum() == 4
    assert table["low"].notna().sum() == 4
    assert (table["verdict"][4:] == "not settled").all()
    with pytest.raises(FitError, match="between 0 and 1"):
        controlled(many, share=5)


def test_all_measures_count_together():
    """By hand: 0.01 and 0.04 alone would both stand; among four with 0.9 only the first does."""
    rng = np.random.default_rng(2)
    table = pd.DataFrame({"a": [0, 1] * 8, "b": [0, 0, 1, 1] * 4, "liking": rng.normal(6, 1, 16)})
    found = fit(table, "liking", ["a", "b"], model="main")
    first, second = (
        type(found)(**{**vars(found), "effects": found.effects.assign(p=p)})
        for p in ([0.01, 0.04], [0.9, 0.9])
    )
    assert controlled(first)["stands"].tolist() == [True, True]
    both = controlled({"liking": first, "crispness": second})
    assert both["stands"].tolist() == [True, False, False, False]
    assert both["response"].tolist() == ["liking"] * 2 + ["crispness"] * 2
