"""Many starts of a coordinate exchange, each shaken again and again, and the best of them.

A start that has come to rest is shaken: two of its bakes are drawn anew, and it climbs again;
it keeps the better of the two. That reaches good plans far sooner than fresh starts do
(iterated local search: Lourenço, Martin & Stützle 2003, Handbook of Metaheuristics, ch. 11).
"""

import sys
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import joblib
import numpy as np

from trials.design.candidates import Candidates
from trials.design.coordinate_exchange import LEAST_GAIN, Search, climb
from trials.errors import PlanError

# Starts that advance together as one array: a unit of work for another processor
TOGETHER = 100
SHAKEN_BAKES = 2
# After so many shakes the worse half of the starts goes on from the better half
GIVING_WAY = 4
# Shares move on a line, not on a grid: gains below this only fill the time until the end
BLEND_GAIN = 2e-3
LAST_GAIN = 1e-5
PATIENCE = 2.0  # seconds before a progress bar is shown

Tick = Callable[[float], None]


@dataclass(frozen=True, eq=False)
class Effort:
    """How long to search.

    Parameters
    ----------
    starts : int
        Starts drawn by chance.
    shakes : int
        Times that each is shaken.
    """

    starts: int
    shakes: int


@dataclass(frozen=True, eq=False)
class Found:
    """The best of a search.

    Parameters
    ----------
    settings : ndarray, shape (bakes, factors)
    score : float
        Larger is better; -inf when no start can judge the whole model.
    interrupted : bool
        Whether the search was stopped before its end.
    """

    settings: np.ndarray
    score: float
    interrupted: bool = False


def usual_effort(search: Search, bakes: int) -> Effort:
    """Return starts and shakes that take some seconds at most."""
    work = bakes * search.basis.index.shape[1] * search.information_size**2
    starts = int(np.clip(2e7 / work, 5, TOGETHER))
    return Effort(starts, int(np.clip(1.2e7 / work, 3, 12)))


def best_of_many(
    search: Search, candidates: Candidates, given: np.ndarray, seed: int, effort: Effort
) -> Found:
    """Return the best plan of many starts.

    Runs where joblib's active backend says (``with joblib.parallel_config("dask"): ...``), here
    and now when none was chosen; the plan is the same either way. Ctrl-C returns the best so far.

    Parameters
    ----------
    search, candidates
    given : ndarray, shape (bakes, factors)
        Settings of bakes already made; missing where they are to be found.
    seed : int
    effort : Effort
    """
    sizes = [min(TOGETHER, effort.starts - at) for at in range(0, effort.starts, TOGETHER)]
    jobs = [
        (search, candidates, given, [seed, part], size, effort) for part, size in enumerate(sizes)
    ]
    bar = _Bar()
    alone = joblib.Parallel().n_jobs == 1
    found: list[Found] = []
    try:
        for result in _here(jobs, bar) if alone else _elsewhere(jobs, bar):
            found.append(result)
            if result.interrupted:
                break
    except KeyboardInterrupt:
        if not found:
            raise
        found.append(Found(found[0].settings, -np.inf, True))
    finally:
        bar.close()
    # Rounded, so that the lowest start wins a tie on any machine
    scores = [round(result.score, 9) for result in found]
    best = found[int(np.argmax(scores))]
    return Found(best.settings, best.score, any(result.interrupted for result in found))


def _here(jobs: list[tuple], bar: "_Bar") -> Iterable[Found]:
    for part, job in enumerate(jobs):
        yield one_lot(*job, tick=lambda share, part=part: bar.show((part + share) / len(jobs)))  # type: ignore[misc]


def _elsewhere(jobs: list[tuple], bar: "_Bar") -> Iterable[Found]:
    backend, _ = joblib.parallel.get_active_backend()
    lazily = getattr(backend, "supports_return_generator", False)
    parallel = joblib.Parallel(return_as="generator" if lazily else "list")
    for part, result in enumerate(parallel(joblib.delayed(one_lot)(*job) for job in jobs), start=1):
        bar.show(part / len(jobs))
        yield result


