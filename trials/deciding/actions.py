"""What could be baked next: candidate actions, each a set of settings with a word why."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from trials.analysis.no_error import unit_means
from trials.analysis.results import Averaged, Findings
from trials.base.errors import FitError, TrialsError
from trials.base.words import in_words
from trials.core.factors import Categorical, Component, Factor
from trials.core.plan import Plan, reference_setting
from trials.core.roles import Role
from trials.core.terms import coded_settings, kitchen_names
from trials.deciding.gain import (
    Belief,
    Knowledge,
    chance_best,
    coded_made,
    contest,
    gain_of,
    gaining,
    narrowing,
    numbers_of,
)
from trials.design.factorial import fold_over
from trials.design.fractions import unfinished

# -- One thing to do with the next bakes.


@dataclass(frozen=True, eq=False)
class Action:
    """One thing to do with the next bakes.

    Parameters
    ----------
    name : str
        In kitchen words.
    X : ndarray, shape (bakes, factors)
        Coded settings.
    why : str
        A sentence on what the bakes are for.
    references : int
        Reference bakes beside them.
    """

    name: str
    X: np.ndarray
    why: str
    references: int = 0


# -- Bakes that best tell rival explanations apart.


PASSES = 5
_SEED = 1996


@dataclass(frozen=True, eq=False)
class Rival:
    """One explanation of the bakes so far.

    Parameters
    ----------
    share : float
        How probable it is.
    X : ndarray, shape (bakes, columns)
        Its columns in the bakes so far, those that are always in first.
    pool : ndarray, shape (settings, columns)
        The same columns at the settings that may be baked next.
    always : int
        How many columns are always in (the mean, days): nothing is assumed about their size.
    """

    share: float
    X: np.ndarray
    pool: np.ndarray
    always: int = 1


@dataclass(frozen=True, eq=False)
class Forecasts:
    """What every explanation expects at the settings that may be baked next.

    Parameters
    ----------
    shares : ndarray, shape (models,)
    means : ndarray, shape (models, settings)
    spreads : ndarray, shape (models, settings, settings)
        Covariance of the expectations in units of the error's variance, without the new error.
    precision : ndarray, shape (models,)
        The expected inverse of the error's variance.
    """

    shares: np.ndarray
    means: np.ndarray
    spreads: np.ndarray
    precision: np.ndarray

    def md(self, bakes: Sequence[int]) -> float:
        """Return the criterion for bakes at these places of the settings."""
        return float(self._md(np.asarray(bakes, dtype=int)[None])[0])

    def _md(self, designs: np.ndarray) -> np.ndarray:
        """Return the criterion of many designs at once, shape (designs,)."""
        count = designs.shape[1]
        means = self.means[:, designs]
        spreads = self.spreads[:, designs[:, :, None], designs[:, None, :]] + np.eye(count)
        inverse = np.linalg.inv(spreads)
        total = np.zeros(len(designs))
        for i, own in enumerate(self.shares):
            traces = np.einsum("jdab,dba->jd", inverse, spreads[i])
            apart = means[i] - means
            apart = np.einsum("jda,jdab,jdb->jd", apart, inverse, apart)
            total += own * (self.shares @ (traces - count + self.precision[i] * apart))
        return total / 2


def forecasts_of(y: np.ndarray, rivals: Sequence[Rival], size: float = 1.0) -> Forecasts:
    """Return what rival explanations expect, each fitted to the bakes so far.

    References
    ----------
    Meyer, Steinberg & Box 1996, Technometrics 38:303-313.
    """
    if len(rivals) < 2:
        raise FitError("one explanation alone needs no bake to tell it from others.")
    means, spreads, precision = [], [], []
    for rival in rivals:
        prior = np.full(rival.X.shape[1], 1 / size**2)
        prior[: rival.always] = 0.0
        inverse = np.linalg.inv(np.diag(prior) + rival.X.T @ rival.X)
        beta = inverse @ rival.X.T @ y
        left = float(((y - rival.X @ beta) ** 2).sum() + prior @ beta**2)
        means.append(rival.pool @ beta)
        spreads.append(rival.pool @ inverse @ rival.pool.T)
        precision.append((len(y) - rival.always) / left)
    shares = np.array([rival.share for rival in rivals])
    return Forecasts(shares / shares.sum(), np.array(means), np.array(spreads), np.array(precision))


def telling_apart(found: Forecasts, bakes: int, starts: int = 4) -> tuple[list[int], float]:
    """Return the bakes that best tell the explanations apart, and their criterion.

    References
    ----------
    Meyer, Steinberg & Box 1996, Technometrics 38:303-313 (criterion and exchange).
    """
    rng = np.random.default_rng(_SEED)
    settings = np.arange(found.means.shape[1])
    best: tuple[list[int], float] = ([], -np.inf)
    for _ in range(starts):
        design = rng.integers(len(settings), size=bakes)
        value = -np.inf
        for _ in range(PASSES):
            before = value
            for place in range(bakes):
                tried = np.repeat(design[None], len(settings), axis=0)
                tried[:, place] = settings
                scores = found._md(tried)
                design = tried[int(np.argmax(_rounded(scores)))]
                value = float(scores.max())
            if value <= before * (1 + 1e-9):
                break
        if value > best[1] * (1 + 1e-9) or not best[0]:
            best = (sorted(int(place) for place in design), value)
    return best


def _rounded(values: np.ndarray) -> np.ndarray:
    top = np.abs(values).max()
    return np.round(values / top, 9) if top > 0 else values


# -- Bakes that bring apart what a plan at low and high mixed up: mirror bakes, and missing ones.


AT_AN_END = 0.1  # a number set this near to its low or high, coded, was meant to be there
OPEN = (0.3, 0.9)  # a pair that matters with a chance between these is not settled yet


def completed(knowledge: Knowledge, bakes: int) -> Iterator[Action]:
    """Yield the bakes that complete the two-level fraction of which those made are a part."""
    if not all(_two_settings(one) for one in knowledge.factors):
        return
    kinds = [isinstance(factor, Categorical) for factor in knowledge.factors]
    made = coded_made(knowledge)
    # Kinds are coded 0 and 1, numbers -1 and +1
    signs = np.where(kinds, 2 * made - 1, made)
    signs = signs[(np.abs(np.abs(signs) - 1) <= AT_AN_END).all(axis=1)]
    if not len(signs):
        return
    rest = unfinished(np.sign(signs))
    if len(rest) <= bakes:
        yield Action(
            "complete the combinations",
            np.where(kinds, (rest + 1) / 2, rest),
            "The bakes so far are a part of certain combinations of low and high; with the "
            "missing ones more can be told apart.",
        )


def _two_settings(factor: Factor) -> bool:
    """Say whether a factor has a low and a high, or two kinds, in every bake."""
    if isinstance(factor, Component) or factor.only_when:
        return False
    return not isinstance(factor, Categorical) or len(factor.levels) == 2


def mirrored(knowledge: Knowledge, bakes: int) -> Iterator[Action]:
    """Yield mirror bakes: of everything, of one factor, and half of them for a mixed-up pair."""
    made = knowledge.baked
    made = made[made["role"] == Role.TRIAL].reset_index(drop=True)
    plan = Plan(knowledge.factors, made, "the bakes so far", "interactions")
    names = [factor.name for factor in knowledge.factors]
    wanted: list[tuple[str, dict]] = []
    if len(made) <= bakes:
        wanted = [("every factor", {})] + [(name, {"factors": [name]}) for name in names]
    elif len(made) / 2 <= bakes:
        wanted = [(f"{a} with {b}", {"pair": (a, b)}) for a, b in _mixed_pairs(knowledge)[:3]]
    for what, how in wanted:
        try:
            folded = fold_over(plan, seed=1, **how)
        except TrialsError:
            continue
        X = coded_settings(knowledge.factors, folded.table.iloc[len(made) :])
        if len(X) > bakes:
            continue
        yield Action(
            f"mirror bakes of {what}" if "pair" not in how else f"mirror half, for {what}",
            X,
            "Mirror bakes exchange high and low, so that what was mixed up comes apart.",
        )


def _mixed_pairs(knowledge: Knowledge) -> list[tuple[str, str]]:
    """Return the pairs of factors that may matter, the likeliest first, where not yet settled."""
    averaged = knowledge.findings[0].averaged
    if averaged is None:
        return []
    table = averaged.table.drop_duplicates("term")
    table = table[table["chance"].between(*OPEN)]
    pairs = {term.name: term.factors for term in averaged.terms if len(term.factors) == 2}
    ranked = table.sort_values("chance", ascending=False)["term"]
    return [pairs[name] for name in ranked if name in pairs]


# -- What could be baked next: candidate actions, each a set of settings with a word why.


MOST_POOL = 300  # settings that bakes are taken from
MOST_RIVALS = 6
MOST_EXCHANGED = 20_000  # settings x pool x bakes up to which every exchange is tried in seconds
SURE = 0.9  # a factor is held at a setting that is the better one with this chance
LIKELY_AT_WORK = 0.8  # the chance from which a number's middle is worth a bake
AS_MUCH = 0.95  # of the gain that was found: nearer than that, gains are not told apart
NEAR = 0.5  # a narrowed range is this share of the whole
FEWEST_RIVAL_SHARE = 0.02


def actions(knowledge: Knowledge, bakes: int) -> list[Action]:
    """Return every action that fits the budget and the findings."""
    pool = _pool(knowledge)
    chances = chance_best(knowledge)
    missing = [one for one in completed(knowledge, bakes) if knowledge.region.allows(one.X).all()]
    makers: tuple[Callable[[], Iterator[Action]], ...] = (
        lambda: _contested(knowledge, pool, chances, bakes, missing),
        lambda: _mapped(knowledge, pool, bakes),
        lambda: _told_apart(knowledge, pool, bakes),
        lambda: iter(missing),
        lambda: mirrored(knowledge, bakes),
        lambda: _repeated(knowledge, bakes),
        lambda: _held(knowledge, pool, chances, bakes),
        lambda: _narrowed(knowledge, bakes),
        lambda: _bent(knowledge, bakes),
        lambda: _ends_first(knowledge, pool, bakes),
        lambda: _path(knowledge, bakes),
    )
    found: list[Action] = []
    for maker in makers:
        found += [one for one in maker() if len(one.X) and knowledge.region.allows(one.X).all()]
    return [_checked(knowledge, one) for one in found]


def _pool(knowledge: Knowledge) -> np.ndarray:
    """Return allowed settings to bake: kinds, and numbers at their ends and middles."""
    region, factors = knowledge.region, knowledge.factors
    numbers = numbers_of(factors)
    places = 3 if len(numbers) and _combinations(knowledge, 3) <= MOST_POOL else 2
    # A middle of what does nothing is a bake that tells less of everything else
    bent = set(likely_bent(knowledge))
    axes = [
        np.arange(len(f.levels), dtype=float)
        if isinstance(f, Categorical)
        else np.linspace(-1, 1, places if at in bent else 2)
        for at, f in enumerate(factors)
    ]
    if len(region.parts) or _combinations(knowledge, 2) > 4 * MOST_POOL:
        settings = region.grid(MOST_POOL)
    else:
        grid = np.meshgrid(*axes, indexing="ij")
        settings = region.snapped(np.stack(grid, axis=-1).reshape(-1, len(factors)))
    made = coded_made(knowledge)
    settings = np.vstack([settings, made[region.allows(made)], knowledge.best])
    if places == 2 and numbers:
        middle = np.repeat(knowledge.best[None], len(bent), axis=0)
        middle[np.arange(len(bent)), sorted(bent)] = 0.0
        settings = np.vstack([settings, region.snapped(middle), _middles(knowledge, sorted(bent))])
    settings = np.unique(np.round(settings, 9), axis=0)
    return settings[region.allows(settings)]


def _middles(knowledge: Knowledge, bent: Sequence[int]) -> np.ndarray:
    """Return the reference values of what may bend, together, all else as in the best setting."""
    setting = reference_setting(knowledge.factors)
    own = coded_settings(knowledge.factors, pd.DataFrame([setting]))
    best = knowledge.best[None].copy()
    best[:, list(bent)] = own[:, list(bent)]
    return best


def _combinations(knowledge: Knowledge, places: int) -> float:
    counts = [len(f.levels) if isinstance(f, Categorical) else places for f in knowledge.factors]
    return float(np.prod(counts, dtype=float))


def _contested(
    knowledge: Knowledge,
    pool: np.ndarray,
    chances: np.ndarray,
    bakes: int,
    missing: Sequence[Action],
) -> Iterator[Action]:
    """Yield bakes at and between the settings that may be the best."""
    one = knowledge.beliefs[0]
    places = narrowing(one, pool, contest(one, knowledge.settings, chances), bakes)
    X = pool[places]
    if len(knowledge.settings) * len(pool) * bakes <= MOST_EXCHANGED:
        X = gaining(knowledge, [X, *(rest.X for rest in missing if len(rest.X) == bakes)], pool)
    X = _as_the_rivals(knowledge, X, chances)
    count = int((chances >= FEWEST_RIVAL_SHARE).sum())
    rivals = (
        f"{count} settings may still be the best"
        if count > 1
        else "Beside the likeliest setting others have a small chance each of being the best"
    )
    yield Action("decide between the best", X, f"{rivals}; these bakes decide most between them.")


def _as_the_rivals(knowledge: Knowledge, X: np.ndarray, chances: np.ndarray) -> np.ndarray:
    """Return the bakes with what all rivals share set as they have it, where that tells as much.

    Where bakes without soda are sure to be worse, bakes that decide among those with soda have it.
    """
    rivals = knowledge.settings[chances >= FEWEST_RIVAL_SHARE]
    if not len(rivals):
        return X
    gain = gain_of(knowledge)
    for place in np.flatnonzero(np.ptp(rivals, axis=0) < 1e-9):
        shared = X.copy()
        shared[:, place] = rivals[0, place]
        if knowledge.region.allows(shared).all() and gain(shared) >= AS_MUCH * gain(X):
            X = shared
    return X


def _mapped(knowledge: Knowledge, pool: np.ndarray, bakes: int) -> Iterator[Action]:
    """Yield bakes that narrow what is believed of all settings alike."""
    one = knowledge.beliefs[0]
    even = np.full(len(pool), 1 / len(pool))
    X = pool[narrowing(one, pool, contest(one, pool, even), bakes)]
    yield Action(
        "fill the gaps",
        X,
        "These bakes sharpen what is expected of every setting alike.",
    )


def _told_apart(knowledge: Knowledge, pool: np.ndarray, bakes: int) -> Iterator[Action]:
    """Yield the bakes that best tell rival explanations apart."""
    found = _rivals(knowledge, pool)
    if found is None:
        return
    y, rivals, named = found
    places, _ = telling_apart(forecasts_of(y, rivals), bakes, starts=1)
    yield Action(
        "tell explanations apart",
        pool[places],
        f"{len(rivals)} explanations are likeliest ({named}); these bakes tell them apart best.",
    )


def _rivals(knowledge: Knowledge, pool: np.ndarray) -> tuple[np.ndarray, list[Rival], str] | None:
    """Return the bakes' scores and the explanations that the averaged draws hold."""
    found, one = knowledge.findings[0], knowledge.beliefs[0]
    if found.averaged is None:
        return None
    y, settings = _bake_scores(knowledge)
    width = len(found.averaged.draws)
    patterns, counts = np.unique(found.averaged.draws[1:].T != 0, axis=0, return_counts=True)
    order = np.argsort(-counts, kind="stable")[:MOST_RIVALS]
    shares = counts[order] / counts.sum()
    order, shares = order[shares >= FEWEST_RIVAL_SHARE], shares[shares >= FEWEST_RIVAL_SHARE]
    if len(order) < 2:
        return None
    at_bakes, at_pool = one.rows(settings)[:, :width], one.rows(pool)[:, :width]
    rivals = []
    for place, share in zip(order, shares, strict=True):
        columns = np.flatnonzero(np.concatenate([[True], patterns[place]]))
        rivals.append(Rival(float(share), at_bakes[:, columns], at_pool[:, columns]))
    names = [_explained(found, found.averaged, patterns[place], one) for place in order[:2]]
    return y, rivals, "; ".join(names)


