"""From a budget and an aim to a plan: every family that fits is made, weighed and compared."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import chain

import pandas as pd

from trials.design.basis import coded_settings
from trials.design.blend import simplex_centroid, simplex_lattice
from trials.design.exchange import optimal
from trials.design.exclusion import Exclude, Exclusion
from trials.design.factorial import fractional_factorial, full_factorial
from trials.design.kitchen import Loads
from trials.design.plan import Plan, kitchen_group, new_seed, whole_number
from trials.design.promise import Promise, promise
from trials.design.screening import definitive_screening, plackett_burman
from trials.design.surface import box_behnken, central_composite
from trials.design.terms import model_terms
from trials.errors import PlanError, TrialsError
from trials.factors import Component, Factor, Numeric, check_factors, group_names
from trials.tables import in_words

AIMS = {"screen": "main", "interactions": "interactions", "optimise": "quadratic"}
AIM_WORDS = {
    "screen": "find what matters",
    "interactions": "see what works together",
    "optimise": "tune",
}
WORTH, TASTERS = 0.7, 6  # points of liking, and friends at the table, when nothing is said
ALIKE = 0.02  # plans whose chances differ by less are alike, and the smaller one is proposed
SETTLES = 2  # degrees of freedom below which a hard-to-change factor can not be judged


def propose(
    factors: Sequence[Factor],
    bakes: int,
    *,
    aim: str = "screen",
    days: int = 1,
    loads: Loads = None,
    controls: int = 0,
    exclude: Exclude = None,
    keep: Plan | pd.DataFrame | None = None,
    seed: int | None = None,
    tasters: int = TASTERS,
    worth_noticing: float = WORTH,
) -> Plan:
    """Propose the plan that tells most for a budget of bakes.

    Every family that fits the factors and the kitchen is made and weighed by one number: the
    mean chance to see an effect that is worth noticing, what it is mixed with counted against it.

    Parameters
    ----------
    factors : sequence of Factor
    bakes : int
        The most you can afford; reference bakes come on top.
    aim : {"screen", "interactions", "optimise"}
        Find what matters; see what works together; tune.
    days : int
    loads : int, dict or None
        How many oil fills, oven heats or doughs; as many as serve when left out.
    controls : int
        Reference bakes.
    exclude : optional
        Settings that never go together: a table, or a function that says yes to what must not
        be baked.
    keep : Plan or DataFrame, optional
        Bakes made already, which count among `bakes`.
    seed : int, optional
    tasters : int
        Friends who taste each bake; assumed when left out.
    worth_noticing : float
        The difference that would change your mind, in points; assumed when left out.

    Returns
    -------
    Plan
        With its reasons, the assumptions and the two runners-up.

    Raises
    ------
    PlanError
        When no plan fits: what stands in the way, and what would work.

    References
    ----------
    See :func:`trials.design.promise.promise` and the families themselves.

    Examples
    --------
    >>> factors = [Numeric(name, 0, 1) for name in ("rest", "fat", "salt", "malt", "milk")]
    >>> plan = propose(factors, 16, aim="interactions", seed=1)
    >>> plan.family, plan.count()
    ('two-level fraction', 16)
    """
    factors = check_factors(factors)
    bakes = whole_number("bakes", bakes, least=2)
    if aim not in AIMS:
        raise PlanError(f"aim is {aim!r}; expected {in_words(map(repr, AIMS), 'or')}.")
    seed = new_seed() if seed is None else int(seed)
    targets = _targets(factors, aim)
    made, refusals = _made(factors, bakes, aim, days, loads, controls, exclude, keep, seed)
    if not made:
        raise PlanError(f"no plan fits {bakes} bakes: {refusals[-1]}")
    weighed = [promise(one, targets, worth=worth_noticing, tasters=tasters) for one in made]
    ranked = sorted(weighed, key=_place)
    best = ranked[0]
    reasons = [
        *_reasons(best, aim, bakes, worth_noticing),
        *_hard_words(best),
        *_beyond(best, factors, bakes, aim, days, worth_noticing, tasters, seed),
        _assumed(tasters, worth_noticing, best.spreads),
        *_runners_up(best, ranked[1:]),
    ]
    return replace(best.plan, reasons=tuple(reasons))


def _place(one: Promise) -> tuple[int, int, bool]:
    """Return a plan's place: by chance, then by bakes, then the textbook's before a search's."""
    return -round(one.score / ALIKE), one.plan.count(), one.plan.family == "optimal plan"


def _targets(factors: Sequence[Factor], aim: str) -> list[str]:
    blend = any(isinstance(factor, Component) for factor in factors)
    model = "blend" if blend else AIMS[aim]
    return [term.name for term in model_terms(model, factors)]