def one_lot(
    search: Search,
    candidates: Candidates,
    given: np.ndarray,
    seed: list[int],
    count: int,
    effort: Effort,
    tick: Tick | None = None,
) -> Found:
    """Return the best of some starts that advance together."""
    rng = np.random.default_rng(seed)
    listed = None if candidates.exclusion.empty else candidates.listed(rng)
    starts = np.stack([_start(search, candidates, given, listed, rng) for _ in range(count)])
    scores = search.score(starts)
    least = BLEND_GAIN if len(candidates.parts) else LEAST_GAIN
    interrupted = False
    try:
        starts = climb(search, starts, candidates.moves, least)
        scores = search.score(starts)
        for shake in range(effort.shakes):
            if tick:
                tick((shake + 1) / (effort.shakes + 1))
            shaken = climb(
                search, _shaken(search, candidates, starts, rng), candidates.moves, least
            )
            again = search.score(shaken)
            better = np.round(again, 9) > np.round(scores, 9)
            starts[better], scores[better] = shaken[better], again[better]
            if scores.max() > search.ceiling - 1e-9:
                break
            if (shake + 1) % GIVING_WAY == 0:
                order = np.argsort(-np.round(scores, 9), kind="stable")
                worse, leading = order[len(order) - len(order) // 2 :], order[: len(order) // 2]
                starts[worse], scores[worse] = starts[leading], scores[leading]
    except KeyboardInterrupt:
        interrupted = True
    best = int(np.argmax(np.round(scores, 9)))
    if len(candidates.parts) and not interrupted:
        starts = climb(search, starts[best : best + 1], candidates.moves, LAST_GAIN)
        return Found(starts[0], float(search.score(starts)[0]))
    return Found(starts[best], float(scores[best]), interrupted)


def _start(
    search: Search,
    candidates: Candidates,
    given: np.ndarray,
    listed: np.ndarray | None,
    rng: np.random.Generator,
) -> np.ndarray:
    """Return a start drawn by chance in which no bake is excluded."""
    new = np.isnan(given).any(axis=1)
    settings = np.where(new[:, None], candidates.draw(rng, len(given)), given)
    for bakes, factor in search.shared:
        settings[bakes, factor] = settings[bakes[0], factor]
    if listed is None:
        return settings
    shares = _shared_factors(search, len(given))
    for _ in range(400):
        bad = np.flatnonzero(new & ~candidates.allows(settings))
        if not len(bad):
            return settings
        for bake in bad:
            held = shares[bake]
            fits = listed[(np.abs(listed[:, held] - settings[bake, held]) < 1e-9).all(axis=1)]
            if len(fits):
                settings[bake] = fits[rng.integers(len(fits))]
            else:
                _redraw_shared(search, settings, int(bake), listed[rng.integers(len(listed))])
    raise PlanError(
        "exclude leaves no way to fill the loads: what a load fixes for all its bakes leaves some "
        "of them nothing that may be baked. Exclude less, or let less be hard to change."
    )


def _shared_factors(search: Search, bakes: int) -> list[list[int]]:
    held: list[list[int]] = [[] for _ in range(bakes)]
    for group, factor in search.shared:
        for bake in group:
            held[bake].append(factor)
    return held


def _redraw_shared(search: Search, settings: np.ndarray, bake: int, wanted: np.ndarray) -> None:
    for group, factor in search.shared:
        if bake in group:
            settings[group, factor] = wanted[factor]


def _shaken(
    search: Search, candidates: Candidates, starts: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """Return the starts with two bakes, and now and then what a load shares, drawn anew."""
    shaken = starts.copy()
    own: dict[int, list[int]] = {}
    for bake, factor in search.free:
        own.setdefault(bake, []).append(factor)
    free = np.array(sorted(own), dtype=int)
    for start in shaken:
        count = min(SHAKEN_BAKES, len(free))
        fresh = candidates.draw(rng, count + 1)
        before = start.copy()
        for row, bake in enumerate(rng.choice(free, count, replace=False).tolist()):
            start[bake, own[bake]] = fresh[row, own[bake]]
        if search.shared and rng.random() < 0.5:
            group, factor = search.shared[rng.integers(len(search.shared))]
            start[group, factor] = fresh[-1, factor]
        # A bake that may not be made gets its own settings back, else all do
        barred = ~candidates.allows(start)
        for bake in np.flatnonzero(barred).tolist():
            start[bake, own.get(bake, [])] = before[bake, own.get(bake, [])]
        if barred.any() and not candidates.allows(start).all():
            start[:] = before
    return shaken


class _Bar:
    """A progress bar on a terminal's standard error, once the search has taken its time."""

    def __init__(self) -> None:
        self.begun = time.monotonic()
        self.shown = False

    def show(self, share: float) -> None:
        if not sys.stderr.isatty() or time.monotonic() - self.begun < PATIENCE:
            return
        self.shown = True
        done = round(30 * share)
        bar = f"{'#' * done}{' ' * (30 - done)}"
        sys.stderr.write(f"\rSearching for a plan [{bar}] {100 * share:3.0f} %")
        sys.stderr.flush()

    def close(self) -> None:
        if self.shown:
            sys.stderr.write("\n")
            sys.stderr.flush()
