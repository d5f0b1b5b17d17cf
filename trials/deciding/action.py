"""One thing to do with the next bakes."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, eq=False)
class Action:
    """One thing to do with the next bakes.

    Parameters
    ----------
    name : str
        In kitchen words.
    X : ndarray, shape (bakes, factors)
        Coded settings.
    why : str
        A sentence on what the bakes are for.
    controls : int
        Reference bakes beside them.
    """

    name: str
    X: np.ndarray
    why: str
    controls: int = 0
