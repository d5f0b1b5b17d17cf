"""Small rounds: how often is something said that is not so, and how often is what is so said?

    python -m tests.benchmarks.small_rounds [rounds per row and spread, default 25]

Writes ``results/small_rounds.md``. Rounds of 6, 8 and 12 bakes with two to four factors and one to
three tasters: three ways of cooking, a pan temperature that exists for two of them, a pan that the
bakes fried on one day share, two days, one failed bake. Everything is invented. The rows, spreads
and seeds are those of the lists below. The one number that was chosen by such rounds (how sure the
kit must be that a term is at work) was chosen with another seed.

Spreads are those of the usual kitchen times a factor. Null rounds have no effect at all; in the
others every term is nothing, 0.3 to 0.6 or 1 to 3 points, either way, each as likely. Something is
*said* where a verdict is "matters"; it is wrong where the truth has the other sign or is not above
the margin. The rule that stands beside is told the spreads: generalised least squares with the
true covariance, and normal intervals so wide that a null round says something in 5 % (Sidak 1967,
J. Am. Stat. Assoc. 62:626, over the effects of the round).
"""

import sys
from dataclasses import dataclass
from multiprocessing import Pool
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import norm

import trials
from trials.analysis.contrasts import contrasts
from trials.analysis.fitting import answered
from trials.analysis.question import question
from trials.base.errors import TrialsError
from trials.base.files import write_text
from trials.core.terms import ModelMatrix, model_matrix, model_terms

RESULTS = Path(__file__).parent / "results"
FACTORS = (
    trials.Categorical("cooking", ["oven", "griddle", "fry"]),
    trials.Numeric("pan temperature", 160, 190, "°C", only_when=("cooking", ["griddle", "fry"])),
    trials.Categorical("fat", ["butter", "lard"]),
    trials.Categorical("leavening", ["with", "without"]),
)
LIKING = trials.Measure("liking", "hedonic 9", goal="higher")
NUMBERS, BAKES, TASTERS = (2, 3, 4), (6, 8, 12), (1, 2, 3)
SPREADS, ONE_MORE = (0.5, 0.7, 1.0, 1.4, 2.0), 1.6
STEPS = (1.0, 0.5)  # whole and half points, in turn
# Standard deviations of the usual kitchen, liking points
BAKE, LOAD, DAY, TASTER, SCORE = 0.25, 0.25, 0.2, 0.8, float(np.hypot(0.5, 1.1))
MEAN, SMALL, LARGE = 5.6, (0.3, 0.6), (1.0, 3.0)
SEED = 18
WORKERS = 4
LOOKS = (12, 4, 4)
FALSE_ALARMS = 0.05


@dataclass(frozen=True, eq=False)
class Row:
    """A round to be baked: its plan as settings, its model, its error groups."""

    factors: tuple
    table: pd.DataFrame
    matrix: ModelMatrix
    model: tuple
    load: np.ndarray
    tasters: int


def row(number: int, bakes: int, tasters: int) -> Row | None:
    """Return a row, or None where the kit plans no such round."""
    factors = FACTORS[:number]
    try:
        plan = trials.propose(factors, bakes, days=2, tasters=tasters, seed=SEED)
    except TrialsError:
        return None
    table = plan.table
    fried = zip(table["cooking"], table["day"], table["bake"], strict=True)
    load = np.array([f"pan {day}" if how == "fry" else bake for how, day, bake in fried])
    matrix = model_matrix(model_terms(plan.model, factors), factors, table)
    return Row(factors, table, matrix, plan.model, load, tasters)


def effects_of(one: Row, kind: str, rng: np.random.Generator) -> np.ndarray:
    """Return coefficients: half the difference of two settings."""
    beta = np.zeros(one.matrix.X.shape[1])
    beta[0] = MEAN
    for term in one.matrix.terms if kind != "null" else ():
        size = ((0.0, 0.0), SMALL, LARGE)[rng.integers(3)]
        columns = one.matrix.of(term)
        signs = rng.choice([-1, 1], len(columns))
        beta[columns] = signs * rng.uniform(*size, len(columns)) / 2
    return beta


