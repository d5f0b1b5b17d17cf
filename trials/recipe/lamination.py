"""Layers of a laminated dough, from its folds."""

from collections.abc import Sequence
from dataclasses import dataclass

from trials.base.arguments import checked_types
from trials.base.errors import FormulaError
from trials.base.words import InWords, in_words, tidy_number

__all__ = ["Layers", "layer_thickness", "layers"]


@dataclass(frozen=True)
class Layers(InWords):
    """Layers of dough and fat in a sheet.

    Parameters
    ----------
    fat, dough : int
        How many of each. Dough always lies outside, so there is one layer more of it.
    """

    fat: int
    dough: int

    @property
    def total(self) -> int:
        """All layers together."""
        return self.fat + self.dough


@checked_types(FormulaError)
def layers(folds: Sequence[int], fat_layers: int = 1) -> Layers:
    """Return the layers after a sequence of folds.

    Where two layers of dough come to lie on one another they count as one: with L layers, an
    m-fold gives m(L - 1) + 1. The fat layers are multiplied by each fold.

    Parameters
    ----------
    folds : sequence of int
        3 for a single fold, 4 for a book fold, in their order.
    fat_layers : int
        Layers of fat locked in before the first fold.

    Returns
    -------
    Layers

    Raises
    ------
    FormulaError
        When a number is no number of layers.

    References
    ----------
    Textbook rule as pastry schools teach it (3, 7, 19 layers); the sequel is calculated from it.

    Examples
    --------
    >>> layers((3, 3, 3)), layers((3, 3, 3)).total
    (Layers(fat=27, dough=28), 55)
    """
    for number in (*folds, fat_layers):
        if isinstance(number, bool) or not isinstance(number, int) or number < 1:
            raise FormulaError(f"{number!r} is not a number of layers; 3 or 4 is usual for a fold.")
    if any(fold < 2 for fold in folds):
        raise FormulaError(f"the folds {in_words(folds)}: a fold makes at least 2 layers of one.")
    fat = fat_layers
    for fold in folds:
        fat *= fold
    return Layers(fat, fat + 1)


@checked_types(FormulaError)
def layer_thickness(
    sheet: float, folds: Sequence[int], fat_share: float | None = None, fat_layers: int = 1
) -> dict[str, float]:
    """Return how thick each layer is in a sheet rolled out after its folds.

    Parameters
    ----------
    sheet : float
        Thickness of the whole sheet, mm.
    folds : sequence of int
        As for :func:`layers`.
    fat_share : float, optional
        Fat's share of the sheet's volume, 0 to 1; without it only the mean layer is known.
    fat_layers : int

    Returns
    -------
    dict
        "layer" (the mean), and with a share of fat "fat" and "dough", in mm.

    Raises
    ------
    FormulaError
        When a thickness or a share can not be.

    Examples
    --------
    >>> {name: round(mm, 4) for name, mm in layer_thickness(5.5, (3, 3, 3), 0.27).items()}
    {'layer': 0.1, 'fat': 0.055, 'dough': 0.1434}
    """
    if not sheet > 0:
        raise FormulaError(f"the sheet is {tidy_number(sheet)} mm thick; above 0 was expected.")
    counted = layers(folds, fat_layers)
    found = {"layer": sheet / counted.total}
    if fat_share is not None:
        if not 0 < fat_share < 1:
            raise FormulaError(f"the fat share is {fat_share}; between 0 and 1 was expected.")
        found["fat"] = sheet * fat_share / counted.fat
        found["dough"] = sheet * (1 - fat_share) / counted.dough
    return found
