"""What a plan will say, rehearsed with the analysis that will be used.

A quick formula gives a first idea (`trials.design.power`). Here rounds are invented from one truth
after another and really fitted; the shares are those in which a change of 1, 2 and 3 points is said
to matter. All that is compared rests on the same random numbers.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from trials.analysis.fitting import fit
from trials.base.errors import TrialsError
from trials.base.progress import steps
from trials.base.words import tidy_number
from trials.core.factors import Categorical, Factor
from trials.core.measures import Measure
from trials.core.plan import Plan, whole_number
from trials.core.verdicts import MATTERS
from trials.deciding.choosing import recommend
from trials.deciding.rehearsal import Spreads, simulated, true_means
from trials.design.propose import TOO_LITTLE

SIZES = (1.0, 2.0, 3.0)  # points that one change makes
ASIDE = 0.3  # spread of what every other change makes: less than is worth noticing
COMPARED = 2.0  # points at which ways to taste are compared
ENOUGH = 0.8  # of the rounds: a change of that size is seen as planned
ROUNDS = 40
_MEAN = 5.5


@dataclass(frozen=True, eq=False)
class Foretold:
    """What a plan will say of changes of known size.

    Parameters
    ----------
    table : DataFrame
        way (as planned, one more taster, each bake tasted twice), points, matters (share of rounds
        in which the change was said to matter, the right way round), error (of that share),
        better (points by which the setting gone for beats the reference, in truth), better_error,
        more, more_error (by how much that share is larger than as planned).
    false : float
        Share of rounds in which a change not worth noticing was said to matter.
    rounds : int
    sentences : tuple of str
    """

    table: pd.DataFrame = field(repr=False)
    false: float
    rounds: int
    sentences: tuple[str, ...]

    def __repr__(self) -> str:
        return "\n".join(self.sentences)


def foretell(
    plan: Plan,
    *,
    tasters: int = 1,
    measure: Measure | None = None,
    rounds: int = ROUNDS,
    seed: int = 1,
) -> Foretold:
    """Return what a plan will say, by rehearsal with the analysis that will be used.

    Parameters
    ----------
    plan : Plan
    tasters : int
    measure : Measure, optional
        What is scored, on a scale of liking; liking on nine points when left out.
    rounds : int
        Of each size; the factors take turns in being the one that matters.
    seed : int
        The same random numbers serve every way that is compared.

    References
    ----------
    Morris, White & Crowther 2019, Statistics in Medicine 38, 2074-2102 (judging a method by
    simulated data whose truth is known).

    Examples
    --------
    >>> from trials.design.factorial import full_factorial
    >>> plan = full_factorial([Categorical("fat", ["butter", "lard"])], replicates=4, seed=1)
    >>> foretell(plan, tasters=2, rounds=2).table["points"].tolist()
    [1.0, 2.0, 3.0, 2.0, 2.0]
    """
    rounds = whole_number("rounds", rounds, least=2, most=10_000)
    measure = measure or Measure("liking", "hedonic 9", goal="higher")
    ways = [("as planned", tasters, 1, size) for size in SIZES]
    ways += [("one more taster", tasters + 1, 1, COMPARED)]
    ways += [("each bake tasted twice, blind", tasters, 2, COMPARED)]
    rows: list[tuple[Any, ...]] = []
    false: list[float] = []
    planned: dict[float, np.ndarray] = {}
    turns = [(*way, turn) for way in ways for turn in range(rounds)]
    every = np.array(
        [
            _one(plan, measure, count, times, size, turn, seed)
            for _, count, times, size, turn in steps(turns, "Rehearsing")
        ],
        dtype=float,
    ).reshape(len(ways), rounds, 3)
    for at, (way, _, _, size) in enumerate(ways):
        right, wrong, better = every[at].T
        if at < len(SIZES):
            planned[size] = right
            false.append(float(wrong.mean()))
        # Told from the plan's own rounds one by one, as both rest on the same random numbers
        apart = _mean(right - planned[size])
        share = (float(right.mean()), _share_error(right))
        rows.append((way, size, *share, *_mean(better[np.isfinite(better)]), *apart))
    columns = ["way", "points", "matters", "error", "better", "better_error", "more", "more_error"]
    table = pd.DataFrame(rows, columns=columns)
    found = Foretold(table, float(np.mean(false)), rounds, ())
    return replace(found, sentences=_sentences(found, plan, tasters))


def _mean(values: np.ndarray) -> tuple[float, float]:
    if not len(values):
        return float("nan"), float("nan")
    return float(values.mean()), float(values.std(ddof=1) / np.sqrt(len(values)))


def _share_error(right: np.ndarray) -> float:
    """Return the error of a share (Agresti & Coull 1998): not nothing where all came out alike."""
    guess = (right.sum() + 2) / (len(right) + 4)
    return float(np.sqrt(guess * (1 - guess) / (len(right) + 4)))


def _one(
    plan: Plan, measure: Measure, tasters: int, times: int, size: float, turn: int, seed: int
) -> tuple[bool, bool, float]:
    """Return whether the change was rightly said to matter, a lesser one was, and the gain."""
    varied = [one for one in plan.factors if plan.rows[one.name].nunique() > 1]
    chosen = varied[turn % len(varied)]
    rng = np.random.default_rng([seed, turn])
    effects = {
        one.name: _effect(one, float(part))
        for one, part in zip(varied, ASIDE * rng.standard_normal(len(varied)), strict=True)
    }
    sign = 1.0 if rng.random() < 0.5 else -1.0
    effects[chosen.name] = _effect(chosen, sign * size)
    table = _scores(plan, effects, measure, tasters, times, [seed, turn, 1])
    try:
        found = fit(table, measure.name, varied, measure=measure)
        best = recommend(found, replace(measure, goal=measure.goal or "higher"))
    except TrialsError:
        return False, False, float("nan")
    said = found.spoken[found.spoken["verdict"] == MATTERS]
    right = wrong = False
    for row in said.itertuples():
        truth = _true(varied, effects, str(row.term), str(row.level), str(row.reference))
        if truth is None:
            continue
        if truth * row.estimate > 0 and abs(truth) >= (measure.margin or 0.0):
            right = right or row.term == chosen.name
        else:
            wrong = True
    middle = {one.name: one.middle for one in plan.factors}
    worth = true_means(
        pd.DataFrame([{**middle, **best.settings}, middle]), plan.factors, effects, _MEAN
    )
    return right, wrong, float(worth[0] - worth[1])


def _effect(factor: Factor, size: float) -> Any:
    """Return an effect from the lowest to the highest setting; of kinds, spread evenly."""
    if not isinstance(factor, Categorical):
        return size
    return dict(
        zip(factor.levels, np.linspace(-size / 2, size / 2, len(factor.levels)), strict=True)
    )


def _true(
    factors: Sequence[Factor], effects: dict[str, Any], term: str, level: str, reference: str
) -> float | None:
    """Return what is true of one spoken difference; None for pairs, of which there are none."""
    if term not in effects:
        return 0.0
    effect = effects[term]
    if not isinstance(effect, dict):
        return float(effect)
    if level not in effect or reference not in effect:
        return None
    return float(effect[level] - effect[reference])


def _scores(
    plan: Plan,
    effects: dict[str, Any],
    measure: Measure,
    tasters: int,
    times: int,
    seed: Sequence[int],
) -> pd.DataFrame:
    """Return invented scores, each bake tasted so many times by each taster."""
    spreads = Spreads()
    kitchen = int(np.random.default_rng(seed).integers(2**53))
    quiet = simulated(
        plan,
        effects,
        mean=_MEAN,
        measure=measure,
        tasters=tasters,
        spreads=replace(spreads, tasting=0.0),
        rounded=False,
        seed=kitchen,
    )
    tables = []
    for time in range(times):
        rng = np.random.default_rng([*seed, time])
        noise = spreads.tasting * rng.standard_normal(len(quiet))
        scores = (quiet[measure.name] + noise).round().clip(measure.low, measure.high)
        tables.append(quiet.assign(**{measure.name: scores}))
    return pd.concat(tables, ignore_index=True)


def _sentences(found: Foretold, plan: Plan, tasters: int) -> tuple[str, ...]:
    own = found.table[found.table["way"] == "as planned"]
    by = f"{tasters} taster{'' if tasters == 1 else 's'}"
    said = [
        f"Rehearsed {found.rounds} times for each size: {plan.sentence()}, {by}, in a kitchen as "
        "is usual; one change matters, the others make little."
    ]
    said += [
        f"A change of {row.points:.0f} point{'' if row.points == 1 else 's'} is said to matter in "
        f"{10 * row.matters:.0f} of 10 rounds (± {20 * row.error:.1f}); the setting gone for beats "
        f"the reference by {tidy_number(row.better, 2)} (± {tidy_number(2 * row.better_error, 1)})."
        for row in own.itertuples()
    ]
    said.append(
        f"A change not worth noticing was said to matter in {100 * found.false:.0f} of 100 rounds."
    )
    for row in found.table[found.table["way"] != "as planned"].itertuples():
        tie = abs(row.more) <= 2 * row.more_error
        what = "too little to tell it from the plan" if tie else f"{10 * row.more:+.1f} of 10"
        said.append(
            f"With {row.way}, {row.points:.0f} points in {10 * row.matters:.0f} of 10 rounds "
            f"({what.replace('-', '−')})."
        )
    return (*said, _advice(found.table, plan))


def _advice(table: pd.DataFrame, plan: Plan) -> str:
    """Return the one thing to do: bake it, taste it otherwise, or leave a question out."""
    (planned,) = table[(table["way"] == "as planned") & (table["points"] == COMPARED)].itertuples()
    if planned.matters >= ENOUGH:
        return "What to do: bake it as planned."
    others = table[table["way"] != "as planned"]
    better = others[others["more"] > 2 * others["more_error"]]
    if len(better):
        way = better.loc[better["more"].idxmax(), "way"]
        return f"What to do: bake it as planned, with {way}; that gains most."
    left = next((one for one in plan.reasons if one.startswith(TOO_LITTLE)), "")
    fewer = left.removeprefix(f"{TOO_LITTLE}, ") or "plan more bakes."
    return f"What to do: bake it as planned, to find a good bake; to prove more, {fewer}"