def baked(
    one: Row, truth: np.ndarray, times: float, step: float, rng: np.random.Generator
) -> pd.DataFrame:
    """Return the scores of a round, one bake of which failed."""
    count = len(truth)
    days = pd.factorize(one.table["day"])[0]
    loads = pd.factorize(one.load)[0]
    shared = np.where(one.table["cooking"] == "fry", LOAD, 0.0)
    bakes = truth + times * (
        DAY * rng.standard_normal(days.max() + 1)[days]
        + shared * rng.standard_normal(loads.max() + 1)[loads]
        + BAKE * rng.standard_normal(count)
    )
    people = TASTER * rng.standard_normal(one.tasters)
    noise = times * SCORE * rng.standard_normal((count, one.tasters))
    scores = np.clip(np.round((bakes[:, None] + people + noise) / step) * step, 1, 9)
    parts = [
        one.table.assign(load=one.load, taster=f"taster {n + 1}", status="made", liking=own)
        for n, own in enumerate(scores.T)
    ]
    table = pd.concat(parts, ignore_index=True)
    failed = table["bake"] == one.table["bake"].iloc[rng.integers(count)]
    table.loc[failed, "status"], table.loc[failed, "liking"] = "failed", np.nan
    return table


def spoken(one: Row, table: pd.DataFrame) -> pd.DataFrame | None:
    """Return what the kit says of the round; None where the scores can not be fitted."""
    try:
        asked = question(table, "liking", list(one.factors), measure=LIKING, planned=one.model)
        return answered(asked).spoken
    except TrialsError:
        return None


def told_the_spreads(one: Row, table: pd.DataFrame, times: float) -> pd.DataFrame:
    """Return estimates and standard errors by the true covariance of the bakes that were made."""
    made = table[table["status"] == "made"]
    means = made.groupby("bake")["liking"].mean()
    kept = one.table["bake"].isin(means.index).to_numpy()
    y = means[one.table["bake"][kept]].to_numpy()
    days = (one.table["day"] == one.table["day"].iloc[0]).to_numpy()[kept] * 2.0 - 1
    X = np.column_stack([one.matrix.X[kept], days])
    fried = (one.table["cooking"] == "fry").to_numpy()[kept]
    load = one.load[kept]
    shared = np.equal.outer(load, load) & np.logical_and.outer(fried, fried)
    own = BAKE**2 + SCORE**2 / one.tasters
    W = np.linalg.inv(times**2 * (own * np.eye(len(y)) + LOAD**2 * shared))
    inverse = np.linalg.pinv(X.T @ W @ X, rcond=1e-9)
    beta, told = inverse @ X.T @ W @ y, inverse @ X.T @ W @ X
    rows = []
    for one_contrast in contrasts(one.matrix, one.factors, X.shape[1]):
        w = one_contrast.weights
        if np.abs(w @ told - w).max() < 1e-6:
            key = one_contrast.term.name, one_contrast.level
            rows.append((*key, w @ beta, np.sqrt(w @ inverse @ w)))
    found = pd.DataFrame(rows, columns=["term", "level", "estimate", "se"])
    reach = norm.ppf((1 + (1 - FALSE_ALARMS) ** (1 / max(len(found), 1))) / 2) * found["se"]
    return found.assign(low=found["estimate"] - reach, high=found["estimate"] + reach)


def judged(found: pd.DataFrame | None, truth: dict, by: str) -> list[dict]:
    """Return for each effect what was said of it, and whether that is wrong."""
    rows = []
    margin = LIKING.margin
    for effect in found.itertuples() if found is not None else ():
        true = truth[effect.term, effect.level]
        side = 1 if effect.low > 0 else -1
        matters = effect.low > margin or effect.high < -margin
        if by == "kit":
            matters = effect.verdict == "matters"
            assert effect.low != effect.high
        sure = bool(effect.low > 0 or effect.high < 0)
        rows.append(
            {
                "matters": matters,
                "sure": sure,
                "wrong": matters and true * side <= margin,
                "wrong way": sure and true * side <= 0,
                "too small": by == "kit" and effect.verdict == "too small to matter",
                "too small wrong": by == "kit"
                and effect.verdict == "too small to matter"
                and abs(true) > margin,
                "held": effect.low <= true <= effect.high,
            }
        )
    return rows


