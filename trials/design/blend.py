"""Plans for blends.

Shares that sum to one, the body that limits cut from them, with process factors.
"""

from collections.abc import Mapping, Sequence
from itertools import combinations, combinations_with_replacement, product

import numpy as np
import pandas as pd

from trials.base.arguments import checked_types
from trials.base.errors import PlanError
from trials.base.words import in_words, tidy_number
from trials.core.factors import Component, Factor, Varied, check_factors, group_names
from trials.core.plan import Plan, kitchen_group, new_seed, plural, whole_number
from trials.core.terms import model_matrix, model_terms
from trials.design.layout import lay_out

# -- The body that limits cut from a blend: its corners and the middles of its faces.


Constraint = tuple[Mapping[str, float], float | None, float | None]
NEAR = 1e-9
MOST_CHOICES = 400_000


def vertices_of(
    parts: Sequence[Component], constraints: Sequence[Constraint] = ()
) -> tuple[np.ndarray, np.ndarray]:
    """Return the corners of the blends that the limits allow.

    Every choice of as many limits as leave one point is met exactly; the points within all
    other limits are the corners.

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


# -- Plans for blends: shares that sum to one, alone or together with process factors.


PARTS = ("vertices", "edges", "faces", "centre")


@checked_types(PlanError)
def simplex_lattice(
    factors: Sequence[Varied],
    degree: int = 2,
    *,
    replicates: int = 1,
    days: int = 1,
    references: int = 0,
    seed: int | None = None,
) -> Plan:
    """Plan blends whose shares are multiples of 1/degree, for a blend model of that degree.

    Parameters
    ----------
    factors : sequence of Component, Numeric and Categorical
        Two or more components; process factors are crossed with the blends. Lower limits make
        every share run from its own limit up (pseudocomponents).
    degree : int
        Steps between nothing and the whole of a component: 2 gives the pure blends and the halves.
    replicates : int
        How often every bake is repeated.
    days : int
        A divisor of `replicates`; every day then holds the whole plan once or more.
    references, seed
        As for the other plans.

    Returns
    -------
    Plan
        With a hard-to-change process factor each of its settings is a load on every day.

    Raises
    ------
    PlanError
        When an upper limit cuts the simplex (then extreme_vertices serves) or shares can not sum
        to one.

    References
    ----------
    Scheffe 1958, J. R. Stat. Soc. B 20:344; Kurotori 1966, Ind. Qual. Control 22:592
    (pseudocomponents).

    Examples
    --------
    >>> flours = [Component("rye", 0.1), Component("spelt"), Component("wheat")]
    >>> simplex_lattice(flours, 2, seed=1).table["rye"].sort_values().tolist()
    [0.1, 0.1, 0.1, 0.55, 0.55, 1.0]
    """
    factors = check_factors(factors)
    parts = _components(factors)
    degree = whole_number("degree", degree, least=1, most=10)
    counts = combinations_with_replacement(range(len(parts)), degree)
    lattice = np.array(
        [[chosen.count(place) / degree for place in range(len(parts))] for chosen in counts]
    )
    return _blend_plan(
        factors,
        _from_lower_limits(parts, lattice, "simplex_lattice"),
        family="simplex lattice",
        replicates=replicates,
        days=days,
        references=references,
        seed=seed,
        details={"degree": degree},
    )


@checked_types(PlanError)
def simplex_centroid(
    factors: Sequence[Varied],
    *,
    replicates: int = 1,
    days: int = 1,
    references: int = 0,
    seed: int | None = None,
) -> Plan:
    """Plan every blend of equal shares: each alone, halves of two, thirds of three, and so on.

    Parameters
    ----------
    factors : sequence of Component, Numeric and Categorical
        Two to eight components; process factors are crossed with the blends.
    replicates, days, references, seed
        As for :func:`simplex_lattice`.

    Returns
    -------
    Plan
        2^q - 1 blends of q components.

    Raises
    ------
    PlanError
        As :func:`simplex_lattice`.

    References
    ----------
    Scheffe 1963, J. R. Stat. Soc. B 25:235.

    Examples
    --------
    >>> len(simplex_centroid([Component("rye"), Component("spelt"), Component("wheat")]).table)
    7
    """
    factors = check_factors(factors)
    parts = _components(factors)
    if len(parts) > 8:
        raise PlanError(f"{len(parts)} components; simplex_centroid takes 2 to 8.")
    rows = [
        [1 / size if place in chosen else 0.0 for place in range(len(parts))]
        for size in range(1, len(parts) + 1)
        for chosen in combinations(range(len(parts)), size)
    ]
    return _blend_plan(
        factors,
        _from_lower_limits(parts, np.array(rows), "simplex_centroid"),
        family="simplex centroid",
        replicates=replicates,
        days=days,
        references=references,
        seed=seed,
    )


@checked_types(PlanError)
def extreme_vertices(
    factors: Sequence[Varied],
    *,
    constraints: Sequence[Constraint] = (),
    points: Sequence[str] = ("vertices", "faces", "centre"),
    replicates: int = 1,
    days: int = 1,
    references: int = 0,
    seed: int | None = None,
) -> Plan:
    """Plan blends at the corners of what the limits allow, and at the middles of its faces.

    Parameters
    ----------
    factors : sequence of Component, Numeric and Categorical
        Two to ten components; process factors are crossed with the blends.
    constraints : sequence of (mapping, low, high)
        Limits of sums: ({"rye": 1, "spelt": 1}, 0.2, 0.5) says that rye and spelt together make
        0.2 to 0.5 of the blend. None stands for no limit.
    points : sequence of str
        "vertices", "edges" (their middles), "faces" (middles of two-dimensional faces), "centre".
    replicates, days, references, seed
        As for :func:`simplex_lattice`.

    Returns
    -------
    Plan
        Points that coincide are baked once.

    Raises
    ------
    PlanError
        When the limits leave nothing, or a constraint names no component.

    References
    ----------
    McLean & Anderson 1966, Technometrics 8:447; Snee & Marquardt 1974, ibid. 16:399.

    Examples
    --------
    >>> flours = [Component("rye", 0.1, 0.5), Component("spelt", 0.1, 0.5), Component("wheat", 0.3)]
    >>> extreme_vertices(flours, seed=1).table["wheat"].sort_values().tolist()
    [0.3, 0.3, 0.4, 0.4, 0.44, 0.8]
    """
    factors = check_factors(factors)
    parts = _components(factors)
    points = (points,) if isinstance(points, str) else tuple(points)
    unknown = [name for name in points if name not in PARTS]
    if unknown or not points:
        raise PlanError(f"points is {points!r}; {in_words(PARTS)} are what can be asked for.")
    corners, active = vertices_of(parts, constraints)
    rows = [corners] if "vertices" in points else []
    dimensions = {"edges": 1, "faces": 2}
    # The face as wide as the whole blend is the centre itself
    wanted = [name for name in dimensions if name in points and dimensions[name] < len(parts) - 1]
    rows += [faces_of(corners, active, dimensions[name]) for name in wanted]
    if "centre" in points:
        rows.append(corners.mean(axis=0, keepdims=True))
    shares = np.vstack(rows)
    kept = pd.DataFrame(shares.round(10)).drop_duplicates().index
    plan = _blend_plan(
        factors,
        shares[kept],
        family="extreme vertices",
        replicates=replicates,
        days=days,
        references=references,
        seed=seed,
        details={"vertices": len(corners)},
    )
    return plan.because(f"The limits of the blend leave a body with {len(corners)} corners.")


def _components(factors: Sequence[Factor]) -> tuple[Component, ...]:
    parts = tuple(factor for factor in factors if isinstance(factor, Component))
    if not 2 <= len(parts) <= 10:
        raise PlanError(
            f"{len(parts)} component{'' if len(parts) == 1 else 's'}; a blend has 2 to 10, "
            "trials.Component(name, low, high). Other factors: full_factorial."
        )
    lowest, highest = sum(part.low for part in parts), sum(part.high for part in parts)
    if lowest >= 1 or highest <= 1:
        what, total = ("lower", lowest) if lowest >= 1 else ("upper", highest)
        raise PlanError(
            f"the {what} limits of {in_words(part.name for part in parts)} sum to "
            f"{tidy_number(total)}, so the shares can not vary and sum to 1; lower limits must sum "
            "to less than 1 and upper limits to more."
        )
    return parts


def _from_lower_limits(parts: Sequence[Component], lattice: np.ndarray, family: str) -> np.ndarray:
    low = np.array([part.low for part in parts])
    room = 1 - low.sum()
    cut = [part.name for part in parts if part.high < part.low + room - 1e-12]
    if cut:
        raise PlanError(
            f"the upper limit of {in_words(cut)} cuts the blends that {family} needs; each would "
            f"have to reach its lower limit plus {tidy_number(room)}. extreme_vertices serves."
        )
    return low + room * lattice


def _blend_plan(
    factors: tuple[Factor, ...],
    shares: np.ndarray,
    *,
    family: str,
    replicates: int,
    days: int,
    references: int,
    seed: int | None,
    details: Mapping[str, int] | None = None,
) -> Plan:
    """Return the plan of blends crossed with the settings of process factors, copied over days."""
    names = [part.name for part in _components(factors)]
    process = tuple(factor for factor in factors if not isinstance(factor, Component))
    replicates, days = _checked_copies(process, replicates, days)
    frame = _crossed(names, process, shares, replicates, days)
    reasons = [
        f"{len(shares)} blends"
        + (f" at {len(frame) // len(shares) // replicates} settings each." if process else ".")
    ]
    for group in group_names(process):
        hard = [factor.name for factor in process if factor.group]
        frame[group] = frame.groupby(["copy", *hard], sort=False).ngroup() + 1
        reasons.append(
            f"Set afresh for each of {frame[group].max()} {plural(kitchen_group(group))} "
            f"and judged on those: {in_words(hard)}."
        )
    model: str | list[str] = "blend"
    matrix = model_matrix(model_terms("blend", factors), factors, frame)
    if np.linalg.matrix_rank(matrix.X) < matrix.X.shape[1]:
        model = [*names, *(f"{part}:{factor.name}" for factor in process for part in names)]
        reasons.append("Blends can be judged as if shares act in straight lines, no more.")
    seed = new_seed() if seed is None else whole_number("seed", seed, least=0, most=2**63)
    plan = lay_out(
        factors,
        frame.drop(columns="copy"),
        family=family,
        model=model,
        references=references,
        seed=seed,
        details=details,
    )
    return plan.because(*reasons)


def _checked_copies(process: Sequence[Factor], replicates: int, days: int) -> tuple[int, int]:
    """Return copies and days, once days can share the copies and bakes share one thing at most."""
    replicates = whole_number("replicates", replicates, least=1)
    days = whole_number("days", days, least=1)
    if replicates % days:
        raise PlanError(
            f"days is {days} with replicates {replicates}; every day holds the whole blend plan, "
            "so days must divide replicates. trials.design.optimal(days=...) splits it."
        )
    groups = group_names(process)
    if len(groups) > 1:
        raise PlanError(
            f"bakes share {in_words(groups)}; blends are crossed with one such group at most. "
            "trials.design.optimal takes more."
        )
    return replicates, days


def _crossed(
    names: Sequence[str], process: Sequence[Factor], shares: np.ndarray, replicates: int, days: int
) -> pd.DataFrame:
    """Return every blend at every setting of the process, once for each copy."""
    blends = [dict(zip(names, map(_tidy, row), strict=True)) for row in shares.tolist()]
    settings = list(product(*(factor.levels for factor in process)))
    if len(blends) * len(settings) * replicates > 10_000:
        raise PlanError(
            f"{len(blends)} blends crossed with {len(settings)} settings, {replicates} times, are "
            "more than 10000 bakes; use trials.design.optimal or fewer levels."
        )
    rows = []
    for copy, kinds in product(range(replicates), settings):
        setting = dict(zip((factor.name for factor in process), kinds, strict=True))
        rows += [blend | setting | {"day": 1 + copy % days, "copy": copy} for blend in blends]
    return pd.DataFrame(rows)


def _tidy(share: float) -> float:
    # Twelve digits: the same share must be the same number, however it was come by
    return float(f"{share:.12g}") + 0.0
