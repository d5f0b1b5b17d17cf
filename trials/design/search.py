"""Coordinate exchange.

Many starts advance together, are shaken again and again, and finished off the grid.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import joblib
import numpy as np

from trials.base.errors import PlanError
from trials.base.progress import under_way
from trials.core.factors import Numeric
from trials.core.plan import whole_number
from trials.core.terms import Basis
from trials.design.candidates import Candidates

# -- Coordinate exchange on arrays: many starts advance together, one setting at a time.
#
# A setting is changed where that raises the criterion. The information matrix is X'WX, W being the
# inverse covariance of the bakes; a change of one bake's row by d alters it by du' + ud' + w dd'
# with u = X'We, of rank two whatever W is, so both criteria follow from a few products. A change
# that several bakes share (the temperature of one pot of oil) is weighed by the new matrix itself.
#
# References ---------- Meyer & Nachtsheim 1995, Technometrics 37:60 (coordinate exchange). Goos &
# Jones 2011, Optimal Design of Experiments, ch. 2 and 10 (updates; split plots).


# A change must raise the criterion by more than rounding can.
LEAST_GAIN = 1e-9
# Below this share of the largest eigenvalue an information matrix counts as singular.
SINGULAR = 1e-11
LARGEST_GAIN = 1e9
MOST_SWEEPS = 60
# A determinant that grows by more than this loses digits; its inverse is taken anew
LEAP = 1e3

Moves = Callable[[np.ndarray, int], tuple[np.ndarray, np.ndarray]]


@dataclass(frozen=True, eq=False)
class Search:
    """What is sought, as arrays.

    Parameters
    ----------
    basis : Basis
        The columns of the model.
    fixed : ndarray, shape (bakes, columns)
        Columns that no setting changes, such as days.
    W : ndarray, shape (bakes, bakes)
        The inverse covariance of the bakes in units of one bake's variance.
    prior : ndarray, shape (columns,)
        Prior precision of each coefficient, fixed columns last; zeros for none.
    moment : ndarray or None
        Mean of f f' over the region for the I criterion; None for D.
    free : tuple of (int, int)
        Bake and factor of every setting that moves alone.
    shared : tuple of (ndarray of int, int)
        Bakes and factor of every setting that several bakes share.
    parts : tuple of int
        Factors that are shares of one blend.
    """

    basis: Basis
    fixed: np.ndarray
    W: np.ndarray
    prior: np.ndarray
    moment: np.ndarray | None
    free: tuple[tuple[int, int], ...]
    shared: tuple[tuple[np.ndarray, int], ...]
    parts: tuple[int, ...] = ()

    @property
    def information_size(self) -> int:
        """The number of columns, those of the model and those that are fixed."""
        return self.basis.size + self.fixed.shape[1]

    @property
    def ceiling(self) -> float:
        """The score that no plan can pass: every column orthogonal and as long as it can be.

        Known for D, bakes that share nothing, and columns that never exceed 1.
        """
        wide = any(np.ndim(kind) and len(np.atleast_2d(kind)) > 2 for kind in self.basis.contrasts)
        alone = (np.eye(len(self.W)) == self.W).all()
        if self.moment is not None or self.prior.any() or wide or not alone:
            return np.inf
        return self.information_size * float(np.log(len(self.W)))

    def touched(self, factor: int) -> np.ndarray:
        """Return the columns that change with a factor; the shares of a blend change together."""
        if factor not in self.parts:
            return self.basis.touched(factor)
        return np.flatnonzero((self.basis.index[:, list(self.parts)] > 0).any(axis=1))

    def matrix(self, settings: np.ndarray) -> np.ndarray:
        """Return the model matrices, shape (starts, bakes, columns)."""
        rows = self.basis.rows(settings)
        fixed = np.broadcast_to(self.fixed, (*rows.shape[:-1], self.fixed.shape[1]))
        return np.concatenate([rows, fixed], axis=-1)

    def information(self, X: np.ndarray) -> np.ndarray:
        """Return X'WX and the prior, shape (starts, columns, columns)."""
        return np.swapaxes(X, -1, -2) @ (self.W @ X) + np.diag(self.prior)

    def score(self, settings: np.ndarray) -> np.ndarray:
        """Return what each start is worth, larger being better; -inf where it is singular.

        The natural logarithm of the determinant for D; minus the mean variance for I.
        """
        M = self.information(self.matrix(settings))
        eigen = np.linalg.eigvalsh(M)
        sound = eigen[:, 0] > SINGULAR * eigen[:, -1]
        result = np.full(len(M), -np.inf)
        if self.moment is None:
            result[sound] = np.log(eigen[sound]).sum(axis=1)
        elif sound.any():
            result[sound] = -np.einsum("sij,ji->s", np.linalg.inv(M[sound]), self.moment)
        return result


