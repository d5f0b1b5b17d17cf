"""Make the invented scores that the R scripts beside this file fit, and say what each is.

All data are invented: no bake, taster or score of them ever was. Run it in this folder with
nothing but numpy and pandas:

    python make_inputs.py

It writes one ``<name>_input.csv`` a scenario and ``scenarios.json``. The same seed gives the same
tables (numpy's PCG64). The seeds are the first ones from 1 on with which no variance is estimated
near zero (each at least a twentieth of their sum), and for "bake_at_zero" the first with which
that of bakes is exactly zero.
"""

import json
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).parent

SEEDS = {
    "two_rounds": 1,
    "three_rounds": 3,
    "moved_range": 2,
    "dropped_factor": 1,
    "moved_reference": 1,
    "same_reference": 1,
    "days_and_loads": 2,
    "five_days": 1,
    "five_rounds": 2,
    "shared_day": 1,
    "bake_at_zero": 2,
}

# What the invented kitchen does: spreads (standard deviations, points of liking)
SPREADS = {"day": 0.5, "load": 0.5, "bake": 0.5, "taster": 0.6, "tasting": 0.6}


def numeric(name: str, low: float, high: float, unit: str) -> dict:
    return {"name": name, "kind": "numeric", "low": low, "high": high, "unit": unit}


def categorical(name: str, *levels: str) -> dict:
    return {"name": name, "kind": "categorical", "levels": list(levels)}


def grid(**settings: tuple) -> list[dict]:
    """Every combination of settings, the last factor running fastest."""
    return [dict(zip(settings, row, strict=True)) for row in product(*settings.values())]


def at(names: str, *rows: tuple) -> list[dict]:
    return [dict(zip(names.split(), row, strict=True)) for row in rows]


def planned(rounds: list[dict]) -> pd.DataFrame:
    """One row per bake: round, bake, day, load, role and the settings.

    A round is {"bakes": settings, "days": ids or one id, "loads": ids or None, "references":
    settings}; ids stand once per bake, or once for all.
    """
    rows = []
    for place, one in enumerate(rounds, start=1):
        references = one.get("references", [])
        settings = [("trial", s) for s in one["bakes"]] + [("reference", s) for s in references]
        count = len(settings)
        days = one.get("days", f"R{place}-D1")
        days = [days] * count if isinstance(days, str) else days
        loads = one.get("loads") or [""] * count
        for number, (role, setting) in enumerate(settings, start=1):
            rows.append(
                {
                    "round": place,
                    "bake": f"R{place}-B{number:02d}",
                    "day": days[number - 1],
                    "load": loads[number - 1],
                    "role": role,
                    **setting,
                }
            )
    return pd.DataFrame(rows)


def scored(bakes: pd.DataFrame, spec: dict, seed: int) -> pd.DataFrame:
    """One row per score: what the settings do, what is shared, and noise, to one decimal."""
    rng = np.random.default_rng(seed)
    spreads = SPREADS | spec.get("spreads", {})
    truth = 5.2 + sum(
        size * np.prod([coded(bakes, spec, name) for name in term.split(":")], axis=0)
        for term, size in spec["truth"].items()
    )
    truth = truth + np.where(bakes["role"] == "reference", 0.3, 0.0)
    truth = truth + bakes["round"].map(dict(enumerate(spec["shifts"], start=1))).to_numpy()
    for unit in ("day", "load", "bake"):
        ids = list(dict.fromkeys(bakes[unit]))
        own = dict(zip(ids, rng.normal(0, spreads[unit], len(ids)), strict=True))
        if len(ids) > 1:
            truth = truth + bakes[unit].map(own).to_numpy()
    tasters = [f"T{n}" for n in range(1, spec["tasters"] + 1)]
    mood = dict(zip(tasters, rng.normal(0, spreads["taster"], len(tasters)), strict=True))
    absent = {tuple(pair) for pair in spec.get("absent", [])}
    rows = []
    for (_, bake), mean in zip(bakes.iterrows(), truth, strict=True):
        for taster in tasters:
            noise = rng.normal(0, spreads["tasting"])
            ids = {bake["round"], bake["day"], bake["bake"]}
            if any((taster, one) in absent for one in ids):
                continue
            score = round(float(np.clip(mean + mood[taster] + noise, 1, 9)), 1)
            head = bake[["round", "bake", "day", "load", "role"]].to_dict()
            names = [factor["name"] for factor in spec["factors"]]
            rows.append({**head, "taster": taster, **bake[names].to_dict(), "liking": score})
    return pd.DataFrame(rows)


