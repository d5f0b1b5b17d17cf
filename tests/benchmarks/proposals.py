"""What is proposed for many budgets and aims, how long it takes, and what a long search would add.

Run by ``python -m tests.benchmarks.proposals``; writes results/proposals.md. Processor seconds of
one core.
"""

import time
from pathlib import Path

from trials.core.factors import Categorical, Component, Numeric, check_factors
from trials.design.power import promise
from trials.design.propose import Wish, propose, searched, textbook

RESULT = Path(__file__).parent / "results" / "proposals.md"
NAMES = (
    "rest", "salt", "malt", "milk", "proof", "egg", "bran", "yeast", "rye", "oat", "heat"
)  # fmt: skip
OIL = Numeric("oil temperature", 165, 180, "°C", centre=172, hard_to_change=True)
DOUGH = Numeric("dough rest", 1, 12, "h", hard_to_change="dough")
FAT = Categorical("fat", ["butter", "lard", "sunflower oil"])
BLEND = [Component("rye"), Component("spelt"), Component("wheat")]
LIMITED = [Component("rye", 0.1, 0.5), Component("oat", 0, 0.4), Component("wheat", 0.2, 0.8)]
METHOD = Categorical("method", ["baked", "fried", "steamed"])
FRY = Numeric("fry heat", 165, 180, "°C", only_when=("method", ["fried"]))


def numbers(count: int) -> list[Numeric]:
    return [Numeric(name, 0, 1) for name in NAMES[:count]]


def squares(count: int) -> list[Categorical]:
    return [Categorical(name, [f"{name} {n}" for n in range(4)]) for name in NAMES[:count]]


def hot_and_wet(bake: dict) -> bool:
    return bake["oil temperature"] > 175 and bake["rest"] > 0.5


CASES = {
    "3 numbers": (numbers(3), 8, {}),
    "5 numbers": (numbers(5), 12, {}),
    "9 numbers": (numbers(9), 12, {}),
    "11 numbers": (numbers(11), 24, {}),
    "7 numbers, 2 days": (numbers(7), 16, {"days": 2}),
    "4 numbers, pairs": (numbers(4), 16, {"aim": "interactions"}),
    "6 numbers, pairs": (numbers(6), 32, {"aim": "interactions"}),
    "6 numbers, too few bakes": (numbers(6), 16, {"aim": "interactions"}),
    "3 numbers, tune": (numbers(3), 18, {"aim": "optimise"}),
    "4 numbers, tune": (numbers(4), 28, {"aim": "optimise"}),
    "6 numbers, tune": (numbers(6), 40, {"aim": "optimise"}),
    "2 numbers and a kind of 3, pairs": ([*numbers(2), FAT], 12, {"aim": "interactions"}),
    "4 numbers and a kind of 3, pairs": ([*numbers(4), FAT], 30, {"aim": "interactions"}),
    "3 kinds of 4 on a tray": (squares(3), 16, {}),
    "4 kinds of 4 on a tray": (squares(4), 16, {}),
    "a blend of 3": (BLEND, 12, {}),
    "a blend with limits": (LIMITED, 14, {}),
    "a blend and a rest": ([*BLEND, Numeric("rest", 0, 1)], 18, {}),
    "oil and 5 more, 8 fills": (
        [*numbers(5), OIL],
        32,
        {"aim": "interactions", "days": 4, "loads": 8},
    ),
    "oil and 4 more, 2 fills": ([*numbers(4), OIL], 12, {"loads": 2}),
    "oil and 3 more, a corner left out": (
        [*numbers(3), OIL],
        24,
        {"aim": "interactions", "loads": 6, "exclude": hot_and_wet},
    ),
    "oil, 4 more and a kind of 3, 6 fills": (
        [*numbers(4), OIL, FAT],
        24,
        {"loads": 6},
    ),
    "oil fills crossed with doughs": (
        [OIL, DOUGH, *numbers(2)],
        24,
        {"loads": {"load": 6, "dough": 4}},
    ),
    "3 methods, one with a heat": ([METHOD, FRY, *numbers(1)], 18, {"aim": "interactions"}),
}


def row(name: str) -> str:
    factors, bakes, wishes = CASES[name]
    start = time.process_time()
    plan = propose(factors, bakes, seed=1, **wishes)
    took = time.process_time() - start
    found, longest = _scores(factors, bakes, wishes, plan)
    aim = wishes.get("aim", "screen")
    return (
        f"| {name} | {aim} | {bakes} | {plan.family} | {plan.sentence()} | {found:.3f} | "
        f"{longest:.3f} | {took:.1f} s |"
    )


def _scores(factors, bakes, wishes, plan) -> tuple[float, float]:
    """The chance of the plan proposed, and the best of all, searched five times as long."""
    wish = Wish(
        check_factors(factors),
        bakes,
        wishes.get("aim", "screen"),
        wishes.get("days", 1),
        wishes.get("loads"),
        0,
        wishes.get("exclude"),
        None,
        1,
    )

    def score(one):
        return promise(one, wish.targets, worth=0.7, tasters=6).score

    every = [*textbook(wish)[0], *searched(wish, starts=30)[0]]
    return score(plan), max(score(one) for one in every)


def main() -> None:
    lines = [
        "# What is proposed",
        "",
        "Seed 1, six tasters, 0.7 points worth noticing, usual spreads. Chance: the mean chance to "
        "see an effect worth noticing, what it is mixed with counted against it; beside it the "
        "best of all families and of a search five times as long. A smaller plan is preferred "
        "where the chances differ by less than 0.02.",
        "",
        "| what varies | aim | bakes | proposed | plan | chance | longer search | time |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for name in CASES:
        lines.append(row(name))
        print(lines[-1], flush=True)
    RESULT.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
