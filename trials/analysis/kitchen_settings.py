"""What a kitchen can set: the places of a dial, and shares that are weighed and sum to one."""

from collections.abc import Sequence

import numpy as np

from trials.factors import Categorical, Component, Factor, Numeric

STEPS_IN_RANGE = 15  # a dial is set to about this many places (common practice, no source)
SHARE_STEP = 0.01
NEAR = 1e-9


def kitchen_step(span: float) -> float:
    """Return a round step (1, 2 or 5) that parts a range into fifteen or some more.

    Examples
    --------
    >>> kitchen_step(15), kitchen_step(40), kitchen_step(2)
    (1.0, 2.0, 0.1)
    """
    ideal = span / STEPS_IN_RANGE
    power = 10.0 ** np.floor(np.log10(ideal) + NEAR)
    return float(max(step for step in (1, 2, 5) if step * power <= ideal * (1 + NEAR)) * power)


def dial_values(factor: Factor, exact: bool) -> np.ndarray | None:
    """Return the coded settings that a kitchen can make; None where any number will do.

    Examples
    --------
    >>> dial_values(Numeric("rest", 20, 60, "min", step=20), exact=False)
    array([-1.,  0.,  1.])
    """
    if isinstance(factor, Categorical):
        return np.arange(len(factor.levels), dtype=float)
    assert isinstance(factor, Numeric)
    if factor.settings:
        return factor.code(factor.settings)
    if factor.step:
        places = np.arange(np.floor((factor.high - factor.low) / factor.step + NEAR) + 1)
        real = factor.low + places * factor.step
    elif exact:
        return None
    else:
        step = kitchen_step(factor.high - factor.low)
        first, last = np.ceil(factor.low / step - NEAR), np.floor(factor.high / step + NEAR)
        real = np.arange(first, last + 1) * step
    known = np.concatenate([real, [factor.low, factor.high, factor.middle]])
    known = np.array(sorted({float(f"{value:.12g}") for value in known}))
    return factor.code(np.clip(known, factor.low, factor.high))


def share_values(parts: Sequence[Component], exact: bool) -> np.ndarray | None:
    """Return no share and the step in which all shares of a blend are weighed; None for any.

    Examples
    --------
    >>> share_values([Component("rye", 0, 0.5)], exact=False)
    array([0.  , 0.01])
    """
    if exact:
        return None
    return np.array([0.0, min(SHARE_STEP, *(kitchen_step(p.high - p.low) for p in parts))])


def summed(shares: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Return the nearest shares within limits that sum to one.

    Parameters
    ----------
    shares : ndarray, shape (..., components)
    low, high : ndarray, shape (components,)

    Examples
    --------
    >>> summed(np.array([0.6, 0.6]), np.zeros(2), np.ones(2))
    array([0.5, 0.5])
    """
    bottom = (shares - high).min(axis=-1, keepdims=True)
    top = (shares - low).max(axis=-1, keepdims=True)
    for _ in range(60):
        middle = (bottom + top) / 2
        over = np.clip(shares - middle, low, high).sum(axis=-1, keepdims=True) > 1
        bottom, top = np.where(over, middle, bottom), np.where(over, top, middle)
    return settled(np.clip(shares - top, low, high), low, high)


def settled(shares: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Return shares whose small rest to one is given to the largest that have room for it.

    Examples
    --------
    >>> settled(np.array([0.5, 0.49]), np.zeros(2), np.ones(2))
    array([0.51, 0.49])
    """
    made = np.array(shares)
    order = np.argsort(-made, axis=-1, kind="stable")
    for place in range(made.shape[-1]):
        at = order[..., place : place + 1]
        own = np.take_along_axis(made, at, axis=-1)
        wanted = own + 1 - made.sum(axis=-1, keepdims=True)
        np.put_along_axis(made, at, np.clip(wanted, low[at], high[at]), axis=-1)
    return made