def climb(
    search: Search, settings: np.ndarray, moves: Moves, least: float = LEAST_GAIN
) -> np.ndarray:
    """Exchange coordinates until no single change helps."""
    settings = settings.copy()
    running = np.arange(len(settings))
    for sweep in range(MOST_SWEEPS):
        batch = settings[running]
        state = _State(search, batch, least, ridge=sweep == 0)
        moved = np.zeros(len(running), dtype=bool)
        for bakes, factor in search.shared:
            moved |= state.try_shared(bakes, factor, moves)
        for bake, factor in search.free:
            moved |= state.try_free(bake, factor, moves)
        settings[running] = state.settings
        running = running[moved | (sweep == 0)]
        if not len(running):
            break
    return settings


class _State:
    """The starts on their way: settings, model matrices and their inverses, kept in step."""

    def __init__(self, search: Search, settings: np.ndarray, least: float, ridge: bool) -> None:
        self.search = search
        self.least = least
        self.settings = settings.copy()
        self.touched = [search.touched(factor) for factor in range(settings.shape[2])]
        self.kin = [np.flatnonzero(row) for row in search.W]
        self.X = search.matrix(settings)
        self.M = search.information(self.X)
        eigen = np.linalg.eigvalsh(self.M)
        weak = (eigen[:, 0] <= SINGULAR * eigen[:, -1]) | ridge
        # A start near singular is held up a little, so that it can be improved at all.
        self.M += np.where(weak, 1e-6 * eigen[:, -1], 0.0)[:, None, None] * np.eye(self.M.shape[1])
        self._invert(np.arange(len(settings)))

    def _invert(self, starts: np.ndarray) -> None:
        inverse = np.linalg.inv(self.M[starts])
        inverse = (inverse + np.swapaxes(inverse, 1, 2)) / 2
        if len(starts) == len(self.M):
            self.A = inverse
            self.B = None if self.search.moment is None else inverse @ self.search.moment @ inverse
            self.value = self._value(inverse)
            return
        self.A[starts] = inverse
        self.value[starts] = self._value(inverse)
        if self.B is not None and self.search.moment is not None:
            self.B[starts] = inverse @ self.search.moment @ inverse

    def _value(self, inverse: np.ndarray) -> np.ndarray:
        if self.search.moment is None:
            return np.zeros(len(inverse))
        return np.einsum("sij,ji->s", inverse, self.search.moment)

    def try_free(self, bake: int, factor: int, moves: Moves) -> np.ndarray:
        """Offer one bake other settings of one factor; return which starts moved."""
        columns = self.touched[factor]
        tries, may = moves(self.settings[:, bake], factor)
        if not len(columns) or not may.any():
            return np.zeros(len(tries), dtype=bool)
        D = self.search.basis.rows(tries, columns) - self.X[:, bake][:, None, columns]
        w = self.search.W[bake, bake]
        u = self._weighted(bake)
        Au = _times(self.A, u)
        a = _quadratic(self.A, columns, D)
        b = _times(D, Au[:, columns])
        e = (u * Au).sum(axis=1)[:, None]
        ratio = (1 + b) ** 2 + a * (w - e)
        gain = ratio
        if self.B is not None:
            Bu = _times(self.B, u)
            dd = _quadratic(self.B, columns, D)
            du = _times(D, Bu[:, columns])
            uu = (u * Bu).sum(axis=1)[:, None]
            safe = np.where(ratio > LEAST_GAIN, ratio, np.inf)
            fall = (2 * (1 + b) * du - (e - w) * dd - a * uu) / safe
            now = self.value[:, None]
            gain = now / np.maximum(now - fall, now / LARGEST_GAIN)
        chosen, moved = _choice(gain, may & (ratio > LEAST_GAIN), self.least)
        starts = np.flatnonzero(moved)
        if len(starts):
            d = np.zeros((len(starts), self.X.shape[2]))
            d[:, columns] = D[starts, chosen[starts]]
            self._accept(starts, bake, tries[starts, chosen[starts]], d, u[starts], w)
            leapt = starts[ratio[starts, chosen[starts]] > LEAP]
            if len(leapt):
                self._invert(leapt)
        return moved

    def _weighted(self, bake: int) -> np.ndarray:
        """Return X'W e of one bake: its own row where bakes share nothing."""
        kin = self.kin[bake]
        if len(kin) == 1:
            return self.search.W[bake, bake] * self.X[:, bake]
        return self.search.W[bake, kin] @ self.X[:, kin]

    def _accept(
        self,
        starts: np.ndarray,
        bake: int,
        settings: np.ndarray,
        d: np.ndarray,
        u: np.ndarray,
        w: float,
    ) -> None:
        self.settings[starts, bake] = settings
        self.X[starts, bake] += d
        U = np.stack([d, u], axis=2)
        A = self.A[starts]
        P = A @ U
        C = np.array([[0.0, 1.0], [1.0, -w]])
        Q = np.linalg.inv(C + np.swapaxes(U, 1, 2) @ P)
        PQ = P @ Q
        self.M[starts] += _outer(d, u) + _outer(u, d) + w * _outer(d, d)
        self.A[starts] = A - PQ @ np.swapaxes(P, 1, 2)
        if self.B is not None:
            R = self.B[starts] @ U
            H = np.swapaxes(U, 1, 2) @ R
            cross = PQ @ np.swapaxes(R, 1, 2)
            inner = PQ @ H @ np.swapaxes(PQ, 1, 2)
            self.B[starts] += inner - cross - np.swapaxes(cross, 1, 2)
            self.value[starts] -= np.einsum("sij,sji->s", Q, H)

    def try_shared(self, bakes: np.ndarray, factor: int, moves: Moves) -> np.ndarray:
        """Offer several bakes another setting that they share; return which starts moved."""
        offers = [moves(self.settings[:, bake], factor) for bake in bakes]
        tries = np.stack([offer[0] for offer in offers], axis=2)
        may = np.logical_and.reduce([offer[1] for offer in offers])
        rows = self.search.basis.rows(tries)
        D = np.zeros((*rows.shape[:-1], self.X.shape[2]))
        D[..., : rows.shape[-1]] = rows - self.X[:, bakes][:, None, :, : rows.shape[-1]]
        WX = self.search.W[bakes] @ self.X
        DtWX = np.swapaxes(D, 2, 3) @ WX[:, None]
        W = self.search.W[np.ix_(bakes, bakes)]
        M = self.M[:, None] + DtWX + np.swapaxes(DtWX, 2, 3) + np.swapaxes(D, 2, 3) @ (W @ D)
        gain = self._gain(M)
        chosen, moved = _choice(gain, may, self.least)
        starts = np.flatnonzero(moved)
        if len(starts):
            at = chosen[starts]
            self.settings[starts[:, None], bakes] = tries[starts, at]
            self.X[starts[:, None], bakes] += D[starts, at]
            self.M[starts] = M[starts, at]
            self._invert(starts)
        return moved

    def _gain(self, M: np.ndarray) -> np.ndarray:
        sign, size = np.linalg.slogdet(M)
        _, now = np.linalg.slogdet(self.M)
        sound = (sign > 0) & (size - now[:, None] > np.log(LEAST_GAIN))
        gain = np.zeros(size.shape)
        if self.search.moment is None:
            gain[sound] = np.exp(np.minimum(size - now[:, None], np.log(LARGEST_GAIN)))[sound]
        elif sound.any():
            variance = np.einsum("sij,ji->s", np.linalg.inv(M[sound]), self.search.moment)
            value = np.broadcast_to(self.value[:, None], gain.shape)[sound]
            gain[sound] = value / np.maximum(variance, value / LARGEST_GAIN)
        return gain