def coded(bakes: pd.DataFrame, spec: dict, name: str) -> np.ndarray:
    """A number over its range as -1 to 1, a kind as evenly spread numbers in that order."""
    name, _, power = name.partition("^")
    factor = next(one for one in spec["factors"] if one["name"] == name)
    if factor["kind"] == "numeric":
        middle, half = (factor["low"] + factor["high"]) / 2, (factor["high"] - factor["low"]) / 2
        values = (bakes[name].to_numpy(float) - middle) / half
    else:
        places = np.linspace(-1, 1, len(factor["levels"]))
        values = bakes[name].map(dict(zip(factor["levels"], places, strict=True))).to_numpy()
    return values ** int(power or 1)


SHORTBREAD = [
    numeric("oven", 160, 180, "°C"),
    numeric("sesame", 4, 12, "%"),
    categorical("fat", "butter", "lard"),
]
DOUGHNUT = [
    numeric("hydration", 88, 104, "%"),
    numeric("rest", 20, 60, "min"),
    categorical("fat", "butter", "lard", "oil"),
]
FRYING = [
    numeric("oil", 160, 185, "°C"),
    numeric("rest", 20, 60, "min"),
    categorical("glaze", "none", "sugar"),
]
SUGARED = [
    numeric("hydration", 88, 104, "%"),
    numeric("rest", 20, 60, "min"),
    numeric("sugar", 8, 14, "%"),
]
POT = [
    numeric("oil", 165, 180, "°C"),
    numeric("hydration", 88, 104, "%"),
    categorical("fat", "butter", "lard"),
]
SIMPLE = [numeric("hydration", 88, 104, "%"), categorical("fat", "butter", "lard")]

FULL_SHORTBREAD = grid(oven=(160, 180), sesame=(4, 12), fat=("butter", "lard"))

THREE_ROUNDS = [
    {
        "bakes": at(
            "hydration rest fat",
            (88, 20, "butter"),
            (104, 60, "butter"),
            (88, 60, "lard"),
            (104, 20, "lard"),
            (88, 20, "oil"),
            (104, 60, "oil"),
            (88, 60, "butter"),
            (104, 20, "oil"),
        )
    },
    {
        "bakes": at(
            "hydration rest fat",
            (104, 20, "lard"),
            (88, 20, "oil"),
            (104, 60, "lard"),
            (88, 60, "oil"),
        )
    },
    {
        "bakes": at(
            "hydration rest fat",
            (104, 20, "lard"),
            (104, 60, "butter"),
            (88, 20, "lard"),
            (96, 40, "butter"),
        )
    },
]

DAYS_AND_LOADS = [
    {
        "bakes": at(
            "oil hydration fat",
            *[(165, 88, "butter"), (165, 104, "butter"), (165, 104, "lard")],
            *[(180, 88, "butter"), (180, 104, "lard"), (180, 88, "lard")],
            *[(165, 88, "lard"), (165, 104, "butter"), (165, 88, "butter")],
            *[(180, 104, "butter"), (180, 88, "lard"), (180, 104, "lard")],
        ),
        "days": ["R1-D1"] * 6 + ["R1-D2"] * 6,
        "loads": [f"R1-L{n}" for n in (1, 2, 3, 4) for _ in range(3)],
    },
    {
        "bakes": at(
            "oil hydration fat",
            *[(180, 104, "butter"), (180, 88, "butter"), (180, 104, "lard")],
            *[(165, 88, "lard"), (165, 104, "lard"), (165, 104, "butter")],
            *[(180, 88, "lard"), (180, 88, "butter"), (180, 104, "butter")],
            *[(170, 88, "butter"), (170, 104, "lard"), (170, 88, "lard")],
        ),
        "days": ["R2-D1"] * 6 + ["R2-D2"] * 6,
        "loads": [f"R2-L{n}" for n in (1, 2, 3, 4) for _ in range(3)],
    },
]

