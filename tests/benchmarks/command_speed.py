"""How long whole commands take on the demo's round, beside loading the libraries they stand on.

    python -m tests.benchmarks.command_speed [REPEATS]

writes `results/command_speed.md`. The unit is one run of Python that only imports pandas,
seaborn, statsmodels and pyDOE3, taken in turn with the commands, so that the ratio means as much on
a faster or a busier machine.
"""

import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

import trials
from trials.doors import large_demo as demo
from trials.show.sheets import write_sheets

RESULTS = Path(__file__).parent / "results" / "command_speed.md"
UNIT = "import pandas, seaborn, statsmodels.api, pyDOE3"
COMMANDS = {
    "sheets": (["sheets", "ROUND"], 1.2),
    "fit": (["fit", "ROUND"], 1.0),
    "report": (["report", "ROUND"], 2.0),
    "next": (["next", "ROUND", "--bakes", "6", "--to", "NEW"], 2.0),
    "story": (["story", "ROUND"], 2.0),
}
ENVIRONMENT = os.environ | {
    "PYTHONPATH": str(Path(trials.__file__).parents[1]),
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
}


def seconds(command: list[str]) -> float:
    """Return how long a command takes as a whole process; one that fails stops the benchmark."""
    start = time.perf_counter()
    done = subprocess.run(command, env=ENVIRONMENT, capture_output=True, text=True)
    if done.returncode:
        raise SystemExit(f"{' '.join(command)} failed:\n{done.stderr}")
    return time.perf_counter() - start


def one_turn(home: Path, blank: Path, baked: Path, turn: int) -> dict[str, float]:
    """Return the seconds of the unit and of every command, each on a copy of its own."""
    taken = {"unit": seconds([sys.executable, "-c", UNIT])}
    for name, (words, _) in COMMANDS.items():
        folder = home / f"{name}-{turn}" / "round-1"
        shutil.copytree(blank if name == "sheets" else baked, folder)
        places = {"ROUND": str(folder), "NEW": str(folder.parent / "round-2")}
        filled = [places.get(word, word) for word in words]
        taken[name] = seconds([sys.executable, "-m", "trials", *filled])
    return taken


def predicting(baked: Path) -> float:
    """Return the seconds that 2,500 settings with intervals take."""
    found = trials.fit(trials.Round.open(baked), "liking")
    rng = np.random.default_rng(1)
    kinds = {
        one.name: rng.choice(list(one.levels), 2500)
        if isinstance(one, trials.Categorical)
        else rng.uniform(one.low, one.high, 2500)
        for one in found.factors
    }
    table = pd.DataFrame(kinds)
    found.predict(table.head(10))
    start = time.perf_counter()
    found.predict(table)
    return time.perf_counter() - start


def main(repeats: int) -> None:
    """Time every command and write the table."""
    with tempfile.TemporaryDirectory() as place:
        home = Path(place)
        baked = demo.baked(home / "baked" / "round-1").folder
        blank = demo.planned(home / "blank" / "round-1").folder
        write_sheets(trials.Round.open(blank))
        turns = [one_turn(home, blank, baked, turn) for turn in range(repeats)]
        told = predicting(baked)
    unit = statistics.median(turn["unit"] for turn in turns)
    rows = [
        f"| {name} | {statistics.median(turn[name] for turn in turns):.2f} "
        f"| {statistics.median(turn[name] / turn['unit'] for turn in turns):.2f} | {goal:g} |"
        for name, (_, goal) in COMMANDS.items()
    ]
    lines = [
        "# Whole commands on the demo's round",
        "",
        f"`python -m tests.benchmarks.command_speed {repeats}`; medians of the turns. One unit "
        f'is `python -c "{UNIT}"`, {unit:.2f} s here.',
        "",
        "| command | seconds | units | to reach |",
        "|---|---|---|---|",
        *rows,
        "",
        f"2,500 settings predicted with their intervals: {told:.3f} s (to reach: 0.1 s).",
    ]
    RESULTS.write_text("\n".join(lines) + "\n", encoding="utf-8")
    print("\n".join(lines))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5)
