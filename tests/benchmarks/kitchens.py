"""Invented kitchens with five factors of two levels, whose truth is known.

Coefficients are half the difference between the two settings, in points of liking; the first five
are the factors alone, the other ten their pairs. Tasters differ in level (sd 0.8), a taster's score
varies by 1.2, bakes by 0.5, scores are whole and from 1 to 9. Every choice is invented.
"""

import itertools
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trials.analysis.explanations import Priors
from trials.core.factors import Numeric
from trials.core.measures import Measure

NAMES = ("buckwheat", "hydration", "oil", "proof", "sugar")
FACTORS = tuple(Numeric(name, -1, 1) for name in NAMES)
PAIRS = tuple(itertools.combinations(range(5), 2))
TERMS = NAMES + tuple(f"{NAMES[i]}:{NAMES[j]}" for i, j in PAIRS)
CORNERS = np.array(list(itertools.product([-1.0, 1.0], repeat=5)))
LIKING = Measure("liking", "hedonic 9", goal="higher")
TASTERS = 6
TASTER_SD, SCORE_SD, BAKE_SD = 0.8, 1.2, 0.5
BELIEFS = Priors()
MOST_TERMS = 6


@dataclass(frozen=True)
class Kitchens:
    """A distribution of kitchens: how their coefficients are drawn.

    `kind` is "sparse" (two active factors, 0.35 to 0.9 either way, the others sd 0.08, and `pairs`
    pairs of 0.3 to 0.7 beside an active factor, or anywhere without heredity), "believed" (drawn
    from the beliefs that the kit itself states before any bake), or "normal" or "heavy tails"
    (every coefficient from one distribution, its spread drawn anew per kitchen).
    """

    name: str
    kind: str = "sparse"
    pairs: tuple[int, int] = (1, 2)
    heredity: bool = True

    def draw(self, generator):
        """Return the fifteen true coefficients of one kitchen."""
        if self.kind == "sparse":
            return self._sparse(generator)
        if self.kind == "believed":
            return believed(generator)
        alone, together = generator.uniform(0.15, 0.6), generator.uniform(0.05, 0.3)
        spread = np.repeat([alone, together], [5, 10])
        if self.kind == "normal":
            return generator.normal(0, spread)
        # Student's t on three degrees of freedom, with the same standard deviation
        return spread * generator.standard_t(3, 15) / np.sqrt(3)

    def _sparse(self, generator):
        alone = generator.normal(0, 0.08, 5)
        active = generator.choice(5, 2, replace=False)
        alone[active] = generator.choice([-1, 1], 2) * generator.uniform(0.35, 0.9, 2)
        together = np.zeros(len(PAIRS))
        number = generator.integers(self.pairs[0], self.pairs[1] + 1)
        near = [n for n, pair in enumerate(PAIRS) if not self.heredity or set(pair) & set(active)]
        chosen = generator.choice(near, number, replace=False)
        sizes = generator.uniform(0.3, 0.7, number)
        together[chosen] = generator.choice([-1, 1], number) * sizes
        return np.concatenate([alone, together])


def believed(generator, priors=BELIEFS):
    """Return coefficients drawn from stated beliefs, one to six terms at work."""
    while True:
        alone = generator.random(5) < priors.main
        parents = np.array([int(alone[i]) + int(alone[j]) for i, j in PAIRS])
        chances = np.choose(parents, [priors.no_parents, priors.some_parents, priors.all_parents])
        active = np.concatenate([alone, generator.random(len(PAIRS)) < chances])
        if 1 <= active.sum() <= MOST_TERMS:
            break
    size = generator.choice(
        priors.sizes, p=np.array(priors.size_weights) / sum(priors.size_weights)
    )
    error = np.sqrt(BAKE_SD**2 + SCORE_SD**2 / TASTERS)
    return active * generator.normal(0, size * error, len(active))


def columns(settings):
    """Return the factors and all their pairs."""
    return np.column_stack([settings, *(settings[:, i] * settings[:, j] for i, j in PAIRS)])


def half_fraction():
    """Return the sixteen bakes of 2^(5-1): every pair apart, nothing left for error."""
    four = np.array(list(itertools.product([-1.0, 1.0], repeat=4)))
    return np.column_stack([four, four.prod(axis=1)])


def twelve():
    """Return five columns of the twelve-run plan of Plackett & Burman 1946."""
    row = [1, 1, -1, 1, 1, 1, -1, -1, -1, 1, -1]
    return np.vstack([[np.roll(row, k) for k in range(11)], -np.ones(11)])[:, :5].astype(float)


def quarter_fraction():
    """Return the eight bakes of 2^(5-2)."""
    three = np.array(list(itertools.product([-1.0, 1.0], repeat=3)))
    return np.column_stack([three, three[:, 0] * three[:, 1], three[:, 0] * three[:, 2]])


def mixed_plan():
    """Return 24 bakes: the half fraction and the eight others that serve pairs best (D)."""
    half = half_fraction()
    others = np.array([row for row in CORNERS if not (half == row).all(axis=1).any()])
    best, chosen = -np.inf, None
    for pick in itertools.combinations(range(16), 8):
        plan = np.vstack([half, others[list(pick)]])
        X = np.column_stack([np.ones(24), columns(plan)])
        value = round(float(np.linalg.slogdet(X.T @ X)[1]), 9)
        if value > best:
            best, chosen = value, plan
    return chosen


def scores(settings, coefficients, generator):
    """Return a tidy table: every bake tasted by all."""
    bakes = len(settings)
    truth = 5.5 + columns(settings) @ coefficients + generator.normal(0, BAKE_SD, bakes)
    drawn = truth[:, None] + generator.normal(0, TASTER_SD, TASTERS)
    drawn = drawn + generator.normal(0, SCORE_SD, (bakes, TASTERS))
    table = pd.DataFrame(np.repeat(settings, TASTERS, axis=0), columns=list(NAMES))
    table["bake"] = np.repeat([f"B{n:02d}" for n in range(1, bakes + 1)], TASTERS)
    table["taster"] = np.tile([f"taster {n}" for n in range(1, TASTERS + 1)], bakes)
    return table.assign(liking=np.clip(np.round(drawn), 1, 9).ravel())


def importance(coefficients):
    """Return for each factor the largest difference it makes at any setting of the others."""
    liking = columns(CORNERS) @ coefficients
    high, low = CORNERS > 0, CORNERS < 0
    # Rows come in the order of the corners, so the others agree row by row
    return np.array([np.abs(liking[high[:, at]] - liking[low[:, at]]).max() for at in range(5)])
