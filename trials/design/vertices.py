"""The body that limits cut from a blend: its corners and the middles of its faces."""

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np

from trials.errors import PlanError
from trials.factors import Component
from trials.tables import in_words

Constraint = tuple[Mapping[str, float], float | None, float | None]
NEAR = 1e-9
MOST_CHOICES = 400_000


def vertices_of(
    parts: Sequence[Component], constraints: Sequence[Constraint] = ()
) -> tuple[np.ndarray, np.ndarray]:
    """Return the corners of the blends that the limits allow.

    Every choice of as many limits as leave one point is met exactly; the points within all
    other limits are the corners.

    Parameters
    ----------
    parts : sequence of Component
    constraints : sequence of (mapping, low, high)
        Limits of weighted sums of shares; None for no limit.

    Returns
    -------
    ndarray, shape (corners, components)
        Shares, each row summing to one.
    ndarray of bool, shape (corners, limits)
        Which limits each corner meets exactly.

    Raises
    ------
    PlanError
        When nothing is left, or there are too many limits.

    References
    ----------
    McLean & Anderson 1966, Technometrics 8:447; Snee & Marquardt 1974, ibid. 16:399.

    Examples
    --------
    >>> flours = [Component("rye", 0.1, 0.5), Component("wheat", 0.3, 1)]
    >>> vertices_of(flours)[0].tolist()
    [[0.1, 0.9], [0.5, 0.5]]
    """
    A, b = _limits(parts, constraints)
    count = len(parts)
    choices = np.array(list(combinations(range(len(A)), count - 1)))
    if len(choices) > MOST_CHOICES:
        raise PlanError(
            f"{count} components with {len(A)} limits are too many corners to look for; leave out "
            "limits that never bind, or use trials.design.optimal."
        )
    systems = np.concatenate([A[choices], np.ones((len(choices), 1, count))], axis=1)
    sides = np.concatenate([b[choices], np.ones((len(choices), 1))], axis=1)
    scale = np.prod(np.linalg.norm(systems, axis=2), axis=1)
    single = np.abs(np.linalg.det(systems)) > NEAR * scale
    found = np.linalg.solve(systems[single], sides[single][:, :, None])[:, :, 0]
    inside = found[np.all(found @ A.T <= b + NEAR, axis=1)]
    corners = np.unique(inside.round(10), axis=0)
    if len(corners) < 2:
        raise PlanError(
            f"the limits of {in_words(part.name for part in parts)} leave "
            f"{'one blend' if len(corners) else 'no blend'}; widen a limit or a constraint."
        )
    active = np.abs(corners @ A.T - b) < 1e-8
    return corners, active


def _limits(
    parts: Sequence[Component], constraints: Sequence[Constraint]
) -> tuple[np.ndarray, np.ndarray]:
    """Return all limits as A x <= b."""
    unit = np.eye(len(parts))
    rows = [*(-unit), *unit]
    sides = [-part.low for part in parts] + [part.high for part in parts]
    names = [part.name for part in parts]
    for constraint in constraints:
        weights, low, high = _checked(constraint, names)
        row = np.array([float(weights.get(name, 0.0)) for name in names])
        if low is not None:
            rows.append(-row)
            sides.append(-float(low))
        if high is not None:
            rows.append(row)
            sides.append(float(high))
    return np.array(rows), np.array(sides)


def _checked(constraint: Constraint, names: Sequence[str]) -> Constraint:
    try:
        weights, low, high = constraint
        unknown = [name for name in weights if name not in names]
    except (TypeError, ValueError):
        raise PlanError(
            f"constraints holds {constraint!r}; shares with weights, a lower and an upper limit "
            f'were expected, ({{"{names[0]}": 1, "{names[1]}": 1}}, 0.2, 0.5).'
        ) from None
    if unknown or not weights:
        raise PlanError(
            f"constraints names {in_words(unknown) or 'nothing'}; the components are "
            f"{in_words(names)}."
        )
    if (low is None and high is None) or (low is not None and high is not None and low > high):
        raise PlanError(
            f"constraints: the sum of {in_words(weights)} has the limits {low} and {high}; a lower "
            "one below the upper one was expected."
        )
    return constraint


def faces_of(corners: np.ndarray, active: np.ndarray, dimension: int) -> np.ndarray:
    """Return the middles of the faces of a dimension: the means of their corners.

    Parameters
    ----------
    corners, active : ndarray
        As :func:`vertices_of` returns them.
    dimension : int
        1 for edges, 2 for faces.

    Returns
    -------
    ndarray, shape (faces, components)

    Examples
    --------
    >>> corners, active = vertices_of([Component(name) for name in "abc"])
    >>> faces_of(corners, active, 1).tolist()
    [[0.0, 0.5, 0.5], [0.5, 0.0, 0.5], [0.5, 0.5, 0.0]]
    """
    # A face is the set of all corners that share some limits; as many of them as there are
    # dimensions to lose are enough to name it, and fewer corners than dimensions span none
    loses = corners.shape[1] - 1 - dimension
    members = set()
    for limits in combinations(range(active.shape[1]), loses):
        held = np.flatnonzero(active[:, limits].all(axis=1))
        if len(held) > dimension:
            spread = corners[held] - corners[held[0]]
            if np.linalg.matrix_rank(spread, tol=1e-8) == dimension:
                members.add(tuple(held.tolist()))
    return np.array([corners[list(face)].mean(axis=0) for face in sorted(members)])