def _made(
    factors: Sequence[Factor],
    bakes: int,
    aim: str,
    days: int,
    loads: Loads,
    controls: int,
    exclude: Exclude,
    keep: Plan | pd.DataFrame | None,
    seed: int,
) -> tuple[list[Plan], list[str]]:
    """Return the plans that can be made, and why others can not."""
    kitchen = {"days": days, "loads": loads, "controls": controls, "seed": seed}
    makers = chain(
        _searched(factors, bakes, aim, exclude, keep, kitchen),
        () if keep is not None else _families(factors, bakes, aim, kitchen),
    )
    rules = Exclusion(factors, exclude)
    made: list[Plan] = []
    refusals: list[str] = []
    for maker in makers:
        try:
            plan = maker()
        except TrialsError as error:
            refusals.append(str(error))
            continue
        settings = coded_settings(factors, plan.rows)
        if plan.count() <= bakes and bool(rules.allows(settings).all()):
            made.append(plan)
    return made, refusals or ["settings that never go together leave nothing."]


def _searched(
    factors: Sequence[Factor],
    bakes: int,
    aim: str,
    exclude: Exclude,
    keep: Plan | pd.DataFrame | None,
    kitchen: dict,
) -> Iterator[Callable[[], Plan]]:
    """Return makers of plans by exchange, for the aim's model and for the simpler ones."""
    blend = any(isinstance(factor, Component) for factor in factors)
    model = "blend" if blend else AIMS[aim]
    # Beside the aim's own model: main effects kept as clear of pairs as the bakes allow
    tries: list[tuple[str, str | None]] = [(model, None)]
    if not blend and len(factors) > 1:
        tries.append(("main", "interactions"))
    for wanted, potential in tries:
        for loads in _load_choices(factors, bakes, kitchen):
            yield lambda wanted=wanted, potential=potential, loads=loads: optimal(  # type: ignore[misc]
                factors,
                model=wanted,
                bakes=bakes,
                criterion="I" if aim == "optimise" and potential is None else "D",
                days=kitchen["days"],
                loads=loads,
                exclude=exclude,
                keep=keep,
                controls=kitchen["controls"],
                seed=kitchen["seed"],
                potential=potential,
            )