FIVE_DAYS = [
    {
        "bakes": at(
            "hydration rest fat",
            *[(88, 20, "butter"), (104, 60, "butter"), (88, 60, "lard"), (104, 20, "lard")],
            *[(88, 20, "lard"), (104, 60, "lard"), (104, 20, "butter"), (104, 60, "butter")],
        ),
        "days": [f"R1-D{n}" for n in (1, 2) for _ in range(4)],
    },
    {
        "bakes": at(
            "hydration rest fat",
            *[(88, 60, "butter"), (104, 20, "butter"), (88, 20, "lard"), (88, 60, "lard")],
            *[(96, 40, "butter"), (104, 60, "lard"), (88, 20, "butter")],
        ),
        "days": ["R2-D1"] * 4 + ["R2-D2"] * 3,
    },
    {
        "bakes": at(
            "hydration rest fat",
            *[(104, 60, "butter"), (104, 60, "lard"), (88, 20, "lard")],
            *[(88, 20, "butter"), (104, 20, "lard"), (88, 60, "butter"), (104, 60, "lard")],
        ),
        "days": ["R3-D1"] * 3 + ["R3-D2"] * 4,
    },
]

FIVE_ROUNDS = [
    {"bakes": at("hydration fat", *rows)}
    for rows in (
        [(88, "butter"), (104, "butter"), (88, "lard"), (104, "lard"), (96, "butter")],
        [(88, "butter"), (104, "lard"), (104, "butter"), (96, "lard")],
        [(104, "lard"), (104, "butter"), (88, "lard"), (104, "lard")],
        [(88, "butter"), (88, "lard"), (104, "butter"), (88, "butter")],
        [(104, "butter"), (88, "lard"), (92, "lard"), (104, "butter"), (88, "butter")],
    )
]

ROUND, DAY = ["round"], ["day"]