def one_round(one: Row, kind: str, times: float, step: float, rng: np.random.Generator):
    """Return what the kit and the rule that is told the spreads say of one round."""
    beta = effects_of(one, kind, rng)
    table = baked(one, one.matrix.X @ beta, times, step, rng)
    every = contrasts(one.matrix, one.factors, len(beta))
    truth = {(c.term.name, c.level): float(c.weights @ beta) for c in every}
    kit = judged(spoken(one, table), truth, "kit")
    rule = judged(told_the_spreads(one, table, times), truth, "rule")
    return kit, rule


def run(rounds: int) -> pd.DataFrame:
    """Return one line per effect and round."""
    rows = [(n, b, t, rounds) for n in NUMBERS for b in BAKES for t in TASTERS]
    with Pool(WORKERS) as pool:
        return pd.DataFrame([line for own in pool.starmap(row_of, rows, 1) for line in own])


def row_of(number: int, bakes: int, tasters: int, rounds: int) -> list[dict]:
    """Return the lines of one row."""
    one = row(number, bakes, tasters)
    if one is None:
        return []
    lines = []
    rng = np.random.default_rng([SEED, number, bakes, tasters])
    for place in range(rounds):
        for times in (*SPREADS, ONE_MORE):
            for kind in ("null", "effects"):
                said = one_round(one, kind, times, STEPS[place % 2], rng)
                key = {"factors": number, "bakes": bakes, "tasters": tasters}
                key |= {"times": times, "kind": kind, "round": place}
                for by, found in zip(("kit", "rule"), said, strict=True):
                    lines += [{**key, "by": by, **line} for line in found]
                    if not found:
                        lines.append({**key, "by": by})
    return lines


def looks(rounds: int) -> pd.DataFrame:
    """Return null rounds looked at after 12, 16 and 20 bakes: was anything ever said?"""
    with Pool(WORKERS) as pool:
        found = pool.starmap(looks_of, [(number, rounds) for number in NUMBERS], 1)
    return pd.DataFrame([line for own in found for line in own])


def looks_of(number: int, rounds: int) -> list[dict]:
    """Return the lines of the three looks with so many factors."""
    lines = []
    first = row(number, LOOKS[0], 2)
    assert first is not None
    rng = np.random.default_rng([SEED, number, 3])
    for place in range(rounds):
        for times in (*SPREADS, ONE_MORE):
            parts, ever = [], False
            for look, more in enumerate(LOOKS):
                at = np.arange(len(first.table)) if not look else rng.integers(12, size=more)
                settings = first.table.iloc[at].reset_index(drop=True)
                names = [f"{look}-{n}" for n in range(len(at))]
                settings = settings.assign(bake=names)
                if look:
                    settings["day"] = f"later {look}"
                own = [
                    f"pan {look} {d}" if how == "fry" else bake
                    for how, d, bake in zip(
                        settings["cooking"], settings["day"], names, strict=True
                    )
                ]
                X = first.matrix.X[at]
                shape = Row(first.factors, settings, first.matrix, first.model, np.array(own), 2)
                beta = np.eye(X.shape[1])[0] * MEAN
                parts.append(baked(shape, X @ beta, times, STEPS[place % 2], rng))
                said = spoken(first, pd.concat(parts, ignore_index=True))
                if said is not None:
                    ever |= bool(((said["low"] > 0) | (said["high"] < 0)).any())
            lines.append({"factors": number, "times": times, "round": place, "ever": ever})
    return lines


