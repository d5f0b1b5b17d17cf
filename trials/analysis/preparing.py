"""From a table of scores to the question put to it: response, model, groups, blocks.

Nothing is dropped without a word: what was left out, and why, is in the notes.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from trials.analysis.cross_products import RandomTerm, dependent_columns
from trials.analysis.factor_columns import chosen_factors
from trials.analysis.group_columns import (
    bake_group,
    check_labels,
    check_settings,
    check_unit,
    group_codes,
    plain_groups,
    unknown_bakes,
    with_own_groups,
)
from trials.analysis.repeats import own_views, without_echoes
from trials.analysis.scored_rows import check_row, check_scale, usable_rows, with_columns
from trials.design.kitchen import FEW_DAYS
from trials.design.terms import Model, ModelMatrix, model_matrix, model_terms
from trials.errors import FitError
from trials.factors import Factor
from trials.measures import Measure
from trials.tables import in_words

USUAL_GROUPS = ("day", "load", "bake", "taster")
_NEARLY_SAID = 1e-6  # of the spread of a column: what the others must leave of it
CONTROL, CURVATURE = "reference bake", "middle-setting bake"


@dataclass(frozen=True, eq=False)
class Question:
    """A response, the model that is to explain it, and the rows that can.

    Parameters
    ----------
    response : str
    measure : Measure or None
    y : ndarray, shape (rows,)
    table : DataFrame
        The rows used, index 0..rows-1; `row` holds the place in the table that was given.
    factors : tuple of Factor
    matrix : ModelMatrix
        The columns of the terms that the rows can tell.
    proposed : ModelMatrix
        The columns of all terms that were asked for.
    nuisance : ndarray, shape (rows, columns)
        Fixed blocks and the one term of reference and of middle-setting bakes.
    nuisance_names : tuple of str
        Which block each nuisance column belongs to.
    groups : tuple of RandomTerm
        Random groups.
    failed : DataFrame
        Bakes that failed or were not served, with their reasons.
    notes : tuple of str
    model_named : bool
        Whether the model was asked for by name, not taken from the plan or by default.
    """

    response: str
    measure: Measure | None
    y: np.ndarray
    table: pd.DataFrame = field(repr=False)
    factors: tuple[Factor, ...]
    matrix: ModelMatrix = field(repr=False)
    proposed: ModelMatrix = field(repr=False)
    nuisance: np.ndarray = field(repr=False)
    nuisance_names: tuple[str, ...]
    groups: tuple[RandomTerm, ...] = field(repr=False)
    failed: pd.DataFrame = field(repr=False)
    notes: tuple[str, ...] = ()
    model_named: bool = False

    @property
    def X(self) -> np.ndarray:
        """All fixed columns: the model's, then the nuisance ones."""
        return np.hstack([self.matrix.X, self.nuisance])


def question(
    table: pd.DataFrame,
    response: str,
    factors: Sequence[Factor | str] | None,
    *,
    model: Model = None,
    groups: Iterable[str] | None = None,
    measure: Measure | None = None,
    planned: Model = None,
    extra_groups: Iterable[str] = (),
    blocks: Iterable[str] = (),
) -> Question:
    """Return the question that a table of scores can answer.

    Parameters
    ----------
    table : DataFrame
        One row per score.
    response : str
        The column to explain.
    factors : sequence of Factor or str
        Names stand for the columns as they are: numbers vary between their least and greatest,
        text is of kinds.
    model : str, list of str or None
        See :func:`trials.design.terms.model_terms`. None: `planned`, and terms that the rows can
        not tell are left out with a note; any other model is taken at its word.
    groups : iterable of str or None
        See the contract of :func:`trials.fit`.
    measure : Measure, optional
    planned : str, list of str or None
        The model of the plan.
    extra_groups : iterable of str
        What bakes of the plan share besides days and loads.
    blocks : iterable of str
        Columns whose levels are taken as they are (fixed), such as rounds.

    Raises
    ------
    FitError
        Saying what the table lacks or contradicts.

    Examples
    --------
    >>> table = pd.DataFrame({"rest": [20, 20, 60, 60], "liking": [5, 6, 7, 8]})
    >>> question(table, "liking", ["rest"], model="main").matrix.columns
    ('', 'rest')
    """
    table = with_columns(table, response, groups)
    groups = None if groups is None else plain_groups(groups, table)
    check_row(response, factors or (), groups or ())
    notes: list[str] = []
    bake = bake_group(groups)
    kept, failed = usable_rows(table, response, notes, bake)
    check_scale(kept, response, measure)
    kept = with_own_groups(kept, _named_groups(groups, extra_groups), notes)
    if groups is None:
        kept = without_echoes(kept, response, notes)
        check_labels(kept)
    chosen = chosen_factors(kept, factors, response, (*USUAL_GROUPS, *extra_groups))
    check_settings(_varied(kept), chosen, bake)
    matrix, nuisance, names = _fixed_part(kept, chosen, model, planned, notes)
    used = _group_names(kept, groups, extra_groups, chosen)
    if groups != ():
        notes.extend(filter(None, [unknown_bakes(kept, chosen, response, used)]))
    for block in blocks:
        nuisance, names = _joined(nuisance, names, block, kept)
    if groups is None:
        used, days = _days_apart(kept, used, notes)
        nuisance, names = _joined(nuisance, names, days, kept)
    check_unit(kept, used, groups)
    proposed = matrix
    matrix, nuisance, names = _without_aliases(matrix, nuisance, names, kept, chosen, model, notes)
    return Question(
        response=response,
        measure=measure,
        y=kept[response].to_numpy(dtype=float),
        table=kept,
        factors=chosen,
        matrix=matrix,
        proposed=proposed,
        nuisance=nuisance,
        nuisance_names=names,
        groups=tuple(RandomTerm(name, group_codes(kept, name)) for name in used),
        failed=failed,
        notes=tuple(notes),
        model_named=model is not None,
    )


