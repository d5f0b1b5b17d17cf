"""Powers of a response, against Box & Cox's own example and scipy."""

import numpy as np
import pytest
from scipy import stats

from trials.analysis.diagnostics import power_scale
from trials.analysis.mixed import RandomTerm
from trials.base.errors import FitError

# Box & Cox 1964, Table 1: survival times in units of ten hours; three poisons by four treatments
SURVIVAL = """
0.31 0.45 0.46 0.43  0.82 1.10 0.88 0.72  0.43 0.45 0.63 0.76  0.45 0.71 0.66 0.62
0.36 0.29 0.40 0.23  0.92 0.61 0.49 1.24  0.44 0.35 0.31 0.40  0.56 1.02 0.71 0.38
0.22 0.21 0.18 0.23  0.30 0.37 0.38 0.29  0.23 0.25 0.24 0.22  0.30 0.36 0.31 0.33
"""


def test_survival_times_call_for_their_inverse():
    """Box & Cox 1964, section 5 (from memory): power -0.75, additive model, inverse suggested."""
    y = np.array(SURVIVAL.split(), dtype=float)
    poison, treatment = np.repeat(np.arange(3), 16), np.tile(np.repeat(np.arange(4), 4), 3)
    X = np.hstack([np.ones((48, 1)), np.eye(3)[poison][:, 1:], np.eye(4)[treatment][:, 1:]])
    found = power_scale(y, X)
    assert found.power == pytest.approx(-0.75, abs=0.005)
    assert found.low < -1 < found.high < 0
    assert found.words == "its inverse"


def test_against_scipy_without_settings():
    rng = np.random.default_rng(3)
    y = rng.gamma(3.0, 2.0, 60)
    found = power_scale(y, np.ones((60, 1)))
    _, power, interval = stats.boxcox(y, alpha=0.05)
    assert found.power == pytest.approx(power, abs=1e-4)
    assert (found.low, found.high) == pytest.approx(interval, abs=1e-4)


@pytest.mark.parametrize("unit", [1e-6, 1.0, 1e6])
def test_units_do_not_matter(unit):
    rng = np.random.default_rng(3)
    y, bake = np.exp(rng.normal(0, 0.7, 12).repeat(3) + rng.normal(0, 0.3, 36)), np.arange(36) // 3
    found = power_scale(y * unit, np.ones((36, 1)), [RandomTerm("bake", bake)])
    plain = power_scale(y, np.ones((36, 1)), [RandomTerm("bake", bake)])
    assert found.power == pytest.approx(plain.power, abs=1e-6)
    assert found.low < 0 < found.high


def test_zero_has_no_logarithm():
    with pytest.raises(FitError, match="above zero"):
        power_scale(np.array([0.0, 1, 2]), np.ones((3, 1)))
