"""Model rows of a fit from arrays of settings, quick enough for a search."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from trials.design.basis import Basis, basis
from trials.design.terms import Term
from trials.factors import Factor


def fast_basis(terms: Sequence[Term], factors: Sequence[Factor]) -> Basis:
    """Return the columns of a fit for arrays of settings: kinds sum to zero, as the fits do.

    Examples
    --------
    >>> from trials.design.terms import model_terms
    >>> from trials.factors import Categorical
    >>> fat = Categorical("fat", ["butter", "lard", "oil"])
    >>> fast_basis(model_terms("main", [fat]), [fat]).rows(np.array([[0.0], [2.0]]))
    array([[ 1.,  1.,  0.],
           [ 1., -1., -1.]])
    """
    made = basis(terms, factors)
    coded = tuple(
        np.vstack([np.eye(one.shape[1]), -np.ones(one.shape[1])])
        if isinstance(one, np.ndarray)
        else one
        for one in made.contrasts
    )
    return replace(made, contrasts=coded)