def _quadratic(matrix: np.ndarray, columns: np.ndarray, D: np.ndarray) -> np.ndarray:
    """Return d'Ad for every try, A cut down to the columns that change."""
    part = matrix[:, columns[:, None], columns]
    return ((D @ part) * D).sum(axis=2)


def _times(matrix: np.ndarray, vector: np.ndarray) -> np.ndarray:
    return (matrix @ vector[:, :, None])[:, :, 0]


def _outer(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    return left[:, :, None] * right[:, None, :]


def _choice(gain: np.ndarray, may: np.ndarray, least: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the best try of each start and whether it is an improvement; ties go to the first."""
    weighed = np.where(may, np.round(np.minimum(gain, LARGEST_GAIN), 9), -np.inf)
    chosen = weighed.argmax(axis=1)
    return chosen, weighed[np.arange(len(weighed)), chosen] > 1 + least


# -- Many starts of a coordinate exchange, each shaken again and again, and the best of them.
#
# A start that has come to rest is shaken: two of its bakes are drawn anew, and it climbs again; it
# keeps the better of the two. That reaches good plans far sooner than fresh starts do (iterated
# local search: Lourenço, Martin & Stützle 2003, Handbook of Metaheuristics, ch. 11).


# Starts that advance together as one array: a unit of work for another processor
TOGETHER = 100
SHAKEN_BAKES = 2
# After so many shakes the worse half of the starts goes on from the better half
GIVING_WAY = 4
# Shares move on a line, not on a grid: gains below this only fill the time until the end
BLEND_GAIN = 2e-3
LAST_GAIN = 1e-5

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
    """
    sizes = [min(TOGETHER, effort.starts - at) for at in range(0, effort.starts, TOGETHER)]
    jobs = [
        (search, candidates, given, [seed, part], size, effort) for part, size in enumerate(sizes)
    ]
    alone = joblib.Parallel().n_jobs == 1
    found: list[Found] = []
    try:
        with under_way("Searching for a plan", len(jobs)) as done:
            for result in _here(jobs, done) if alone else _elsewhere(jobs, done):
                found.append(result)
                if result.interrupted:
                    break
    except KeyboardInterrupt:
        if not found:
            raise
        found.append(Found(found[0].settings, -np.inf, True))
    # Rounded, so that the lowest start wins a tie on any machine
    scores = [round(result.score, 9) for result in found]
    best = found[int(np.argmax(scores))]
    return Found(best.settings, best.score, any(result.interrupted for result in found))


def _here(jobs: list[tuple], done: Tick) -> Iterable[Found]:
    for part, job in enumerate(jobs):
        yield one_lot(*job, tick=lambda share, part=part: done(part + share))  # type: ignore[misc]


def _elsewhere(jobs: list[tuple], done: Tick) -> Iterable[Found]:
    backend, _ = joblib.parallel.get_active_backend()
    lazily = getattr(backend, "supports_return_generator", False)
    parallel = joblib.Parallel(return_as="generator" if lazily else "list")
    for part, result in enumerate(parallel(joblib.delayed(one_lot)(*job) for job in jobs), start=1):
        done(part)
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


# -- The last touches to an optimal plan: settings between the grid's, and bakes made twice.


# Continuous settings are refined in these steps, coded; the last is a hundredth of the range
STEPS = (0.32, 0.16, 0.08, 0.04, 0.02)


def refined(search: Search, options: Candidates, found: Found) -> Found:
    """Return the plan with numbers moved between the grid's settings, in ever smaller steps."""
    settings = found.settings[None]
    for step in STEPS:
        settings = climb(search, settings, options.nudges(step))
    settings = _to_steps(options, settings)
    score = float(search.score(settings)[0])
    return Found(settings[0], score) if score > found.score else found


def _to_steps(options: Candidates, settings: np.ndarray) -> np.ndarray:
    """Return settings rounded to what the kitchen can set, where that may be baked."""
    rounded = settings.copy()
    for place, factor in enumerate(options.factors):
        if isinstance(factor, Numeric) and not factor.settings:
            step = factor.step or (factor.high - factor.low) / 100
            coded = 2 * step / (factor.high - factor.low)
            moved = np.round((settings[..., place] + 1) / coded) * coded - 1
            rounded[..., place] = np.clip(moved, -1, 1)
    barred = ~options.exclusion.allows(rounded)
    rounded[barred] = settings[barred]
    return rounded


def repeated(search: Search, options: Candidates, found: Found, kept: int, wanted: int) -> Found:
    """Return the plan with some bakes made copies of others, the rest climbing around them."""
    wanted = whole_number("replicates", wanted, least=1)
    own = [place for place, factor in enumerate(options.factors) if not factor.group]
    hard = [place for place, factor in enumerate(options.factors) if factor.group]
    settings = found.settings.copy()
    held: set[int] = set(range(kept))
    for _ in range(wanted):
        pairs = [
            (copy, of)
            for copy in range(kept, len(settings))
            for of in range(len(settings))
            if copy not in held
            and copy != of
            and (settings[copy, hard] == settings[of, hard]).all()
        ]
        tries = np.repeat(settings[None], len(pairs), axis=0)
        for trial, (copy, of) in zip(tries, pairs, strict=True):
            trial[copy, own] = settings[of, own]
        scores = search.score(tries) if pairs else np.array([-np.inf])
        best = int(np.argmax(np.round(scores, 9)))
        if not np.isfinite(scores[best]):
            raise PlanError(
                f"replicates is {wanted}, more than {len(settings)} bakes can spare for this "
                f"model. {len(held) - kept and (len(held) - kept) // 2} works, or more bakes."
            )
        settings = tries[best]
        held |= set(pairs[best])
    free = tuple((bake, place) for bake, place in search.free if bake not in held)
    rest = replace(search, free=free, shared=())
    settings = climb(rest, settings[None], options.moves)
    return Found(settings[0], float(search.score(settings)[0]), found.interrupted)