SCENARIOS = {
    "two_rounds": {
        "what": "Two rounds of sesame shortbread, same factors, every taster scored every bake.",
        "factors": SHORTBREAD,
        "terms": ["oven", "sesame", "fat", "oven:sesame", "oven:fat", "sesame:fat"],
        "fixed": ROUND,
        "random": ["bake", "taster"],
        "rounds": [{"bakes": FULL_SHORTBREAD}, {"bakes": FULL_SHORTBREAD[::-1]}],
        "tasters": 4,
        "shifts": [0, 0.7],
        "truth": {"oven": 0.7, "sesame": 0.4, "fat": -0.2, "oven:sesame": -0.4},
    },
    "three_rounds": {
        "what": "Three rounds of buckwheat doughnuts, 8, 4 and 4 bakes; T3 missed the third.",
        "factors": DOUGHNUT,
        "terms": ["hydration", "rest", "fat", "hydration:rest", "hydration:fat"],
        "fixed": ROUND,
        "random": ["bake", "taster"],
        "rounds": THREE_ROUNDS,
        "tasters": 4,
        "absent": [("T3", 3), ("T1", "R1-B05")],
        "shifts": [0, -0.5, 0.6],
        "truth": {"hydration": 0.8, "rest": 0.3, "fat": 0.5, "hydration:rest": 0.4},
    },
    "moved_range": {
        "what": "The second round's oil is hotter: 160 to 175, then 170 to 185 °C.",
        "factors": FRYING,
        "terms": ["oil", "rest", "glaze", "oil:rest"],
        "fixed": ROUND,
        "random": ["bake", "taster"],
        "rounds": [
            {"bakes": grid(oil=(160, 175), rest=(20, 60), glaze=("none", "sugar"))},
            {"bakes": grid(oil=(170, 185), rest=(20, 60), glaze=("none", "sugar"))},
        ],
        "tasters": 3,
        "absent": [("T2", "R1-B03"), ("T3", "R2-B07")],
        "shifts": [0, 0.5],
        "truth": {"oil": 1.2, "rest": 0.2, "oil:rest": 0.5, "glaze": 0.3, "oil^2": -0.8},
    },
    "moved_range_bend": {
        "what": "The same scores; the oil may bend, as its settings of both rounds are four.",
        "factors": FRYING,
        "input": "moved_range",
        "terms": ["oil", "rest", "glaze", "oil:rest", "oil^2"],
        "fixed": ROUND,
        "random": ["bake", "taster"],
    },
    "dropped_factor": {
        "what": "The second round did not vary sugar: it stood at 11 % in all its bakes.",
        "factors": SUGARED,
        "held": {"sugar": 11},
        "terms": ["hydration", "rest", "sugar", "hydration:rest", "hydration:sugar"],
        "fixed": ROUND,
        "random": ["bake", "taster"],
        "rounds": [
            {"bakes": grid(hydration=(88, 104), rest=(20, 60), sugar=(8, 14))},
            {
                "bakes": grid(hydration=(88, 104), rest=(20, 60), sugar=(11,)) * 2
                + at("hydration rest sugar", (92, 40, 11))
            },
        ],
        "tasters": 3,
        "absent": [("T1", "R2-B02")],
        "shifts": [0, -0.6],
        "truth": {"hydration": 0.6, "sugar": 0.5, "rest": -0.3, "hydration:sugar": 0.4},
    },
    "moved_reference": {
        "what": "Reference bakes at another setting in each round: they speak by their settings.",
        "factors": SHORTBREAD,
        "terms": ["oven", "sesame", "fat", "oven:sesame"],
        "reference_bakes": "by their settings",
        "fixed": ROUND,
        "random": ["bake", "taster"],
        "rounds": [
            {
                "bakes": FULL_SHORTBREAD,
                "references": at("oven sesame fat", *[(165, 6, "butter")] * 2),
            },
            {
                "bakes": FULL_SHORTBREAD[1:7],
                "references": at("oven sesame fat", *[(175, 10, "lard")] * 2),
            },
        ],
        "tasters": 3,
        "absent": [("T2", "R2-B04")],
        "shifts": [0, 0.5],
        "truth": {"oven": 0.7, "sesame": 0.4, "fat": -0.4, "oven:sesame": -0.5},
    },
    "same_reference": {
        "what": "Reference bakes at one setting in both rounds: one column of their own.",
        "factors": SHORTBREAD,
        "terms": ["oven", "sesame", "fat", "oven:sesame"],
        "reference_bakes": "one term of their own",
        "fixed": ROUND,
        "random": ["bake", "taster"],
        "rounds": [
            {
                "bakes": FULL_SHORTBREAD,
                "references": at("oven sesame fat", *[(170, 8, "butter")] * 2),
            },
            {
                "bakes": FULL_SHORTBREAD[1:7],
                "references": at("oven sesame fat", *[(170, 8, "butter")] * 2),
            },
        ],
        "tasters": 3,
        "absent": [("T2", "R2-B04")],
        "shifts": [0, 0.5],
        "truth": {"oven": 0.7, "sesame": 0.4, "fat": -0.4, "oven:sesame": -0.5},
    },
    "days_and_loads": {
        "what": "Two rounds of two days, two pots of oil a day; four days are a fixed block.",
        "factors": POT,
        "terms": ["oil", "hydration", "fat", "oil:hydration"],
        "fixed": DAY,
        "random": ["load", "bake", "taster"],
        "rounds": DAYS_AND_LOADS,
        "tasters": 3,
        "absent": [("T1", "R2-D2"), ("T2", "R1-B03")],
        "shifts": [0, 0.5],
        "spreads": {"load": 0.6},
        "truth": {"oil": 0.9, "hydration": 0.5, "fat": 0.2, "oil:hydration": -0.5},
    },
    "days_and_loads_day_random": {
        "what": "The same scores; rounds fixed, days within rounds random all the same.",
        "factors": POT,
        "input": "days_and_loads",
        "terms": ["oil", "hydration", "fat", "oil:hydration"],
        "fixed": ROUND,
        "random": ["day", "load", "bake", "taster"],
    },
    "five_days": {
        "what": "Three rounds with six days in all: rounds fixed, days within them random.",
        "factors": [*DOUGHNUT[:2], categorical("fat", "butter", "lard")],
        "terms": ["hydration", "rest", "fat", "hydration:rest"],
        "fixed": ROUND,
        "random": ["day", "bake", "taster"],
        "rounds": FIVE_DAYS,
        "tasters": 3,
        "absent": [("T3", "R2-D1"), ("T1", "R3-B06")],
        "shifts": [0, 0.4, -0.4],
        "spreads": {"day": 0.7},
        "truth": {"hydration": 0.7, "rest": 0.4, "fat": -0.3, "hydration:rest": 0.4},
    },
    "five_rounds": {
        "what": "Five rounds of one day each: from five on they are random.",
        "factors": SIMPLE,
        "terms": ["hydration", "fat", "hydration:fat"],
        "fixed": [],
        "random": ["round", "bake", "taster"],
        "rounds": FIVE_ROUNDS,
        "tasters": 3,
        "absent": [("T2", 4)],
        "shifts": [0, 0.9, -0.7, 0.5, -0.4],
        "truth": {"hydration": 0.7, "fat": 0.4, "hydration:fat": 0.3},
    },
    "shared_day": {
        "what": "Three rounds on two days: the first two shared a day, and so its block.",
        "factors": SIMPLE,
        "terms": ["hydration", "fat", "hydration:fat"],
        "fixed": DAY,
        "random": ["bake", "taster"],
        "rounds": [
            {"bakes": grid(hydration=(88, 104), fat=("butter", "lard")) * 2, "days": "D1"},
            {
                "bakes": at("hydration fat", (104, "butter"), (104, "lard"), (100, "lard")),
                "days": "D1",
            },
            {
                "bakes": at(
                    "hydration fat",
                    *[(104, "lard"), (96, "lard"), (104, "butter"), (88, "butter")],
                ),
                "days": "D2",
            },
        ],
        "tasters": 3,
        "absent": [("T1", "R3-B02")],
        "shifts": [0, 0, 0],
        "truth": {"hydration": 0.7, "fat": 0.4, "hydration:fat": 0.3},
    },
    "bake_at_zero": {
        "what": "Two rounds whose bakes differ by nothing: that variance is estimated as zero.",
        "factors": SIMPLE,
        "terms": ["hydration", "fat", "hydration:fat"],
        "fixed": ROUND,
        "random": ["bake", "taster"],
        "rounds": [
            {"bakes": grid(hydration=(88, 104), fat=("butter", "lard")) * 2},
            {
                "bakes": at(
                    "hydration fat",
                    *[(104, "lard"), (96, "lard"), (104, "butter"), (88, "butter")],
                    *[(88, "lard"), (104, "lard")],
                )
            },
        ],
        "tasters": 3,
        "absent": [("T1", "R2-B02")],
        "shifts": [0, 0.5],
        "spreads": {"bake": 0.0},
        "truth": {"hydration": 0.7, "fat": 0.4, "hydration:fat": 0.3},
    },
}


def table(name: str, seed: int) -> pd.DataFrame:
    spec = SCENARIOS[name]
    return scored(planned(spec["rounds"]), spec, seed)


def main() -> None:
    told = []
    for name, spec in SCENARIOS.items():
        if "input" not in spec:
            table(name, SEEDS[name]).to_csv(HERE / f"{name}_input.csv", index=False)
        keep = ("what", "factors", "held", "terms", "reference_bakes", "fixed", "random")
        shown = {key: spec[key] for key in keep if key in spec}
        told.append({"name": name, "input": f"{spec.get('input', name)}_input.csv", **shown})
    text = json.dumps(told, indent=1, ensure_ascii=False)
    (HERE / "scenarios.json").write_text(text + "\n", "utf-8")


if __name__ == "__main__":
    main()
