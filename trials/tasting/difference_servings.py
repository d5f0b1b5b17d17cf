"""Who gets which samples in a difference test: every order equally often, blind codes on each."""

from collections.abc import Iterable

import numpy as np
import pandas as pd

from trials.errors import TastingError
from trials.tasting.codes import draw_codes
from trials.tasting.panel import Taster, check_panel
from trials.tasting.request import whole_number

# A is the one sample, B the other; a duo-trio's first is the named reference
_ORDERS = {
    "triangle": ("ABB", "BAA", "AAB", "BBA", "ABA", "BAB"),
    "duo-trio": ("AAB", "ABA", "BBA", "BAB"),
    "paired": ("AB", "BA"),
}


def difference_servings(
    test: str,
    tasters: Iterable[Taster | str],
    samples: tuple[str, str] = ("old", "new"),
    *,
    times: int = 1,
    seed: int,
) -> pd.DataFrame:
    """Return the servings of a difference test, for whoever plates.

    Parameters
    ----------
    test : {"triangle", "duo-trio", "paired"}
    tasters : iterable of Taster or str
        Nobody who avoids what is in either sample: see ``may_taste``.
    samples : (str, str)
    times : int
        Sets for each taster.
    seed : int

    Returns
    -------
    DataFrame
        Columns taster, set, position, sample, code and right: whether pointing at it is the right
        answer (the odd one of a triangle; the twin of the reference; empty in a paired test).
        The first of a duo-trio is named, so it has no code.

    Raises
    ------
    TastingError
        When the test is not known, the two samples have one name, or the codes run out.

    References
    ----------
    ISO 4120, 10399, 5495: all orders equally often (as even as the number of sets allows).

    Examples
    --------
    >>> table = difference_servings("triangle", ["Ida", "Bo", "Mia", "Jon", "Eva", "Tom"], seed=4)
    >>> table.groupby("sample").size().tolist(), table["right"].sum()
    ([9, 9], np.int64(6))
    """
    if test not in _ORDERS:
        raise TastingError(f'no test "{test}"; expected one of {", ".join(_ORDERS)}.')
    if len(samples) != 2 or samples[0] == samples[1]:
        raise TastingError(f"two samples are compared; {samples!r} was given.")
    rng = np.random.default_rng(whole_number("seed", seed, 0))
    names = [taster.name for taster in check_panel(tasters)]
    sets = [
        (name, turn) for turn in range(1, whole_number("times", times, 1) + 1) for name in names
    ]
    rows = []
    for (taster, turn), order in zip(sets, _orders(test, len(sets), rng), strict=True):
        for position, letter in enumerate(order, start=1):
            sample = samples["AB".index(letter)]
            rows.append((taster, turn, position, sample, _is_right(test, order, position)))
    table = pd.DataFrame(rows, columns=["taster", "set", "position", "sample", "right"])
    coded = ~((table["position"] == 1) & (test == "duo-trio"))
    codes = draw_codes(table.loc[coded, "set"].tolist(), seed=rng)
    table.insert(4, "code", "")
    table.loc[coded, "code"] = codes
    return table.sort_values(["set", "taster", "position"], ignore_index=True)


def _orders(test: str, sets: int, rng: np.random.Generator) -> list[str]:
    """Return an order for each set: all of them used up before any comes again."""
    found: list[str] = []
    while len(found) < sets:
        found += [_ORDERS[test][at] for at in rng.permutation(len(_ORDERS[test]))]
    return found[:sets]


def _is_right(test: str, order: str, position: int) -> bool | None:
    letter = order[position - 1]
    if test == "triangle":
        return order.count(letter) == 1
    if test == "duo-trio":
        return position > 1 and letter == order[0]
    return None
