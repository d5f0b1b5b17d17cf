"""A fit's second-order surface in its numbers: slopes and bends as sums of coefficients."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.forecast import Forecast, forecast_of
from trials.analysis.results import Findings
from trials.design.basis import real_settings
from trials.design.plan import reference_setting
from trials.errors import FitError
from trials.factors import Categorical, Component, Factor, Numeric
from trials.nesting import exists
from trials.tables import in_words


@dataclass(frozen=True, eq=False)
class Quadratic:
    """A second-order surface in coded numbers: constant + b'x + x'Bx, as sums of coefficients.

    Parameters
    ----------
    forecast : Forecast
    names : tuple of str
        The numeric factors, in order.
    base : ndarray, shape (factors,)
        The setting at which the numbers are 0 and the kinds are held.
    places : ndarray of int
        Where the numbers stand among all factors.
    constant : ndarray, shape (columns,)
        Weights on the model's columns; likewise `linear` (numbers, columns) and `square`
        (numbers, numbers, columns).
    """

    forecast: Forecast
    names: tuple[str, ...]
    base: np.ndarray
    places: np.ndarray
    constant: np.ndarray
    linear: np.ndarray
    square: np.ndarray

    @property
    def b(self) -> np.ndarray:
        """The slopes at the middle."""
        return self.linear @ self.forecast.mean

    @property
    def B(self) -> np.ndarray:
        """The bends: squares on the diagonal, half of each pair beside it."""
        return self.square @ self.forecast.mean

    def at(self, x: np.ndarray) -> np.ndarray:
        """Return whole settings for coded numbers, the kinds held."""
        X = np.repeat(self.base[None], len(x), axis=0)
        X[:, self.places] = x
        return X

    def real(self, x: np.ndarray) -> pd.DataFrame:
        """Return real settings for coded numbers, beyond the limits too."""
        return pd.DataFrame(real_settings(self.forecast.findings.factors, self.at(x)))


def quadratic(findings: Findings, at: Mapping[str, Any] | None = None) -> Quadratic:
    """Return the second-order surface of a fit in its numeric factors.

    Parameters
    ----------
    findings : Findings
    at : mapping, optional
        The kinds to hold; the reference kinds when left out. A number that does not exist there
        (nested in another kind) is no direction of the surface.

    Raises
    ------
    FitError
        When no factor is a number there, at names a number, a blend's shares vary, or the model
        goes beyond the second order.

    Examples
    --------
    >>> quadratic.__name__
    'quadratic'
    """
    factors = findings.factors
    setting = _held(factors, at or {})
    numbers = [
        n
        for n, factor in enumerate(factors)
        if isinstance(factor, Numeric) and _is_there(factor, setting)
    ]
    if any(isinstance(factor, Component) for factor in factors):
        raise FitError("the shares of a blend have no free peak of their own; use recommend.")
    if not numbers:
        raise FitError("no factor is a number there, so there is no surface to climb.")
    _check_order(findings)
    forecast = forecast_of(findings)
    k = len(numbers)
    base = _base(factors, setting)
    units = np.eye(k)
    points = [np.zeros(k), *units, *-units]
    pairs = [(i, j) for i in range(k) for j in range(i)]
    points += [units[i] + units[j] for i, j in pairs]
    X = np.repeat(base[None], len(points), axis=0)
    X[:, numbers] = points
    rows = forecast.basis.rows(X)
    middle, up, down, both = rows[0], rows[1 : 1 + k], rows[1 + k : 1 + 2 * k], rows[1 + 2 * k :]
    square = np.zeros((k, k, rows.shape[1]))
    for i in range(k):
        square[i, i] = (up[i] + down[i]) / 2 - middle
    for (i, j), corner in zip(pairs, both, strict=True):
        square[i, j] = square[j, i] = (corner - up[i] - up[j] + middle) / 2
    return Quadratic(
        forecast=forecast,
        names=tuple(factors[n].name for n in numbers),
        base=base,
        places=np.array(numbers),
        constant=middle,
        linear=(up - down) / 2,
        square=square,
    )


def _check_order(findings: Findings) -> None:
    numbers = {factor.name for factor in findings.factors if isinstance(factor, Numeric)}
    terms = findings.averaged.terms if findings.averaged else findings.terms
    for term in terms:
        if sum(power for name, power in term.powers if name in numbers) > 2:
            raise FitError(
                f'the model holds "{term.name}", which is beyond squares and pairs, so its shape '
                "has no simple name; fit a quadratic model."
            )


def _held(factors: Sequence[Factor], at: Mapping[str, Any]) -> dict[str, Any]:
    """Return the reference setting with the kinds that are to be held."""
    names = [factor.name for factor in factors]
    for name in at:
        if name not in names:
            raise FitError(
                f'there is no factor "{name}" to hold; expected {in_words(names, "or")}.'
            )
    numbers = [f.name for f in factors if f.name in at and not isinstance(f, Categorical)]
    if numbers:
        raise FitError(
            f"at holds {in_words(numbers)}, a number; the surface runs over all numbers, so only "
            "kinds are held."
        )
    return reference_setting(factors) | dict(at)


def _is_there(factor: Factor, setting: Mapping[str, Any]) -> bool:
    """Say whether a factor has a setting at all where the kinds are held."""
    there = exists(factor, {name: [value] for name, value in setting.items()})
    return there is None or bool(there[0])


def _base(factors: Sequence[Factor], setting: Mapping[str, Any]) -> np.ndarray:
    """Return the coded setting with all numbers at 0, and 0 for what has no setting there."""
    return np.array(
        [
            float(factor.code([setting[factor.name]])[0])
            if isinstance(factor, Categorical) and _is_there(factor, setting)
            else 0.0
            for factor in factors
        ]
    )
