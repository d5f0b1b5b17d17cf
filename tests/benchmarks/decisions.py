"""Kitchens of known truth: what the setting that a method ends with loses against the best one.

Five factors of two kinds each unless said otherwise. Two are active (coefficient 0.35 to 0.9 in
either direction, so 0.7 to 1.8 points from one kind to the other), the others have a standard
deviation of 0.08; one or two pairs of 0.3 to 0.7 hold an active factor. Six tasters (level sd 0.8,
score sd 1.2), bake sd 0.5, scores rounded to 1 to 9. Every choice here is invented. The kit goes
its public way: propose, rehearse, fit, recommend, next_round. Run by

    python -m tests.benchmarks.decisions [kitchens] [processes] [asked | again] [scenario ...]

A run goes on from the kitchens that the tables hold already; take a table away to begin anew. With
"asked" only the rows that `ASKED` lists beforehand are run; with "again" those of `BEFORE` go
through their first kitchens once more and are held to what they lost then.
"""

import itertools
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import lru_cache
from multiprocessing import Pool
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import norm

import trials
from trials.analysis.wording import CLEARLY_FIRST
from trials.base.files import read_csv, write_csv, write_text
from trials.deciding.rehearsal import Spreads, rehearse, true_means
from trials.design.layout import lay_out

NAMES = list("abcde")
PAIRS = tuple(itertools.combinations(NAMES, 2))
MIDDLE, TASTER_SD, TASTERS = 5.5, 0.8, 6
LIKING = trials.Measure("liking", "hedonic 9", goal="higher", worth_noticing=0.7)
RESULTS = Path(__file__).parent / "results"
SPREADS = Spreads(tasting=1.2, taster_by_bake=0, taster=0, bake=0.5, load=0, day=0)
NO_SPREADS = Spreads(tasting=0, taster_by_bake=0, taster=0, bake=0, load=0, day=0)
KINDS = ("one", "two", "three")
CODES = dict(
    zip(itertools.product(KINDS, repeat=5), itertools.product(range(3), repeat=5), strict=True)
)
MOST_BAKES = 40


@dataclass(frozen=True)
class Scenario:
    """How kitchens are drawn; kind is "kinds", "numbers" or "three kinds"."""

    name: str
    kind: str = "kinds"
    pairs: tuple[int, int] = (1, 2)
    heredity: bool = True
    bends: bool = False
    corner: bool = False
    # The n-th bake of a setting comes out the same whichever plan holds it
    paired: bool = False
    factors: int = 5
    tasters: int = 6
    bake_sd: float = 0.5
    # Every coefficient is at work: singles of sd 0.35, pairs of sd 0.2
    dense: bool = False
    # The cook says of the two active factors that a best amount lies inside
    told: bool = False

    @property
    def spreads(self):
        """The noise of a bake and of its tastings."""
        return replace(SPREADS, bake=self.bake_sd)


SCENARIOS = {
    "usual": Scenario("one or two pairs, weak heredity"),
    "shared": Scenario("one or two pairs, weak heredity; paired", paired=True),
    "no_pairs": Scenario("no pairs", pairs=(0, 0)),
    "no_heredity": Scenario("pairs anywhere", heredity=False),
    "bends": Scenario("numbers, the two active ones bent", kind="numbers", bends=True),
    "bends_shared": Scenario(
        "numbers, the two active ones bent; paired", kind="numbers", bends=True, paired=True
    ),
    "three_kinds": Scenario("three kinds each", kind="three kinds"),
    "corner": Scenario("the best corner fails and is left out", corner=True),
    "small": Scenario("four factors, two tasters", factors=4, tasters=2),
    "told": Scenario(
        "numbers, the two active ones bent, as said", kind="numbers", bends=True, told=True
    ),
    "untold": Scenario("numbers, none bent", kind="numbers"),
    "told_falsely": Scenario("numbers, none bent, yet said to be", kind="numbers", told=True),
    "dense": Scenario("everything at work", dense=True),
    "rough": Scenario("bakes of sd 1.0", bake_sd=1.0),
}