def _load_choices(factors: Sequence[Factor], bakes: int, kitchen: dict) -> list[Loads]:
    if kitchen["loads"] is not None or not group_names(factors):
        return [kitchen["loads"]]
    days = kitchen["days"]
    fits = [n for n in (6, 8, 4, 2 * days, 3 * days) if n <= bakes // 2 and n % days == 0]
    counts = list(dict.fromkeys(fits))[:3]
    groups = group_names(factors)
    if len(groups) == 1 and counts:
        return [n if groups[0] == "load" else {groups[0]: n} for n in counts]
    return [None]


def _families(
    factors: Sequence[Factor], bakes: int, aim: str, kitchen: dict
) -> Iterator[Callable[[], Plan]]:
    """Return makers of the textbook's plans of every size that the budget allows."""
    numeric = any(isinstance(factor, Numeric) for factor in factors)
    if any(isinstance(factor, Component) for factor in factors):
        yield lambda: simplex_lattice(factors, degree=2, **_without_loads(kitchen))
        yield lambda: simplex_centroid(factors, **_without_loads(kitchen))
        return
    for size in (64, 32, 16, 8):
        for spare in {0, min(bakes - size, 4) if numeric else 0}:
            if size + spare <= bakes and spare >= 0:
                yield lambda size=size, spare=spare: fractional_factorial(  # type: ignore[misc]
                    factors, bakes=size + spare, centre_bakes=spare, **kitchen
                )
    for copies in (4, 3, 2, 1):
        yield lambda copies=copies: full_factorial(factors, replicates=copies, **kitchen)  # type: ignore[misc]
    for size in (36, 28, 24, 20, 12):
        if size <= bakes:
            yield lambda size=size: plackett_burman(factors, bakes=size, **_without_loads(kitchen))  # type: ignore[misc]
    yield lambda: definitive_screening(factors, **_without_loads(kitchen))
    if aim == "optimise":
        yield lambda: central_composite(factors, **_without_loads(kitchen))
        yield lambda: box_behnken(factors, **_without_loads(kitchen))


def _without_loads(kitchen: dict) -> dict:
    return {name: value for name, value in kitchen.items() if name != "loads"}


def _reasons(best: Promise, aim: str, bakes: int, worth: float) -> list[str]:
    table = best.table
    told, all_ = table[table["chance"] > 0], len(table)
    what = {"screen": "single changes", "interactions": "single changes and pairs"}.get(
        aim, "changes, pairs and bends"
    )
    said = f"To {AIM_WORDS[aim]} with {bakes} bakes: {best.plan.sentence()} ({best.plan.family})."
    if len(told) < all_:
        apart = f"Of {all_} {what}, {len(told)} can be told apart."
    else:
        apart = f"All {all_} {what} can be told apart from one another."
    if aim == "screen" and len(told):
        apart = apart[:-1] + _pair_words(told)
    seen = (
        f"Smallest difference it would likely show: {best.smallest:.1f} points (half of the "
        f"effects do better); you want to see {worth:g}."
    )
    return [said, apart, seen] if len(told) else [said, apart]


def _pair_words(told: pd.DataFrame) -> str:
    mixed = told.loc[told["mixed"] > 1e-9, "mixed"]
    if mixed.empty:
        return ", and from every pair."
    return (
        f"; {len(mixed)} of them hold something of pairs, at worst as much as {mixed.max():.1f} "
        "of one."
    )


def _few(names: Sequence[str], most: int = 4) -> str:
    shown = [name.replace(":", " with ").replace("^2", " (bend)") for name in names[:most]]
    more = len(names) - most
    return in_words([*shown, f"{more} more"] if more > 0 else shown)


def _hard_words(best: Promise) -> list[str]:
    """Return a word on each hard-to-change factor: on what it is judged, or that it can not be."""
    said = []
    table = best.table.set_index("term")
    for factor in best.plan.factors:
        if not factor.group or factor.name not in table.index:
            continue
        own = table.loc[factor.name]
        units = best.plan.rows.get(factor.group)
        count = 0 if units is None else int(units.nunique())
        fills = own["judged_on"] or f"{kitchen_group(factor.group)}s"
        if own["chance"] == 0 or round(own["df"], 6) < SETTLES:
            said.append(
                f"{best.plan.count()} bakes in {count} {fills} can not settle {factor.name}: hold "
                f"it at one setting and judge the others, or plan more {fills}."
            )
        else:
            said.append(
                f"{factor.name.capitalize()} is set afresh only {count} times, so it is judged on "
                f"{count} {fills}: it would likely show {own['smallest']:.1f} points."
            )
    return said


def _beyond(
    best: Promise,
    factors: Sequence[Factor],
    bakes: int,
    aim: str,
    days: int,
    worth: float,
    tasters: int,
    seed: int,
) -> list[str]:
    """Return what the aim would cost, where the budget can not serve it."""
    lost = best.lost
    if not lost:
        return []
    said = f"{bakes} bakes can not tell {_few(lost)}."
    need = _budget(factors, bakes, aim, days, worth, tasters, seed)
    return [said + (f" {need} bakes would." if need else " No budget up to 128 bakes would.")]


def _budget(
    factors: Sequence[Factor],
    bakes: int,
    aim: str,
    days: int,
    worth: float,
    tasters: int,
    seed: int,
) -> int | None:
    """Return the smallest number of bakes found that tells every effect of the aim."""
    targets = _targets(factors, aim)
    easy = [
        replace(one, hard_to_change=False) if not isinstance(one, Component) else one
        for one in factors
    ]
    for size in (12, 16, 20, 24, 28, 32, 40, 48, 64, 96, 128):
        if size <= max(bakes, len(targets)):
            continue
        try:
            plan = optimal(easy, model=targets, bakes=size, criterion="D", seed=seed, starts=1)
        except TrialsError:
            continue
        if not promise(plan, targets, worth=worth, tasters=tasters).lost:
            return size
    return None


def _assumed(tasters: int, worth: float, spreads: str) -> str:
    said = f"Assumed: {tasters} tasters, and {worth:g} points worth noticing"
    return f"{said}; {spreads}" if spreads else f"{said}."


def _runners_up(best: Promise, others: Sequence[Promise]) -> list[str]:
    """Return the two next best of other kinds, with what they would give up."""
    seen = {(best.plan.family, best.plan.count())}
    said = []
    for one in others:
        key = (one.plan.family, one.plan.count())
        if key in seen or len(said) == 2:
            continue
        seen.add(key)
        told = int((one.table["chance"] > 0).sum())
        shows = f", {one.smallest:.1f} points" if told else ""
        tells = f"tells {told} of {len(one.table)}{shows}"
        said.append(f"{one.plan.count()} bakes by {one.plan.family} ({tells})")
    return [f"Weighed and left: {'; '.join(said)}."] if said else []
