"""How many tasters, and how many sittings, for a difference of the size worth noticing."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd
from scipy import special, stats

from trials.base.arguments import checked_types
from trials.base.errors import TastingError
from trials.base.html import answer
from trials.base.words import readable, tidy_number
from trials.design.power import SCORE_SD, TASTE_SD, USUAL, USUAL_SOURCE
from trials.tasting.serving import whole_number

# Of the variance of one score, what is a taster's own taste: no repeat shrinks it
_TASTE_SHARE = TASTE_SD**2 / (TASTE_SD**2 + SCORE_SD**2)


@dataclass(frozen=True, eq=False)
class PanelSize:
    """What panels of several sizes would show.

    Parameters
    ----------
    table : DataFrame
        One row a panel: tasters, repeats (how often each tastes every bake), sittings (of each
        taster), se (of the difference), power, and smallest (the difference found with the chance
        asked for).
    difference, bakes, chance : float, int, float
        What was asked.
    spreads : str
        Which spreads were taken, and where they come from.
    """

    table: pd.DataFrame
    difference: float
    bakes: int
    chance: float
    spreads: str

    @property
    def needed(self) -> dict[str, int] | None:
        """The panel with the fewest tastings that does; None when none of the table does."""
        enough = self.table[self.table["power"] >= self.chance]
        if enough.empty:
            return None
        work = (enough["tasters"] * enough["repeats"]).rename("work")
        best = enough.assign(work=work).sort_values(["work", "repeats"], kind="stable").iloc[0]
        return {name: int(best[name]) for name in ("tasters", "repeats", "sittings")}

    @property
    def sentence(self) -> str:
        """The answer in words."""
        asked = f"a difference of {tidy_number(self.difference)} points with {self.bakes} bakes"
        needed = self.needed
        if needed is None:
            best = self.table["smallest"].min()
            return (
                f"No panel of up to {self.table['tasters'].max()} tasters shows {asked}: the best "
                f"would show {best:.1f}. More bakes help where more tasters do not. {self.spreads}"
            )
        times = {1: "once", 2: "twice"}.get(needed["repeats"], f"{needed['repeats']} times")
        plural = "s" if needed["tasters"] > 1 else ""
        sittings = "a sitting" if needed["sittings"] == 1 else f"{needed['sittings']} sittings"
        return (
            f"{needed['tasters']} taster{plural}, each tasting every bake {times} in {sittings}, "
            f"would show {asked} {100 * self.chance:.0f} times in 100. They speak for themselves "
            f"and not for a market. {self.spreads}"
        )

    def _repr_html_(self) -> str:
        return answer([self.sentence], [readable(self.table)])


@checked_types(TastingError)
def panel_size(
    difference: float,
    bakes: int,
    *,
    changes: int = 1,
    tasters: Sequence[int] = tuple(range(1, 13)),
    repeats: Sequence[int] = (1, 2),
    per_sitting: int = 6,
    sd_bake: float | None = None,
    sd_tasting: float | None = None,
    earlier: Mapping[str, float] | None = None,
    chance: float = 0.8,
    level: float = 0.05,
) -> PanelSize:
    """Say what panels would show of a change between two settings, half the bakes at each.

    Parameters
    ----------
    difference : float
        In points of the score: what is worth noticing.
    bakes : int
        Independent bakes, all settings together.
    changes : int
        Effects that the round estimates; each takes one bake from what is left for error.
    tasters, repeats : sequence of int
        The panels to compare, and how often each taster meets every bake.
    per_sitting : int
        Samples that a palate takes at once.
    sd_bake, sd_tasting : float, optional
        Spread between bakes of one recipe, and of one taster's score of one bake; from
        `earlier` when left out, else the usual ones.
    earlier : mapping, optional
        Spreads of an earlier round by name: "bake", "tasting".
    chance : float
        How sure it should be to be found.
    level : float
        Chance of a false finding.

    Returns
    -------
    PanelSize

    Raises
    ------
    TastingError
        For numbers that can not be.

    Notes
    -----
    A difference of two means of half the bakes each: se = 2 √((b² + t²/n) / N), judged by a
    two-sided t test with N - 1 - changes degrees of freedom, its power from the noncentral t.
    Of t², a taster's own taste is not made smaller by repeats.

    Examples
    --------
    >>> panel_size(0.85, 16, sd_bake=0.3, sd_tasting=1.5, repeats=[1]).needed
    {'tasters': 10, 'repeats': 1, 'sittings': 3}
    """
    bakes = whole_number("bakes", bakes, 2)
    df = bakes - 1 - whole_number("changes", changes, 1)
    if df < 1:
        raise TastingError(
            f"{bakes} bakes leave nothing to judge {changes} changes by. Bake more, or change less."
        )
    wanted = _positive("difference", difference)
    for name, share in (("chance", chance), ("level", level)):
        if not 0 < share < 1:
            raise TastingError(f"{name} is {share!r}; give a share between 0 and 1.")
    bake, tasting, told = _spreads(sd_bake, sd_tasting, earlier or {})
    rows = []
    for count in (whole_number("tasters", one, 1) for one in tasters):
        for times in (whole_number("repeats", one, 1) for one in repeats):
            score = tasting**2 * (_TASTE_SHARE + (1 - _TASTE_SHARE) / times)
            se = 2 * math.sqrt((bake**2 + score / count) / bakes)
            sittings = math.ceil(bakes * times / whole_number("per_sitting", per_sitting, 1))
            power = _power(wanted / se, df, level)
            rows.append((count, times, sittings, se, power, se * _shift(df, chance, level)))
    columns = ["tasters", "repeats", "sittings", "se", "power", "smallest"]
    return PanelSize(pd.DataFrame(rows, columns=columns), wanted, bakes, chance, told)


def people_needed(difference: float, sd: float, *, chance: float = 0.9, level: float = 0.05) -> int:
    """Return how many people each of two recipes needs, when nobody scores both.

    References
    ----------
    Hough et al. 2006, Food Quality and Preference 17:522: 112 people for a tenth of the scale at
    a spread of 0.23 of it, 5 and 10 % errors.

    Examples
    --------
    >>> people_needed(0.1, 0.23)
    112
    """
    z = special.ndtri(1 - level / 2) + special.ndtri(chance)
    ratio = _positive("sd", sd) / _positive("difference", difference)
    return math.ceil(2 * (z * ratio) ** 2)


def _spreads(
    sd_bake: float | None, sd_tasting: float | None, earlier: Mapping[str, float]
) -> tuple[float, float, str]:
    found, sources = [], []
    for name, given in (("bake", sd_bake), ("tasting", sd_tasting)):
        source = "as given"
        if given is None and name in earlier:
            given, source = earlier[name], "from the earlier round"
        elif given is None:
            given, source = USUAL[name], USUAL_SOURCE
        may_be_zero = name == "bake"
        found.append(0.0 if may_be_zero and given == 0 else _positive(f"sd_{name}", given))
        sources.append(source)
    said = [
        f"between bakes of one recipe {tidy_number(found[0], 2)}",
        f"of one taster's score of one bake {tidy_number(found[1], 2)}",
    ]
    if len(set(sources)) == 1:
        return found[0], found[1], f"Spread {' and '.join(said)}: {sources[0]}."
    told = "; ".join(f"{part}: {source}" for part, source in zip(said, sources, strict=True))
    return found[0], found[1], f"Spread {told}."


def _power(shift: float, df: int, level: float) -> float:
    edge = special.stdtrit(df, 1 - level / 2)
    return float(stats.nct.sf(edge, df, shift) + stats.nct.cdf(-edge, df, shift))


def _shift(df: int, chance: float, level: float) -> float:
    """Return the difference in standard errors that is found with the chance."""
    low, high = 0.0, 1.0
    while _power(high, df, level) < chance:
        high *= 2
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if _power(middle, df, level) < chance else (low, middle)
    return high


def _positive(what: str, value: float) -> float:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not number or not math.isfinite(value) or value <= 0:
        raise TastingError(f"{what} is {value!r}; give a number above 0.")
    return float(value)
