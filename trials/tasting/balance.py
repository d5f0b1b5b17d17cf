"""How even a serving plan came out: places, neighbours, servings, and what the blocks tell."""

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from trials.tasting.incomplete import efficiency
from trials.tasting.orders import least_sum_of_squares

WARM_UP, SAMPLE, REFERENCE, REPEAT = "warm-up", "sample", "reference", "repeat"


def count_places(servings: pd.DataFrame, bakes: Sequence[str]) -> pd.DataFrame:
    """Return how often each bake stands at each place, hidden repeats not counted.

    Parameters
    ----------
    servings : DataFrame
        Rows of a serving plan.
    bakes : sequence of str

    Returns
    -------
    DataFrame of int
        One row a bake, one column a place.

    Examples
    --------
    >>> table = pd.DataFrame({"bake": ["B01", "B02"], "position": [1, 2], "kind": "sample"})
    >>> count_places(table, ["B01", "B02"]).to_numpy().tolist()
    [[1, 0], [0, 1]]
    """
    samples = servings[servings["kind"] == SAMPLE]
    places = range(1, int(servings["position"].max()) + 1) if len(servings) else range(0)
    counts = pd.crosstab(samples["bake"], samples["position"])
    return counts.reindex(index=list(bakes), columns=list(places), fill_value=0)


def count_neighbours(servings: pd.DataFrame) -> pd.DataFrame:
    """Return how often each bake is served right after each other, warm-ups not counted.

    Parameters
    ----------
    servings : DataFrame
        Rows of a serving plan.

    Returns
    -------
    DataFrame of int
        Rows: the bake before; columns: the bake after.

    Examples
    --------
    >>> table = pd.DataFrame({"taster": "Ida", "sitting": 1, "position": [1, 2],
    ...     "bake": ["B01", "B02"], "kind": "sample"})
    >>> count_neighbours(table).to_numpy().tolist()
    [[0, 1], [0, 0]]
    """
    scored = servings[servings["kind"] != WARM_UP].sort_values("position")
    bakes = sorted(scored["bake"].unique())
    counts = pd.DataFrame(0, index=bakes, columns=bakes)
    for _, sitting in scored.groupby(["taster", "sitting"], sort=True):
        for before, after in pairwise(sitting["bake"]):
            counts.loc[before, after] += 1
    return counts


def blocks_of(servings: pd.DataFrame, bakes: Sequence[str]) -> list[list[int]]:
    """Return the bakes of each sitting of each taster, by their number in ``bakes``.

    Examples
    --------
    >>> table = pd.DataFrame({"taster": "Ida", "sitting": 1, "bake": ["B02", "B01"],
    ...     "kind": "sample"})
    >>> blocks_of(table, ["B01", "B02"])
    [[1, 0]]
    """
    number = {bake: i for i, bake in enumerate(bakes)}
    samples = servings[servings["kind"] == SAMPLE]
    return [
        [number[bake] for bake in sitting["bake"]]
        for _, sitting in samples.groupby(["taster", "sitting"], sort=True)
    ]


