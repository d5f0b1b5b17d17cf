"""Sums over crossed or nested groups, without ever forming their indicator matrix.

With Z the matrix that says which groups a score belongs to (all groupings side by side), every
product below takes a number of steps in proportion to the scores.
"""

from itertools import pairwise

import numpy as np


class Groupings:
    """Which groups each score belongs to.

    Parameters
    ----------
    member : tuple of ndarray of int, shape (scores,)
        One per grouping, groups numbered from 0.

    Examples
    --------
    >>> two = Groupings((np.array([0, 0, 1]), np.array([0, 1, 1])))
    >>> two.sums(np.array([1.0, 2.0, 4.0]))
    array([3., 4., 1., 6.])
    >>> two.cross(np.ones(3))[:2, 2:]
    array([[1., 1.],
           [0., 1.]])
    """

    def __init__(self, member: tuple[np.ndarray, ...]) -> None:
        self.sizes = [int(each.max()) + 1 for each in member]
        ends = np.cumsum([0, *self.sizes])
        self.total = int(ends[-1])
        self.parts = [slice(a, b) for a, b in pairwise(ends)]
        self.at = [first + each for first, each in zip(ends[:-1], member, strict=True)]

    def each(self, values: np.ndarray) -> np.ndarray:
        """Return Z times values of groups, shape (groups,) or (groups, columns)."""
        if not self.at:
            return np.zeros(values.shape[1:])
        return sum(values[at] for at in self.at)

    def sums(self, values: np.ndarray) -> np.ndarray:
        """Return Z' times values of scores, shape (scores,) or (scores, columns)."""
        if values.ndim == 2:
            columns = [self.sums(column) for column in values.T]
            return np.column_stack(columns) if columns else np.zeros((self.total, 0))
        found = np.zeros(self.total)
        for at in self.at:
            found += np.bincount(at, weights=values, minlength=self.total)
        return found

    def cross(self, weights: np.ndarray) -> np.ndarray:
        """Return Z' diag(weights) Z."""
        found = np.zeros((self.total, self.total))
        for one in self.at:
            for other in self.at:
                place = one * self.total + other
                counts = np.bincount(place, weights=weights, minlength=self.total**2)
                found += counts.reshape(self.total, self.total)
        return found

    def diagonals(self, inner: np.ndarray, scale: np.ndarray) -> list[np.ndarray]:
        """Return, per grouping g, the diagonal of Z_g inner diag(scale) Z', one value per score."""
        scaled = inner * scale
        return [sum(scaled[one, other] for other in self.at) for one in self.at]
