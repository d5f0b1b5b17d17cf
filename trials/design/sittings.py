"""One sitting or two: what it gains to bake a part, taste it, and choose the rest then."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trials.core.exclusion import Exclude, Exclusion
from trials.core.factors import Factor
from trials.core.plan import Plan
from trials.core.roles import Role
from trials.core.terms import model_matrix, model_terms, real_settings
from trials.design.candidates import candidates
from trials.design.power import SCORE_SD, STRAY, TASTE_SD, USUAL

KITCHENS = 1000  # that are invented
MOST_SETTINGS = 128  # among which the best is looked for
_DRAWS = 100  # of what is believed, for how likely each setting is the best
_SEED = 1954


@dataclass(frozen=True)
class TwoSittings:
    """What two sittings gain over one of as many bakes, in points of liking.

    Parameters
    ----------
    first, later : int
        Bakes of each sitting.
    gain : float
        How much better the setting chosen at the end is, in the mean over invented kitchens.
    error : float
        The simulation error (one standard deviation) of that mean.
    kitchens : int
    """

    first: int
    later: int
    gain: float
    error: float
    kitchens: int

    @property
    def worth_it(self) -> bool:
        """Whether the gain is there beyond the error of the rehearsal, and can be spoken of."""
        return self.gain > max(2 * self.error, 0.02)


def two_sittings(
    whole: Plan,
    part: Plan,
    *,
    worth: float,
    tasters: int,
    sd_bake: float | None = None,
    exclude: Exclude = None,
    kitchens: int = KITCHENS,
    seed: int = _SEED,
) -> TwoSittings:
    """Return what it gains to bake a part first and choose the rest when it is tasted.

    Kitchens are invented: a single change makes a difference with a standard deviation of what is
    worth noticing, a pair half of that. In each, all bakes of `whole` are scored at once; and those
    of `part`, after which the rest is chosen where the contest between the settings that may be
    best is narrowed most, on a day with a level of its own. At the end of each the setting expected
    to be best is taken; the gain is how much better the second one truly is, in the same kitchens
    with the same luck.

    References
    ----------
    Raiffa & Schlaifer 1961, Applied Statistical Decision Theory (preposterior analysis); Chaloner
    1984, Ann. Stat. 12:283 (bakes that narrow a weighted belief).
    """
    factors = whole.factors
    terms = model_terms("interactions", factors)
    pool = _pool(factors, exclude)
    at = model_matrix(terms, factors, pool)
    orders = np.array([0 if place < 0 else at.terms[place].order for place in at.owner])
    # A coefficient is half the difference between low and high
    sizes = np.choose(orders, [10.0, worth / 2, STRAY * worth / 2])
    bake = USUAL["bake"] if sd_bake is None else sd_bake
    error = bake**2 + (TASTE_SD**2 + SCORE_SD**2) / tasters
    later = whole.count() - part.count()
    rng = np.random.default_rng(seed)
    bakes = {one: _rows(one, terms) for one in (whole, part)}
    prior = np.diag(sizes**2)
    centred = at.X - at.X.mean(axis=0)
    found = np.empty((kitchens, 2))
    for kitchen in range(kitchens):
        truth = sizes * rng.standard_normal(len(sizes))
        luck = np.sqrt(error) * rng.standard_normal(whole.count())
        day = USUAL["day"] * rng.standard_normal()
        once = _believed(bakes[whole], bakes[whole] @ truth + luck, prior, error)
        mean, cov = _believed(bakes[part], bakes[part] @ truth + luck[: part.count()], prior, error)
        chosen = at.X[_contested(at.X, mean, cov, error, later, rng)]
        mean, _ = _updated(mean, cov, chosen, chosen @ truth + luck[part.count() :] + day, error)
        # What a setting is worth is what is expected of it then: the mean over all such truths
        found[kitchen] = [(centred @ one).max() for one in (once[0], mean)]
    gained = found[:, 1] - found[:, 0]
    spread = float(gained.std(ddof=1) / np.sqrt(kitchens))
    return TwoSittings(part.count(), later, float(gained.mean()), spread, kitchens)


def _pool(factors: Sequence[Factor], exclude: Exclude) -> pd.DataFrame:
    """Return the settings among which the best is looked for."""
    rules = Exclusion(factors, exclude)
    rng = np.random.default_rng(_SEED)
    coded = candidates(factors, model_terms("interactions", factors), rules).listed(rng)
    if len(coded) > MOST_SETTINGS:
        coded = coded[np.sort(rng.choice(len(coded), MOST_SETTINGS, replace=False))]
    return pd.DataFrame(real_settings(factors, coded))


def _rows(plan: Plan, terms: Sequence) -> np.ndarray:
    bakes = plan.table[plan.table["role"] != Role.REFERENCE].reset_index(drop=True)
    return model_matrix(terms, plan.factors, bakes).X


def _believed(
    X: np.ndarray, y: np.ndarray, prior: np.ndarray, error: float
) -> tuple[np.ndarray, np.ndarray]:
    cov = np.linalg.inv(np.linalg.inv(prior) + X.T @ X / error)
    return cov @ X.T @ y / error, cov


def _contested(
    at: np.ndarray,
    mean: np.ndarray,
    cov: np.ndarray,
    error: float,
    bakes: int,
    rng: np.random.Generator,
) -> list[int]:
    """Return the bakes that narrow the contest between the settings that may be best."""
    root = np.linalg.cholesky(cov)
    drawn = at @ (mean[:, None] + root @ rng.standard_normal((len(mean), _DRAWS)))
    chances = np.bincount(drawn.argmax(axis=0), minlength=len(at)) / _DRAWS
    centred = at - chances @ at
    weight = centred.T @ (chances[:, None] * centred)
    chosen = []
    # The level of the new day is known only as far as days usually differ
    at = np.column_stack([at, np.ones(len(at))])
    cov = np.pad(cov, (0, 1))
    cov[-1, -1] = USUAL["day"] ** 2
    weight = np.pad(weight, (0, 1))
    for _ in range(bakes):
        toward = at @ cov
        drop = np.einsum("ij,jk,ik->i", toward, weight, toward)
        drop /= error + np.einsum("ij,ij->i", toward, at)
        chosen.append(int(np.argmax(np.round(drop, 12))))
        own = cov @ at[chosen[-1]]
        cov = cov - np.outer(own, own) / (error + at[chosen[-1]] @ own)
    return chosen


def _updated(
    mean: np.ndarray, cov: np.ndarray, X: np.ndarray, y: np.ndarray, error: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return what is believed after bakes of a new day, its level known to its usual spread."""
    spread = X @ cov @ X.T + error * np.eye(len(X)) + USUAL["day"] ** 2
    gain = np.linalg.solve(spread, X @ cov).T
    return mean + gain @ (y - X @ mean), cov - gain @ X @ cov