@dataclass
class Spot:
    """One kitchen: its truth, and the noise of its bakes and tasters."""

    scenario: Scenario
    factors: list
    effects: dict
    exclude: list | None
    tasters: np.ndarray
    seed: int
    baked: int = field(default=0)
    made: Counter = field(default_factory=Counter)

    @property
    def names(self):
        """The names of the factors."""
        return [factor.name for factor in self.factors]

    def truth(self, table):
        """Return the true liking."""
        return true_means(table, self.factors, self.effects, MIDDLE)

    def taste(self, plan):
        """Return scores of a plan's bakes, every taster having the same level each time."""
        self.baked += len(plan.table)
        self.seed += 1
        scores = rehearse(
            plan,
            self.effects,
            mean=MIDDLE,
            measure=LIKING,
            tasters=self.scenario.tasters,
            spreads=NO_SPREADS if self.scenario.paired else self.scenario.spreads,
            rounded=False,
            seed=self.seed,
        )
        if self.scenario.paired:
            scores["liking"] += self.noise(scores)
        place = scores["taster"].str.removeprefix("taster ").astype(int) - 1
        level = self.tasters[place.to_numpy()]
        return scores.assign(liking=np.clip(np.round(scores["liking"] + level), 1, 9))

    def noise(self, scores):
        """Return the noise of scores, which goes by the setting and how often it was baked."""
        found = pd.Series(0.0, index=scores.index)
        for _, own in scores.groupby("bake", sort=False):
            setting = tuple(own.iloc[0][self.names])
            rng = np.random.default_rng(
                [self.seed // 10_000, *numbered(setting), self.made[setting]]
            )
            self.made[setting] += 1
            bake = SPREADS.bake * rng.standard_normal()
            found[own.index] = bake + SPREADS.tasting * rng.standard_normal(len(own))
        return found

    def broken(self, table):
        """Say which settings must not be baked."""
        out = np.zeros(len(table), dtype=bool)
        for rule in self.exclude or []:
            out |= np.all([table[name] == level for name, level in rule.items()], axis=0)
        return out

    def grid(self):
        """Return every setting that could be the best."""
        numbers = self.scenario.kind == "numbers"
        axes = [np.linspace(f.low, f.high, 11) if numbers else f.levels for f in self.factors]
        table = pd.DataFrame(itertools.product(*axes), columns=self.names)
        return table[~self.broken(table)].reset_index(drop=True)


def numbered(setting):
    """Return a setting as whole numbers; of numbers, in thousandths."""
    return CODES[setting] if setting in CODES else [round(1000 * value) for value in setting]


def spot_of(scenario, number):
    """Draw a kitchen."""
    rng = np.random.default_rng([2024, number])
    names = NAMES[: scenario.factors]
    pairs = [pair for pair in PAIRS if set(pair) <= set(names)]
    sizes = rng.normal(0, 0.08, len(names))
    active = rng.choice(len(names), 2, replace=False)
    sizes[active] = rng.choice([-1, 1], 2) * rng.uniform(0.35, 0.9, 2)
    if scenario.dense:
        sizes = rng.normal(0, 0.35, len(names))
    factors = factors_of(scenario, [names[place] for place in active] if scenario.told else [])
    effects = {n: effect(scenario, size, rng) for n, size in zip(names, sizes, strict=True)}
    if scenario.dense:
        effects |= {":".join(p): pair_effect(scenario, rng.normal(0, 0.2), rng) for p in pairs}
        levels = rng.normal(0, TASTER_SD, scenario.tasters)
        return Spot(scenario, factors, effects, None, levels, 10_000 * number)
    near = [p for p in pairs if not scenario.heredity or {names[a] for a in active} & set(p)]
    count = rng.integers(scenario.pairs[0], scenario.pairs[1] + 1)
    for place in rng.choice(len(near), count, replace=False):
        size = rng.choice([-1, 1]) * rng.uniform(0.3, 0.7)
        effects[":".join(near[place])] = pair_effect(scenario, size, rng)
    if scenario.bends:
        # Peaks: the middle beats the mean of the ends by 0.3 to 0.9 points
        effects |= {f"{NAMES[place]}^2": -rng.uniform(0.3, 0.9) for place in active}
    levels = rng.normal(0, TASTER_SD, scenario.tasters)
    exclude = None
    if scenario.corner:
        # The corner that the two active factors by themselves lead to
        exclude = [{NAMES[a]: factors[a].levels[int(sizes[a] > 0)] for a in active}]
    return Spot(scenario, factors, effects, exclude, levels, 10_000 * number)


def factors_of(scenario, told=()):
    """Return what varies, and of which it is said that a best amount lies inside."""
    names = NAMES[: scenario.factors]
    if scenario.kind == "numbers":
        return [trials.Numeric(name, 0, 100, peak=name in told) for name in names]
    count = 3 if scenario.kind == "three kinds" else 2
    return [trials.Categorical(name, list(KINDS[:count])) for name in names]


def effect(scenario, size, rng):
    """Return an effect as rehearse takes it: twice the coefficient, or one value a kind."""
    if scenario.kind != "three kinds":
        return 2 * size
    values = size * np.array([-1.0, rng.uniform(-1, 1), 1.0])
    return dict(zip(KINDS, values - values.mean(), strict=True))


def pair_effect(scenario, size, rng):
    """Return the effect of a pair; of three kinds, one value per kind of both, multiplied."""
    if scenario.kind != "three kinds":
        return 2 * size
    values = np.sqrt(abs(size)) * np.array([-1.0, rng.uniform(-1, 1), 1.0])
    return dict(zip(KINDS, values - values.mean(), strict=True))


def importance(spot):
    """Return the largest difference each factor makes at any setting of the others."""
    numbers = spot.scenario.kind == "numbers"
    axes = [np.linspace(f.low, f.high, 5) if numbers else f.levels for f in spot.factors]
    table = pd.DataFrame(itertools.product(*axes), columns=spot.names)
    truth = spot.truth(table).reshape([len(axis) for axis in axes])
    return pd.Series({name: np.ptp(truth, axis=at).max() for at, name in enumerate(spot.names)})


def by_kit(spot, first, aim, later=(), until_stop=False, same_day=False, foreseen=False):
    """Propose, rehearse, fit, recommend; with later rounds in between, foreseen or not."""
    left = sum(later) if foreseen else 0
    tables = [spot.taste(proposed(spot, first, aim, left))]
    found = fitted(tables, spot)
    stopped = False

    def asked(found, bakes, same_day, action=None):
        return trials.next_round(
            found, bakes, exclude=spot.exclude, same_day=same_day, action=action, seed=len(tables)
        ).plan

    for bakes in later:
        plan = asked(found, bakes, same_day)
        if plan.details["action"].startswith("confirm"):
            stopped = True
            if until_stop:
                break
            plan = asked(found, bakes, same_day, action="decide")
        tables.append(spot.taste(fresh_part(plan)))
        found = fitted(tables, spot)
    best = trials.recommend(found, LIKING, exclude=spot.exclude).settings
    return {"settings": best, "stopped": float(stopped) if later else np.nan, **said(found, spot)}


def fresh_part(plan):
    """Return the bakes of a plan that are not made yet."""
    kept = set(plan.details["kept"])
    rows = plan.table[~plan.table["bake"].isin(kept)].reset_index(drop=True)
    return trials.Plan(plan.factors, rows, plan.family, plan.model, plan.seed)


def fitted(tables, spot):
    """Fit all rounds by the rule that every door keeps; days of one name are one day."""
    told = [table.assign(day="day " + table["day"].astype(str)) for table in tables]
    known = trials.evidence(told, spot.factors, LIKING)
    return trials.fit(known, "liking")


_PLANS: dict = {}


def proposed(spot, bakes, aim, later=0):
    """Return the kit's plan; the same for every kitchen that leaves out the same."""
    # What the cook says of a peak moves the choice, and not the first plan
    key = (spot.scenario.kind, spot.scenario.tasters, len(spot.names), bakes, aim, later)
    key = (*key, str(spot.exclude))
    if key not in _PLANS:
        _PLANS[key] = made(spot, bakes, aim, later)
    return replace(_PLANS[key], factors=tuple(spot.factors))


def made(spot, bakes, aim, later):
    """Return a proposed plan; where none is found, the optimal one for single factors."""
    kitchen = {"exclude": spot.exclude, "tasters": spot.scenario.tasters}
    try:
        return trials.propose(spot.factors, bakes, aim=aim, later=later, seed=1, **kitchen)
    except trials.TrialsError:
        return trials.design.optimal(
            spot.factors, model="main", bakes=bakes, criterion="D", exclude=spot.exclude, seed=1
        )


def said(found, spot):
    """Return what the findings say of factors and pairs."""
    ranked = found.ranking
    order = ranked.sort_values("chance_largest", ascending=False, kind="stable")
    enough = int(np.argmax(order["chance_largest"].cumsum().to_numpy() >= CLEARLY_FIRST - 1e-9))
    pairs = found.spoken[found.spoken["term"].str.contains(":")]
    false = pairs[(pairs["verdict"] == "matters") & ~pairs["term"].isin(spot.effects)]
    return {
        "named": ranked["factor"].iloc[0],
        "tie": order["factor"].iloc[: enough + 1].tolist(),
        "false": false["term"].nunique(),
    }


def means_of(spot, rows):
    """Return the mean score of each of these bakes."""
    table = pd.DataFrame(rows)
    plan = lay_out(spot.factors, table, family="own", model="main", seed=1)
    scored = spot.taste(plan).groupby("bake")["liking"].mean()
    joined = plan.table.assign(mean=plan.table["bake"].map(scored))
    by_setting = joined.groupby(spot.names)["mean"].mean()
    return np.array([by_setting.loc[tuple(row)] for row in table[spot.names].to_numpy()])


def steps_of(spot):
    """Return the recipe before anything was tried, and every single change of it."""
    base = {factor.name: factor.levels[0] for factor in spot.factors}
    for rule in spot.exclude or []:
        # A recipe that fails is nobody's recipe
        if all(base[name] == level for name, level in rule.items()):
            name = next(iter(rule))
            base[name] = next(f for f in spot.factors if f.name == name).levels[1]
    changes = [(f.name, one) for f in spot.factors for one in f.levels if one != base[f.name]]
    singles = pd.DataFrame([{**base, name: level} for name, level in changes])
    return base, [one for one, out in zip(changes, spot.broken(singles), strict=True) if not out]


def one_at_a_time(spot, bakes):
    """Bake the recipe and every single change; combine the changes that were better."""
    base, changes = steps_of(spot)
    each = max(1, bakes // (len(changes) + 3))
    again = bakes - each * len(changes)
    rows = [base] * again + [{**base, name: level} for name, level in changes for _ in range(each)]
    means = means_of(spot, rows)
    best, gains, sizes = dict(base), dict.fromkeys(base, 0.0), dict.fromkeys(base, 0.0)
    for place, (name, level) in enumerate(changes):
        gain = means[again + place * each] - means[0]
        sizes[name] = max(sizes[name], abs(gain))
        if gain > gains[name]:
            best[name], gains[name] = level, gain
    while spot.broken(pd.DataFrame([best]))[0]:
        # The cook takes back the change that helped least
        least = min((n for n in best if best[n] != base[n]), key=gains.__getitem__)
        best[least] = base[least]
    return {"settings": best, "named": max(sizes, key=sizes.__getitem__)}


def keeping_each(spot, bakes):
    """Change one thing after the other, keeping each change that was better."""
    here, changes = steps_of(spot)
    each = max(1, bakes // (len(changes) + 1))
    now = means_of(spot, [here] * (bakes - each * len(changes)))[0]
    sizes = dict.fromkeys(here, 0.0)
    for name, level in changes:
        trial = {**here, name: level}
        if spot.broken(pd.DataFrame([trial]))[0]:
            continue
        found = means_of(spot, [trial] * each)[0]
        sizes[name] = max(sizes[name], abs(found - now))
        if found > now:
            here, now = trial, found
    return {"settings": here, "named": max(sizes, key=sizes.__getitem__)}


def spread_out(spot, bakes):
    """Fill the space (each bake as far from the others as can be), then fit as the kit does."""
    rng = np.random.default_rng(spot.seed)
    numbers = spot.scenario.kind == "numbers"
    table = pd.DataFrame(100 * rng.random((400, 5)), columns=NAMES) if numbers else spot.grid()
    codes = table.to_numpy() / 100 if numbers else table.apply(lambda c: pd.factorize(c)[0])
    codes = np.asarray(codes, dtype=float)
    chosen = [int(rng.integers(len(table)))]
    while len(chosen) < bakes:
        apart = np.abs(codes[:, None] - codes[chosen])
        apart = (apart**2 if numbers else apart > 0).sum(axis=-1)
        near = apart.min(axis=1) + 1e-6 * apart.sum(axis=1) + 1e-9 * rng.random(len(table))
        chosen.append(int(np.argmax(near)))
    rows = table.iloc[chosen].reset_index(drop=True)
    plan = lay_out(spot.factors, rows, family="own", model="main", seed=1)
    found = fitted([spot.taste(plan)], spot)
    best = trials.recommend(found, LIKING, exclude=spot.exclude).settings
    return {"settings": best, **said(found, spot)}


COMPARED = "kit, one round of 16"
TWELVE, TEN, EIGHT = (f"kit, one round of {bakes}" for bakes in (12, 10, 8))
# Rows listed before they were run: scenario, method, the method it is held against (None: what is
# lost by itself), and what the mean may be at most (None: it is printed)
ASKED = (
    ("bends", "kit, 8 and then 8, one day", COMPARED, 0.05),
    ("bends", "kit, 12 and then 4 as foreseen, one day", COMPARED, 0.05),
    ("bends_shared", "kit, 8 and then 8, one day", COMPARED, 0.05),
    ("bends_shared", "kit, 12 and then 4 as foreseen, one day", COMPARED, 0.05),
    ("told", COMPARED, None, 0.25),
    ("told_falsely", COMPARED, None, None),
    ("untold", COMPARED, None, None),
    ("small", "kit, 8 and then 4, one day", TWELVE, -0.05),
    ("small", TWELVE, TEN, 0.0),
    ("small", TEN, EIGHT, 0.0),
    ("dense", COMPARED, None, None),
    ("dense", "kit, 8 and then 8, one day", COMPARED, None),
    ("rough", COMPARED, None, None),
    ("rough", "kit, 8 and then 8, one day", COMPARED, None),
)
GROUPED = ["scenario", "method"]
Method = Callable[[Spot], dict]
# These take long, so they go through a fifth of the kitchens
LONG = (
    "kit, one round of 32",
    "kit, 8 and 8 more until it says stop",
    "kit, 16 and then 16",
    "kit, 12 and then 4 as foreseen, two days",
    "space-filling, 32",
)


def small(aim) -> dict[str, Method]:
    """Return how a small kitchen may spend 8 to 12 bakes."""
    once: dict[str, Method] = {
        f"kit, one round of {bakes}": lambda spot, bakes=bakes: by_kit(spot, bakes, aim)
        for bakes in (12, 10, 8)
    }
    return once | {
        "kit, 8 and then 4, one day": lambda spot: by_kit(
            spot, 8, aim, (4,), same_day=True, foreseen=True
        ),
        "kit, 8 and then 4, two days": lambda spot: by_kit(spot, 8, aim, (4,), foreseen=True),
        "kit, 8 and then 2, one day": lambda spot: by_kit(
            spot, 8, aim, (2,), same_day=True, foreseen=True
        ),
    }


def methods(scenario) -> dict[str, Method]:
    """Return the methods that a scenario is held to."""
    aim = "optimise" if scenario.bends else "interactions"
    foreseen = {
        "kit, 12 and then 4 as foreseen, one day": lambda spot: by_kit(
            spot, 12, aim, (4,), same_day=True, foreseen=True
        ),
        "kit, 12 and then 4 as foreseen, two days": lambda spot: by_kit(
            spot, 12, aim, (4,), foreseen=True
        ),
    }
    if scenario.factors == 4:
        return small(aim)
    if scenario.told or scenario.name == SCENARIOS["untold"].name:
        return {COMPARED: lambda spot: by_kit(spot, 16, "interactions")} | {
            f"kit, {first} and then {then}, one day": lambda spot, first=first, then=then: by_kit(
                spot, first, "interactions", (then,), same_day=True
            )
            for first, then in ((12, 4),)
        }
    if scenario.name == SCENARIOS["shared"].name:
        return {
            f"kit, one round of {bakes}": lambda spot, bakes=bakes, what=what: by_kit(
                spot, bakes, what
            )
            for bakes, what in ((8, "screen"), (12, aim), (16, aim))
        } | foreseen
    first = 16 if scenario.kind == "three kinds" else 8
    tuned = {"kit, one round of 16, to tune": lambda spot: by_kit(spot, 16, "optimise")}
    kit = {
        # Where not all can be told the ends are what a choice gains most from, bends or not
        COMPARED: lambda spot: by_kit(spot, 16, "interactions"),
        **(tuned if scenario.bends else {}),
        f"kit, {first} and then 8, one day": lambda spot: by_kit(
            spot, first, "screen", (8,), same_day=True
        ),
        f"kit, {first} and then 8, two days": lambda spot: by_kit(spot, first, "screen", (8,)),
        "one factor at a time, 16": lambda spot: one_at_a_time(spot, 16),
        "keeping each improvement, 16": lambda spot: keeping_each(spot, 16),
        "space-filling, 16": lambda spot: spread_out(spot, 16),
    }
    if scenario.name != SCENARIOS["usual"].name:
        return kit if scenario.kind == "three kinds" else kit | foreseen
    turns = (MOST_BAKES - 8) // 8
    return kit | {
        "kit, one round of 8": lambda spot: by_kit(spot, 8, "screen"),
        "kit, one round of 12": lambda spot: by_kit(spot, 12, aim),
        "kit, one round of 32": lambda spot: by_kit(spot, 32, aim),
        "kit, 8 and 8 more until it says stop": lambda spot: by_kit(
            spot, 8, "screen", (8,) * turns, until_stop=True, same_day=True
        ),
        "kit, 16 and then 16": lambda spot: by_kit(spot, 16, aim, (16,)),
        "one factor at a time, 40": lambda spot: one_at_a_time(spot, 40),
        "keeping each improvement, 32": lambda spot: keeping_each(spot, 32),
        "keeping each improvement, 40": lambda spot: keeping_each(spot, 40),
        "space-filling, 32": lambda spot: spread_out(spot, 32),
    }


@lru_cache(maxsize=4)
def best_liking(key, number):
    """Return the true liking of a kitchen's best setting."""
    spot = spot_of(SCENARIOS[key], number)
    return spot.truth(spot.grid()).max()


def judged(task):
    """Carry one method through one kitchen and hold it to the truth."""
    key, name, number = task
    scenario = SCENARIOS[key]
    spot = spot_of(scenario, number)
    started = time.perf_counter()
    found = methods(scenario)[name](spot)
    best = pd.DataFrame([found["settings"]])[spot.names]
    first = importance(spot).idxmax()
    return {
        "scenario": scenario.name,
        "method": name,
        "regret": best_liking(key, number) - spot.truth(best)[0],
        "first": float(found["named"] == first),
        "tie": float(first in found["tie"]) if "tie" in found else np.nan,
        "tie size": len(found["tie"]) if "tie" in found else np.nan,
        "false": found.get("false", np.nan),
        "baked": spot.baked,
        "stopped": found.get("stopped", np.nan),
        "broken": float(spot.broken(best)[0]),
        "seconds": time.perf_counter() - started,
    }


def summarised(rows):
    """Return one line per scenario and method."""
    lines = []
    usual = {truth: own for (truth, name), own in rows.groupby(GROUPED) if name == COMPARED}
    # Where no round of 16 was baked, the first method stands for it
    for (truth, _), own in rows.groupby(GROUPED, sort=False):
        usual.setdefault(truth, own)
    for (scenario, method), own in rows.groupby(GROUPED, sort=False):
        lines.append(
            {
                "truth": scenario,
                "method": method,
                "bakes": f"{own['baked'].mean():.1f}",
                "kitchens": len(own),
                "regret": with_error(own["regret"]),
                "more than one round of 16": ""
                if usual[scenario]["method"].iloc[0] == method
                else more(own, usual[scenario]),
                "first named right %": share(own["first"]),
                "in the stated tie %": share(own["tie"]),
                "size of tie": mean(own["tie size"]),
                "false pairs": mean(own["false"]),
                "said stop %": share(own["stopped"]),
                "broken": int(own["broken"].sum()),
                "s": f"{own['seconds'].mean():.2f}",
            }
        )
    return pd.DataFrame(lines)


def with_error(values):
    """Return a mean with its simulation error."""
    return f"{values.mean():.3f} ± {values.std() / np.sqrt(len(values)):.3f}"


def more(own, other):
    """Return how much more is lost than by another method, in the kitchens that both went through.

    The rows of a method are in the order of its kitchens, and those of few are the first.
    """
    regrets = [rows["regret"].to_numpy() for rows in (own, other)]
    common = min(map(len, regrets))
    return with_error(regrets[0][:common] - regrets[1][:common])


def share(column):
    """Return a share in percent, empty where nothing is known."""
    return "" if column.isna().all() else f"{100 * column.mean():.0f}"


def mean(column):
    """Return a mean, empty where nothing is known."""
    return "" if column.isna().all() else f"{column.mean():.2f}"


WORDS = """# Kitchens of known truth

Liking lost by the setting that each method ends with (regret, in points, with its simulation
error), over invented kitchens: five factors, two of them active, six tasters, bake sd 0.5, score
sd 1.2. First named right: the factor with the largest true size stands first. In the stated tie:
it is among the factors that the findings name as what could have mattered most. False pairs: pairs
called `matters` that are not in the truth, per kitchen. Said stop: the kit asked for confirmation
instead of another round ("8 and then 8" bakes on all the same, so that budgets are equal). Broken:
recommendations that break an exclusion. All bakes are made on one day, unless two days are named:
then the difference between the days is estimated as well, though there is none in the truth.
As foreseen: the first round is the first part of a plan for 16 bakes. Paired: the n-th bake of a
setting comes out the same whichever plan holds it, which compares plans more sharply. More than
one round of 16 (of 12 with four factors): the mean difference over the kitchens that both went
through. Said: the cook says of the two active factors that a best amount lies inside; all bakes of
the first round are at the ends, where bends do not show. To tune: the plan for that aim, which
tells every bend and mixes up pairs. The paired rows with bends were listed, with the limits of the
unpaired ones, when those had been seen.

"""


def held(tables):
    """Return the rows listed beforehand, with intervals of 95 % over all of them together.

    References
    ----------
    Sidak 1967, J. Am. Stat. Assoc. 62:626.
    """
    times = norm.ppf((1 + 0.95 ** (1 / len(ASKED))) / 2)
    lines = ["| truth | method | held against | kitchens | lost | interval | asked | |"]
    lines.append("|" + "---|" * 8)
    for key, name, other, limit in ASKED:
        own = regrets_of(tables, key, name)
        if other is not None:
            before = regrets_of(tables, key, other)
            common = min(len(own), len(before))
            own = own[:common] - before[:common]
        if len(own) < 2:
            continue
        reach = times * own.std(ddof=1) / np.sqrt(len(own))
        low, high = own.mean() - reach, own.mean() + reach
        said = "" if limit is None else "holds" if high <= limit else "open"
        said = "missed" if limit is not None and low > limit else said
        asked = "printed" if limit is None else f"at most {limit:.2f}"
        cells = [SCENARIOS[key].name, name, other or "", str(len(own)), f"{own.mean():.3f}"]
        lines.append("| " + " | ".join([*cells, f"{low:.3f} to {high:.3f}", asked, said]) + " |")
    return lines


def regrets_of(tables, key, name):
    """Return what a method lost in each kitchen, in their order."""
    table = tables.get(key, pd.DataFrame(columns=["method", "regret"]))
    return table.loc[table["method"] == name, "regret"].to_numpy(float)


HELD = """
## Listed beforehand

Intervals hold all these means together with 95 % (Sidak). Where a row is held against another the
mean is of the differences, kitchen by kitchen. Holds: the whole interval is within what is asked;
missed: the whole of it is beyond; open: more kitchens would tell.

"""


def earlier(key):
    """Return the rows of a scenario that were run before; empty where there are none."""
    path = RESULTS / f"decisions_{key}.csv"
    if not path.exists():
        return pd.DataFrame(columns=["scenario", "method"])
    table = read_csv(path).reset_index(drop=True)
    numbers = table.columns.difference(["scenario", "method"])
    table[numbers] = table[numbers].replace("", np.nan).astype(float)
    return table


def gather():
    """Write one table of all scenarios run so far."""
    tables = {key: earlier(key) for key in SCENARIOS}
    tables = {key: table for key, table in tables.items() if len(table)}
    table = summarised(pd.concat(tables.values(), ignore_index=True))
    lines = ["| " + " | ".join(table.columns) + " |", "|" + "---|" * len(table.columns)]
    lines += ["| " + " | ".join(map(str, row)) + " |" for row in table.to_numpy()]
    text = WORDS + "\n".join(lines) + "\n" + HELD + "\n".join(held(tables)) + "\n"
    write_text(RESULTS / "decisions.md", text)


# Rows that were run before bends, the usual kitchen's error and the leading goal came in
BEFORE = tuple(
    (key, name)
    for key, names in {
        "usual": (COMPARED, "kit, 8 and then 8, one day", "kit, one round of 8",
                  "kit, one round of 12"),
        "no_pairs": (COMPARED, "kit, 8 and then 8, one day"),
        "no_heredity": (COMPARED, "kit, 8 and then 8, one day"),
        "three_kinds": (COMPARED, "kit, 16 and then 8, one day"),
        "corner": (COMPARED, "kit, 8 and then 8, one day"),
    }.items()
    for name in names
)  # fmt: skip
ONCE_MORE = """# Kitchens gone through once more

The rows of decisions.md that nothing was meant to change, held to what they lost when they were
first run, kitchen by kitchen. Intervals hold all the differences together with 95 % (Sidak 1967,
J. Am. Stat. Assoc. 62:626). Worse: the whole interval lies above 0.

| truth | method | kitchens | lost then | lost now | more now | interval | |
|---|---|---|---|---|---|---|---|
"""


def rows_held(path):
    """Return the rows of a table that was written before, by truth, method and kitchens."""
    lines = path.read_text("utf-8").splitlines() if path.exists() else []
    cells = [[one.strip() for one in line.strip("|").split("|")] for line in lines]
    return {tuple(own[:3]): line for own, line in zip(cells, lines, strict=True) if len(own) > 2}


def once_more(kitchens, processes):
    """Go through the first kitchens of the earlier rows again; write how much more they lose.

    Rows of as many kitchens that the table holds already stay; take it away to begin anew.
    """
    times = norm.ppf((1 + 0.95 ** (1 / len(BEFORE))) / 2)
    path = RESULTS / "decisions_once_more.md"
    held = rows_held(path)
    lines = []
    with Pool(processes) as pool:
        for key, name in BEFORE:
            then = regrets_of({key: earlier(key)}, key, name)[:kitchens]
            if (SCENARIOS[key].name, name, str(len(then))) in held:
                lines.append(held[SCENARIOS[key].name, name, str(len(then))])
                continue
            tasks = [(key, name, number) for number in range(len(then))]
            now = np.array([one["regret"] for one in pool.map(judged, tasks, chunksize=10)])
            more_now = now - then
            reach = times * more_now.std(ddof=1) / np.sqrt(len(then))
            low, high = more_now.mean() - reach, more_now.mean() + reach
            cells = [SCENARIOS[key].name, name, str(len(then))]
            cells += [f"{value:.3f}" for value in (then.mean(), now.mean(), more_now.mean())]
            cells += [f"{low:.3f} to {high:.3f}", "worse" if low > 0 else ""]
            lines.append("| " + " | ".join(cells) + " |")
            write_text(path, ONCE_MORE + "\n".join(lines) + "\n")


def main(kitchens, processes, chosen, asked):
    """Go on with scenarios and write their tables, anew after every 20 kitchens."""
    listed = {(key, name) for key, *names, _ in ASKED for name in names}
    with Pool(processes) as pool:
        for start in range(0, kitchens, 20):
            for key in chosen or SCENARIOS:
                rows = earlier(key)
                done = rows["method"].value_counts()
                names = [
                    one for one in methods(SCENARIOS[key]) if not asked or (key, one) in listed
                ]
                tasks = [
                    (key, name, number)
                    for number in range(start, min(start + 20, kitchens))
                    for name in names
                    if number >= done.get(name, 0) and (name not in LONG or number < kitchens // 5)
                ]
                if not tasks:
                    continue
                # A kitchen's best setting is looked for once by each process
                found = pd.DataFrame(pool.map(judged, tasks, chunksize=len(names))).round(5)
                rows = found if rows.empty else pd.concat([rows, found], ignore_index=True)
                write_csv(rows, RESULTS / f"decisions_{key}.csv")
                gather()
    for key in chosen or SCENARIOS:
        if len(rows := earlier(key)):
            print(summarised(rows).to_string(), flush=True)


if __name__ == "__main__":
    arguments = sys.argv[1:]
    count = int(arguments[0]) if arguments else 500
    workers = int(arguments[1]) if arguments[1:] else 2
    if "again" in arguments[2:]:
        once_more(count, workers)
    else:
        names = [one for one in arguments[2:] if one != "asked"]
        main(count, workers, names, "asked" in arguments[2:])