def _explained(found: Findings, averaged: Averaged, pattern: np.ndarray, one: Belief) -> str:
    owner = one.basis.owner[1 : len(pattern) + 1]
    held = [term.name for place, term in enumerate(averaged.terms) if pattern[owner == place].any()]
    return kitchen_names(held, found.factors) or "nothing but chance"


def _bake_scores(knowledge: Knowledge) -> tuple[np.ndarray, np.ndarray]:
    """Return one score per bake, corrected for who tasted it and the day, and its settings."""
    left = knowledge.findings[0].residuals
    if "role" in left:
        left = left[left["role"] != Role.REFERENCE]
    bakes = left["bake"] if "bake" in left else pd.Series(range(len(left)), index=left.index)
    crossed = [
        pd.factorize(left[name])[0]
        for name in ("taster",)
        if name in left and left[name].notna().all() and left[name].nunique() > 1
    ]
    y, first = unit_means(left["observed"].to_numpy(float), pd.factorize(bakes)[0], crossed)
    rows = left.iloc[first]
    if "day" in rows and rows["day"].nunique() > 1:
        y = y - pd.Series(y).groupby(rows["day"].to_numpy()).transform("mean").to_numpy() + y.mean()
    return y, coded_settings(knowledge.factors, rows)


def _repeated(knowledge: Knowledge, bakes: int) -> Iterator[Action]:
    """Yield repeats of bakes already made, those expected to be best first."""
    made = np.unique(np.round(coded_made(knowledge), 9), axis=0)
    made = made[knowledge.region.allows(made)]
    if not len(made):
        return
    means = [one.rows(made) @ one.mean for one in knowledge.beliefs]
    order = np.argsort(-np.round(knowledge.worth(means), 9), kind="stable")
    count = min(bakes, max(2, bakes // 2), len(made))
    X = np.vstack([made[order[:count]]] * (bakes // count))
    yield Action(
        "repeat the best bakes",
        X,
        "Bakes made again show how alike two bakes are, and settle which of the best ones is best.",
    )


def _held(
    knowledge: Knowledge, pool: np.ndarray, chances: np.ndarray, bakes: int
) -> Iterator[Action]:
    """Yield bakes in which settled factors stay at their better setting."""
    held = settled(knowledge, chances)
    if not held or len(held) == len(knowledge.factors):
        return
    kept = np.all([np.abs(pool[:, at] - knowledge.best[at]) < 1e-9 for at in held], axis=0)
    some = pool[kept]
    if len(some) < 2:
        return
    one = knowledge.beliefs[0]
    even = np.full(len(some), 1 / len(some))
    X = some[narrowing(one, some, contest(one, some, even), bakes)]
    names = [knowledge.factors[at].name for at in held]
    yield Action(
        f"hold {in_words(names)}, vary the rest",
        X,
        f"The better setting of {in_words(names)} is sure enough to stay there.",
    )


def settled(knowledge: Knowledge, chances: np.ndarray) -> list[int]:
    """Return the factors whose better setting is sure enough, by their places."""
    result = []
    for at, factor in enumerate(knowledge.factors):
        near = 1e-9 if isinstance(factor, Categorical) else NEAR / 2
        alike = np.abs(knowledge.settings[:, at] - knowledge.best[at]) <= near
        if chances[alike].sum() >= SURE:
            result.append(at)
    return result


def _narrowed(knowledge: Knowledge, bakes: int) -> Iterator[Action]:
    """Yield bakes over ranges half as wide, of what is likely at work and was tried inside."""
    unseen, every = knowledge.beliefs[0].bends, numbers_of(knowledge.factors)
    # Until a bake lies inside, the ends tell more: half a range is a step from known ground
    numbers = [at for at in likely_bent(knowledge) if knowledge.factors[at].name not in unseen]
    if not numbers:
        return
    low = np.clip(knowledge.best[numbers] - NEAR, -1, 1 - 2 * NEAR)
    axes = [
        np.array([-1.0, 1.0] if at in every else [one]) for at, one in enumerate(knowledge.best)
    ]
    for place, at in enumerate(numbers):
        axes[at] = low[place] + NEAR * np.arange(3)
    if 3.0 ** len(numbers) > MOST_POOL:
        axes = [axis[[0, -1]] if len(axis) == 3 else axis for axis in axes]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, len(axes))
    grid = np.unique(np.round(knowledge.region.snapped(grid), 9), axis=0)
    grid = grid[knowledge.region.allows(grid)][: 4 * MOST_POOL]
    if len(grid) < 2:
        return
    one = knowledge.beliefs[0]
    even = np.full(len(grid), 1 / len(grid))
    X = grid[narrowing(one, grid, contest(one, grid, even), bakes)]
    yield Action(
        "narrow the ranges",
        X,
        "The ranges are halved round the best setting, where the next steps are smaller.",
    )


def likely_bent(knowledge: Knowledge) -> list[int]:
    """Return the numbers whose middle may be worth a bake: those likely at work, by place."""
    one = knowledge.beliefs[0]
    own = one.places.tolist()
    found = []
    for at in numbers_of(knowledge.factors):
        if at not in own:
            continue
        rows = one.basis.touched(own.index(at))
        if (np.abs(one.draws[rows]) > 0).any(axis=0).mean() >= LIKELY_AT_WORK:
            found.append(at)
    return found


def _ends_first(knowledge: Knowledge, pool: np.ndarray, bakes: int) -> Iterator[Action]:
    """Yield ends that tell pairs, and then middles of what is likely at work, by variance."""
    bent = likely_bent(knowledge)
    if not bent or bakes < 2:
        return
    numbers = numbers_of(knowledge.factors)
    inside = np.abs(np.abs(pool[:, numbers]) - 1).max(axis=1) > 1e-9
    if inside.all() or not inside.any():
        return
    one = knowledge.beliefs[0]
    weight = contest(one, pool, np.full(len(pool), 1 / len(pool)))
    middles = min(len(bent), bakes // 2)
    ends = np.flatnonzero(~inside)
    start = ends[narrowing(one, pool[ends], weight, bakes - middles)].tolist()
    X = pool[narrowing(one, pool, weight, bakes, start)]
    names = in_words(knowledge.factors[at].name for at in bent)
    yield Action(
        "ends, and middles of what matters",
        X,
        f"Ends come first, as they tell what works together; the others try {names} in between.",
    )


def _checked(knowledge: Knowledge, action: Action) -> Action:
    """Return an action in which each best amount that the cook told of is tried inside once."""
    told = set(knowledge.choice.forecasts[0].told)
    unseen = [
        at
        for at, factor in enumerate(knowledge.factors)
        if factor.name in told and not (np.abs(action.X[:, at]) < 1 - 1e-9).any()
    ]
    if not unseen:
        return action
    row = knowledge.best.copy()
    row[unseen] = np.where(np.abs(row[unseen]) < 1 - 1e-9, row[unseen], 0.0)
    row = knowledge.region.snapped(row[None])
    if not knowledge.region.allows(row).all():
        return action
    names = in_words(knowledge.factors[at].name for at in unseen)
    said = f"One bake tries {names} inside, to check the best amount that you told of."
    return replace(action, X=np.vstack([action.X[:-1], row]), why=f"{action.why} {said}")


def _bent(knowledge: Knowledge, bakes: int) -> Iterator[Action]:
    """Yield bakes at the ends and middles of what may bend, all else as in the best setting."""
    numbers = likely_bent(knowledge)
    if not numbers:
        return
    single = np.repeat(knowledge.best[None], 3 * len(numbers), axis=0)
    for place, at in enumerate(numbers):
        single[3 * place : 3 * place + 3, at] = (-1.0, 0.0, 1.0)
    rows = np.vstack([single, _middles(knowledge, numbers)])
    some = np.unique(np.round(knowledge.region.snapped(rows), 9), axis=0)
    some = some[knowledge.region.allows(some)]
    if len(some) < 2:
        return
    one = knowledge.beliefs[0]
    even = np.full(len(some), 1 / len(some))
    X = some[narrowing(one, some, contest(one, some, even), bakes)]
    yield Action(
        "look for a bend",
        X,
        "Middles and ends of one factor at a time, and all middles together, show whether the best "
        "lies in between.",
    )


def _path(knowledge: Knowledge, bakes: int) -> Iterator[Action]:
    """Yield bakes along the path of steepest ascent from the reference, within the limits."""
    numbers = numbers_of(knowledge.factors)
    if not numbers or len(knowledge.goals) > 1:
        return
    one = knowledge.beliefs[0]
    setting = reference_setting(knowledge.factors)
    start = knowledge.best.copy()
    start[numbers] = coded_settings(knowledge.factors, pd.DataFrame([setting]))[0, numbers]
    steps = np.repeat(start[None], 2 * len(numbers), axis=0)
    for place, at in enumerate(numbers):
        steps[2 * place, at] -= 0.01
        steps[2 * place + 1, at] += 0.01
    worth = knowledge.worth([one.rows(steps) @ one.mean])
    slope = worth[1::2] - worth[::2]
    if np.abs(slope).max() < 1e-12:
        return
    path = np.repeat(start[None], bakes, axis=0)
    ahead = np.linspace(0, 1, bakes + 1)[1:]
    path[:, numbers] += ahead[:, None] * slope / np.abs(slope).max()
    yield Action(
        "move along the path",
        knowledge.region.snapped(path),
        f"These bakes go step by step where {one.measure.name} gets better fastest.",
    )
