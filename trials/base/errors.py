"""The errors of the house. They import nothing and each can carry its place.

TrialsError                 anything a person can mend
├── FactorError             what varies is not said clearly
├── MeasureError            what is scored is not said clearly
├── FormulaError            a formula, an ingredient or a change that can not be mixed
├── PlanError               a plan that does not exist or can not tell what was asked
├── TastingError            tasters, codes or serving orders that can not be arranged
├── SheetError              something entered or a file that can not be read
├── RoundError              a round folder that is missing, newer or contradictory
└── FitError                data that can not answer the question put to them
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Place:
    """Where something was found: a file, and in it a sheet, a row and a column.

    Parameters
    ----------
    file, sheet, column : str
        Names as the person sees them; empty when they do not apply.
    row : int or None
        The row as a spreadsheet numbers it, the header being row 1.
    line : int or None
        The line of a text file.

    Examples
    --------
    >>> print(Place("scores.xlsx", "Tastings", 14, "crispness"))
    scores.xlsx, sheet Tastings, row 14, "crispness"
    """

    file: str = ""
    sheet: str = ""
    row: int | None = None
    column: str = ""
    line: int | None = None

    def __str__(self) -> str:
        parts = [
            self.file,
            f"sheet {self.sheet}" if self.sheet else "",
            f"row {self.row}" if self.row is not None else "",
            f'"{self.column}"' if self.column else "",
            f"line {self.line}" if self.line is not None else "",
        ]
        return ", ".join(part for part in parts if part)


class TrialsError(ValueError):
    """Anything a person can mend: what was found, where, what was expected, how to mend it.

    Parameters
    ----------
    message : str
        One or two sentences in the kitchen's words.
    place : Place, optional
        Where it was found; shown in front of the message.

    Examples
    --------
    >>> place = Place("scores.csv", row=3, column="crisp")
    >>> print(SheetError("11 is off the scale 0 to 10.", place))
    scores.csv, row 3, "crisp": 11 is off the scale 0 to 10.
    """

    def __init__(self, message: str, place: Place | None = None) -> None:
        self.message = message
        self.place = place
        super().__init__(f"{place}: {message}" if place and str(place) else message)


class FactorError(TrialsError):
    """What varies is not said clearly."""


class MeasureError(TrialsError):
    """What is scored is not said clearly."""


class FormulaError(TrialsError):
    """A formula, an ingredient or a change that can not be mixed."""


class PlanError(TrialsError):
    """A plan that does not exist, or that can not tell what was asked of it."""


class TastingError(TrialsError):
    """Tasters, codes or serving orders that can not be arranged."""


class SheetError(TrialsError):
    """Something that was entered, or a file, that can not be read."""


class RoundError(TrialsError):
    """A round folder that is missing, newer than this program, or contradictory."""


class FitError(TrialsError):
    """Data that can not answer the question put to them."""