def summary(lines: pd.DataFrame) -> pd.DataFrame:
    """Return one line per row of the benchmark."""
    flags = ["matters", "sure", "wrong", "wrong way", "too small", "too small wrong"]
    lines[flags] = lines[flags].astype(float).fillna(0.0)
    lines["held"] = lines["held"].astype(float)
    kit, rule = (lines[lines["by"] == by] for by in ("kit", "rule"))
    keys = ["factors", "bakes", "tasters"]
    null = kit[kit["kind"] == "null"]
    ever = null.groupby([*keys, "times", "round"])["sure"].any().groupby([*keys, "times"]).mean()
    ever = ever.unstack("times")
    usual = kit[(kit["kind"] == "effects") & kit["times"].isin(SPREADS)]
    by_rule = rule[(rule["kind"] == "effects") & rule["times"].isin(SPREADS)]
    sums = usual.groupby(keys)[[*flags, "held"]].sum()
    other = by_rule.groupby(keys)[flags].sum()
    return pd.DataFrame(
        {
            "null, said": ever[list(SPREADS)].mean(axis=1),
            "null at 1.6": ever[ONE_MORE],
            "verdicts": sums["matters"],
            "wrong": sums["wrong"] / sums["matters"],
            "by the rule": other["matters"],
            "wrong by the rule": other["wrong"] / other["matters"],
            "times as often": sums["matters"] / other["matters"],
            "directions": sums["sure"],
            "wrong way": sums["wrong way"] / sums["sure"],
            "directions, times as often": sums["sure"] / other["sure"],
            "too small": sums["too small"],
            "held": usual.groupby(keys)["held"].mean(),
        }
    ).reset_index()


def table_text(table: pd.DataFrame) -> str:
    """Return a table in Markdown, shares in per cent."""
    shares = (
        "null, said",
        "null at 1.6",
        "wrong",
        "wrong by the rule",
        "wrong way",
        "held",
        "ever",
    )
    shown = table.copy()
    for name in shown:
        if name in shares:
            shown[name] = [f"{100 * x:.1f} %" if np.isfinite(x) else "" for x in shown[name]]
        elif "times as often" in name:
            shown[name] = [f"{x:.2f}" if np.isfinite(x) else "" for x in shown[name]]
        elif shown[name].dtype == float:
            shown[name] = [f"{x:g}" for x in shown[name]]
    head = "| " + " | ".join(shown.columns) + " |\n|" + "---|" * len(shown.columns)
    return "\n".join([head, *("| " + " | ".join(map(str, r)) + " |" for r in shown.values)])


def write(rounds: int) -> None:
    """Run everything and write the tables."""
    found = summary(run(rounds))
    seen = looks(rounds)
    usual = seen[seen["times"] != ONE_MORE].groupby("factors")["ever"].mean()
    wide = seen[seen["times"] == ONE_MORE].groupby("factors")["ever"].mean()
    three = pd.DataFrame({"null, said": usual, "null at 1.6": wide}).reset_index()
    large = found[(found["bakes"] >= 8) & (found["tasters"] >= 2)]
    said, ruled = large["verdicts"].sum(), large["by the rule"].sum()
    wrong = (large["wrong"].fillna(0) * large["verdicts"]).sum()
    text = f"""# Small rounds

Made by `python -m tests.benchmarks.small_rounds {rounds}`, seed {SEED}. {rounds} null rounds and
{rounds} with effects of each row at each of the spreads {", ".join(map(str, SPREADS))} and
{ONE_MORE} times the usual ones; half of them in whole points, half in half points. Invented
kitchens; see the head of the command for their structure.

"null, said": null rounds in which any effect "matters" or has a sure direction, averaged over the
spreads (asked for: at most 5 %; at 1.6 times at most 10 %). "verdicts": effects said to matter;
"wrong" of them: other sign in truth, or not above the margin of 0.7 (asked for from 8 bakes and two
tasters on: at most 5 %). "times as often": against the rule that is told the spreads (asked for
there: at least 0.8). "held": intervals that hold the truth. 6 bakes and one taster are printed, not
required. A row of {rounds * len(SPREADS)} null rounds has a standard error of about \
{100 * np.sqrt(0.05 * 0.95 / (rounds * len(SPREADS))):.1f} points.

{table_text(found)}

All rows: null rounds {100 * found["null, said"].mean():.1f} %, at 1.6 times \
{100 * found["null at 1.6"].mean():.1f} %. From 8 bakes and two tasters on: \
{said:.0f} verdicts, {100 * wrong / said:.1f} % of them wrong, said {said / ruled:.2f} times as \
often as by the rule that is told the spreads.

## Three looks: 12 bakes, then 4, then 4, two tasters

Null rounds in which anything was said at any of the three looks.

{table_text(three)}
"""
    write_text(RESULTS / "small_rounds.md", text)
    print(text)


if __name__ == "__main__":
    write(int(sys.argv[1]) if len(sys.argv) > 1 else 25)
