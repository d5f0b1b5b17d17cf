"""Factors as plain data for a settings file, and back."""

from collections.abc import Mapping
from typing import Any

from trials.errors import FactorError
from trials.factors import Categorical, Component, Factor, Numeric
from trials.recipe.formula import Formula
from trials.tables import in_words


def factor_record(factor: Factor) -> dict[str, Any]:
    """Return a factor as plain data for a settings file; see :func:`factor_from`.

    Examples
    --------
    >>> factor_record(Component("rye flour", 0.1, 0.4))
    {'kind': 'component', 'name': 'rye flour', 'low': 0.1, 'high': 0.4}
    """
    record: dict[str, Any] = {"kind": type(factor).__name__.lower(), "name": factor.name}
    if isinstance(factor, Categorical):
        record["levels"] = list(factor.levels)
    else:
        record |= {"low": factor.low, "high": factor.high}
    if not isinstance(factor, Component):
        record |= {"unit": factor.unit, "hard_to_change": factor.hard_to_change}
    if isinstance(factor, Numeric):
        record |= {"centre": factor.centre, "settings": list(factor.settings), "step": factor.step}
    if factor.changes:
        record["changes"] = [
            part.to_dict() if isinstance(part, Formula) else part for part in factor.changes
        ]
    if factor.only_when:
        record["only_when"] = [factor.only_when[0], list(factor.only_when[1])]
    return {key: value for key, value in record.items() if not _left_out(value)}


def _left_out(value: object) -> bool:
    # Not `value in (...)`: a limit of 0 equals False
    return value is None or value is False or value == "" or value == []


def factor_from(record: Mapping[str, Any]) -> Factor:
    """Return the factor that :func:`factor_record` wrote.

    Raises
    ------
    FactorError
        When the record is of no known kind or names something a factor does not have.

    Examples
    --------
    >>> factor_from(factor_record(Component("rye flour", 0.1, 0.4))).high
    0.4
    """
    kinds = {"numeric": Numeric, "categorical": Categorical, "component": Component}
    fields = dict(record)
    kind = fields.pop("kind", None)
    if kind not in kinds:
        raise FactorError(f"a factor of kind {kind!r}; expected {in_words(kinds, 'or')}.")
    if "changes" in fields:
        fields["changes"] = tuple(
            Formula.from_dict(part) if isinstance(part, Mapping) else part
            for part in fields["changes"]
        )
    if "only_when" in fields:
        fields["only_when"] = tuple(fields["only_when"])
    try:
        return kinds[kind](**fields)
    except TypeError as error:
        raise FactorError(f"the factor {record.get('name')!r}: {error}.") from None