def measure_balance(servings: pd.DataFrame, day: object, bakes: Sequence[str]) -> dict[str, object]:
    """Return the evenness of one day of a serving plan in a few numbers.

    Parameters
    ----------
    servings : DataFrame
        The rows of that day.
    day : object
        Its name.
    bakes : sequence of str
        The bakes of that day.

    Returns
    -------
    dict
        ``day``, ``sittings``, ``bakes``; ``served_least`` and ``served_most``, how often a bake is
        tasted; ``position_gap``, the largest difference between two bakes at one place (and, when
        all sittings are equally long, between two places of one bake); ``follows_least`` and
        ``follows_most``, how often a sample is right after each other; ``follows_excess``, the
        sum of squares of those counts over the least possible, as a share; ``efficiency`` and
        ``bound``, average efficiency factor and the most it could be.

    Examples
    --------
    >>> table = pd.DataFrame({"taster": ["Ida", "Ida", "Bo", "Bo"], "sitting": 1,
    ...     "position": [1, 2, 1, 2], "bake": ["B01", "B02", "B02", "B01"], "kind": "sample"})
    >>> found = measure_balance(table, "", ["B01", "B02"])
    >>> found["position_gap"], found["follows_excess"], found["efficiency"]
    (0, 0.0, 1.0)
    """
    places = count_places(servings, bakes).to_numpy()
    follows = count_neighbours(servings).to_numpy()
    between = follows[~np.eye(len(follows), dtype=bool)]
    blocks = blocks_of(servings, bakes)
    least = least_sum_of_squares(int(between.sum()), len(between))
    factor, bound = efficiency(blocks, len(bakes))
    return {
        "day": day,
        "sittings": int(servings["sitting"].nunique()),
        "bakes": len(bakes),
        "served_least": int(places.sum(axis=1).min()),
        "served_most": int(places.sum(axis=1).max()),
        "position_gap": _position_gap(places, blocks),
        "follows_least": int(between.min()) if len(between) else 0,
        "follows_most": int(between.max()) if len(between) else 0,
        "follows_excess": float((between**2).sum() / least - 1) if least else 0.0,
        "efficiency": factor,
        "bound": bound,
    }


def balance_in_words(row: Mapping[str, Any]) -> str:
    """Say how even one day of a serving plan is.

    Parameters
    ----------
    row : mapping
        What ``measure_balance`` returns.

    Returns
    -------
    str

    Examples
    --------
    >>> balance_in_words({"day": 2, "sittings": 1, "bakes": 3, "served_least": 4, "served_most": 4,
    ...     "position_gap": 1, "follows_least": 1, "follows_most": 2, "follows_excess": 0.0,
    ...     "efficiency": 1.0, "bound": 1.0}).split(".")[0]
    'Day 2: each of 3 bakes is tasted 4 times, in 1 sitting'
    """
    day = f"Day {row['day']}: each" if row["day"] != "" else "Each"
    sittings = f"{row['sittings']} sitting{'s' if row['sittings'] != 1 else ''}"
    off = 100 * row["follows_excess"]
    places = f", give or take {row['position_gap']}" if row["position_gap"] else ""
    even = "as even as can be" if off == 0 else f"{off:.0f} % off the most even"
    return (
        f"{day} of {row['bakes']} bakes is tasted "
        f"{_times(row['served_least'], row['served_most'])}, in {sittings}. Every bake stands at "
        f"each place as often as any other{places}. Each is served right after each other "
        f"{_times(row['follows_least'], row['follows_most'])}, {even}."
        f"{_told(row)}"
    )


def _told(row: Mapping[str, Any]) -> str:
    """Say what is lost where a sitting can not hold every bake."""
    told, best = round(100 * row["efficiency"]), round(100 * row["bound"])
    if row["bakes"] < 2:
        return ""
    if row["efficiency"] == 0:
        return " Some bakes never meet in a sitting, not even by way of others."
    if told >= 100:
        return " Every sitting holds every bake, so they compare as well as can be."
    most = f"such sittings can not do better than {best}" if told < best else "none do better"
    return (
        f" No sitting holds every bake: 100 tastings tell as much as {told} would in sittings "
        f"that do; {most}."
    )


def _times(least: int, most: int) -> str:
    if least == most:
        return {1: "once", 2: "twice"}.get(least, f"{least} times")
    return f"{least} to {most} times"


def _position_gap(places: np.ndarray, blocks: Sequence[Sequence[int]]) -> int:
    places = places[:, places.any(axis=0)]  # a named reference keeps the first place to itself
    if places.size == 0:
        return 0
    gap = int(np.ptp(places, axis=0).max())
    if len({len(block) for block in blocks}) == 1:
        gap = max(gap, int(np.ptp(places, axis=1).max()))
    return gap