def _varied(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows whose settings count: those of reference bakes do not."""
    return table[table["role"] != "control"] if "role" in table else table


def _named_groups(groups: Iterable[str] | None, extra_groups: Iterable[str]) -> list[str]:
    """Return every column that may be a group."""
    if groups is None:
        return list(dict.fromkeys([*USUAL_GROUPS, *extra_groups]))
    names = list(groups)
    return list(dict.fromkeys([*names, *(part for name in names for part in name.split("/"))]))


def _fixed_part(
    table: pd.DataFrame,
    factors: tuple[Factor, ...],
    model: Model,
    planned: Model,
    notes: list[str],
) -> tuple[ModelMatrix, np.ndarray, tuple[str, ...]]:
    terms = model_terms(planned if model is None else model, factors)
    role = table["role"] if "role" in table else pd.Series("trial", index=table.index)
    columns, names = [], []
    control = (role == "control").to_numpy()
    rows = np.where(control & ~control.all(), (~control).argmax(), np.arange(len(table)))
    matrix = model_matrix(terms, factors, table.iloc[rows].reset_index(drop=True))
    if control.any() and not control.all():
        # A reference bake is its own setting: its factor columns are silenced, one term of its
        # own takes its level up, and only differences between days and loads are left to learn
        X = matrix.X.copy()
        X[np.ix_(control, matrix.owner >= 0)] = 0
        matrix = ModelMatrix(X, matrix.terms, matrix.owner, matrix.columns)
        columns.append(control.astype(float))
        names.append(CONTROL)
    centre = (role == "centre").to_numpy()
    if centre.any() and not any(power > 1 for term in terms for _, power in term.powers):
        columns.append(centre.astype(float))
        names.append(CURVATURE)
        notes.append(
            "Middle-setting bakes stand apart from the straight-line model: they show whether "
            "the response bends, and how alike two bakes are."
        )
    block = np.column_stack(columns) if columns else np.empty((len(table), 0))
    return matrix, block, tuple(names)


def _group_names(
    table: pd.DataFrame,
    groups: Iterable[str] | None,
    extra_groups: Iterable[str],
    factors: Sequence[Factor],
) -> tuple[str, ...]:
    if groups is not None:
        names = tuple(dict.fromkeys(groups))
        for name in names:
            if pd.Series(group_codes(table, name)).nunique() < 2:
                raise FitError(f'the group "{name}" has one level only; leave it out.')
        return names
    own = {factor.name for factor in factors}
    present = [name for name in (*USUAL_GROUPS, *extra_groups) if name in table and name not in own]
    codes = {
        name: group_codes(table, name)
        for name in dict.fromkeys(present)
        if table[name].notna().all()
    }
    levels = {name: len(set(found)) for name, found in codes.items()}
    usable = [name for name in codes if 1 < levels[name] < len(table)]
    apart = tuple(name for name in usable if not _repeated(name, usable, codes))
    return apart + own_views(table, apart)


def _repeated(name: str, usable: Sequence[str], codes: dict[str, np.ndarray]) -> bool:
    """Say whether a later group splits the rows in the very same way."""
    later = usable[usable.index(name) + 1 :]
    pairs = ((codes[name], codes[other]) for other in later)
    return any(len(set(zip(a, b, strict=True))) == len(set(a)) == len(set(b)) for a, b in pairs)


def _days_apart(
    table: pd.DataFrame, groups: tuple[str, ...], notes: list[str]
) -> tuple[tuple[str, ...], str | None]:
    """Return the random groups, and "day" apart where its days are too few to be random."""
    if "day" in groups and table["day"].nunique() < FEW_DAYS:
        notes.append(
            f"The {table['day'].nunique()} days are taken as they are (a fixed block): "
            "differences between them change no verdict."
        )
        return tuple(name for name in groups if name != "day"), "day"
    return groups, None


def _joined(
    nuisance: np.ndarray, names: tuple[str, ...], block: str | None, table: pd.DataFrame
) -> tuple[np.ndarray, tuple[str, ...]]:
    if block is None:
        return nuisance, names
    codes = group_codes(table, block)
    count = int(codes.max()) + 1
    contrasts = np.vstack([np.eye(count - 1), -np.ones(count - 1)])[codes]
    return np.hstack([nuisance, contrasts]), names + (block,) * (count - 1)


def _without_aliases(
    matrix: ModelMatrix,
    nuisance: np.ndarray,
    names: tuple[str, ...],
    table: pd.DataFrame,
    factors: tuple[Factor, ...],
    model: Model,
    notes: list[str],
) -> tuple[ModelMatrix, np.ndarray, tuple[str, ...]]:
    """Return columns that the rows can tell apart, the terms that had to go being named."""
    keep = [n for n in range(nuisance.shape[1]) if n not in _told(matrix, nuisance)]
    nuisance, names = nuisance[:, keep], tuple(names[n] for n in keep)
    lead = (matrix.owner < 0).sum()
    whole = np.hstack([matrix.X[:, :lead], nuisance, matrix.X[:, lead:]])
    repeated = [column - nuisance.shape[1] for column in _repeating(whole)]
    gone = {int(matrix.owner[column]) for column in repeated if column >= lead}
    if not gone:
        return matrix, nuisance, names
    lost = [matrix.terms[position] for position in sorted(gone)]
    words = in_words(f'"{term.name}"' for term in lost)
    if model is not None:
        raise FitError(
            f"the {_units(table)} can not tell {words} apart from the rest of the model; "
            "leave terms out, or bake the settings that are missing."
        )
    notes.append(f"{words} can not be told apart from the rest in these bakes and was left out.")
    kept = [term for term in matrix.terms if term not in lost]
    columns = [int(n) for n in np.flatnonzero(~np.isin(matrix.owner, list(gone)))]
    owner = {matrix.terms.index(term): place for place, term in enumerate(kept)}
    return (
        ModelMatrix(
            matrix.X[:, columns],
            tuple(kept),
            np.array([owner.get(int(matrix.owner[c]), -1) for c in columns]),
            tuple(matrix.columns[c] for c in columns),
        ),
        nuisance,
        names,
    )


def _repeating(X: np.ndarray) -> list[int]:
    """Return the columns that say, but for a millionth, only what those before them say.

    Two columns that differ by one slip of the pen would share an effect of millions between them.
    What is left of a column is set against its spread, so that no offset hides it.
    """
    repeated = dependent_columns(X)
    constant = bool(len(X)) and bool(np.any(np.ptp(X, axis=0) == 0))
    centred = X - X.mean(axis=0) if constant else X
    while True:
        kept = [n for n in range(X.shape[1]) if n not in repeated and np.any(centred[:, n])]
        sizes = np.linalg.norm(centred[:, kept], axis=0)
        left = np.abs(np.diag(np.linalg.qr(centred[:, kept] / sizes, mode="r")))
        near = np.flatnonzero(left < _NEARLY_SAID)
        if not len(near):
            return sorted(repeated)
        repeated.append(kept[near[0]])


def _told(matrix: ModelMatrix, nuisance: np.ndarray) -> set[int]:
    """Return the nuisance columns that the intercept and one another already say."""
    lead = int((matrix.owner < 0).sum())
    block = np.hstack([matrix.X[:, :lead], nuisance])
    return {column - lead for column in dependent_columns(block)}


def _units(table: pd.DataFrame) -> str:
    if "bake" in table and table["bake"].notna().all():
        return f"{table['bake'].nunique()} bakes"
    return f"{len(table)} rows"
