"""A type checker reads a baker's script as an editor would."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

import trials

SCRIPT = """\
import trials

plan = trials.propose([trials.Numeric("rest", 20, 60, "min"), trials.Numeric("fat", 5, 15)], 8)
round_ = trials.Round.open("my-round")
found = trials.fit(round_, "liking")
chosen = trials.recommend(found, round_.measures)
reveal_type(plan)
reveal_type(round_)
reveal_type(found)
reveal_type(chosen)
reveal_type(found.response)
reveal_type(trials.design.optimal(plan.factors, model="main", bakes=8))
reveal_type(trials.pictures.effects(found))
reveal_type(trials.difference.triangle(9, 12))
reveal_type(trials.demo.baked("demo"))
factors = [
    trials.Numeric("oven", 165, 190, "°C", hard_to_change=True),
    trials.Categorical("fat", ["butter", "lard"], changes=("swap", "butter")),
    trials.Component("rye", 0.1, 0.4),
]
reveal_type(trials.propose(factors, bakes=16, aim="interactions", days=2, loads=4))
reveal_type(trials.design.full_factorial(factors))
reveal_type(trials.Plan.from_table(plan.table, factors))
trials.fit(plan.table, "liking", factors)
trials.sugar
trials.fit(round_, 7)
"""
REVEALED = [
    "trials.core.plan.Plan",
    "trials.rounds.round.Round",
    "trials.analysis.results.Findings | Any",
    "trials.analysis.choice.Recommendation",
    "str | Any",
    "trials.core.plan.Plan",
    "trials.show.style.Picture",
    "trials.tasting.difference.DifferenceResult",
    "trials.rounds.round.Round",
    "trials.core.plan.Plan",
    "trials.core.plan.Plan",
    "trials.core.plan.Plan",
]


README = Path(trials.__file__).parents[1] / "README.md"


def checked(script, home):
    """What mypy says of a script, the folder of the package on its path."""
    (home / "script.py").write_text(script, encoding="utf-8")
    command = [sys.executable, "-m", "mypy", "--cache-dir", str(home / "cache")]
    command += ["--follow-imports", "silent"]  # the package itself is checked apart
    command += ["--disable-error-code", "import-untyped", "script.py"]  # nor is pandas the matter
    root = str(Path(trials.__file__).parents[1])
    done = subprocess.run(
        command, capture_output=True, text=True, cwd=home, env={"MYPYPATH": root, "PATH": ""}
    )
    return done.stdout


@pytest.fixture(scope="module")
def said(tmp_path_factory):
    return checked(SCRIPT, tmp_path_factory.mktemp("script"))


@pytest.mark.slow
def test_the_script_of_the_readme_is_right_by_its_types(tmp_path):
    """A list of several kinds of factors is one of factors, not of just anything."""
    blocks = re.findall(r"```python\n(.*?)```", README.read_text("utf-8"), re.DOTALL)
    script = "import pandas\n" + "\n".join(blocks)
    assert "Categorical(" in script
    assert "Success" in checked(script, tmp_path)


def test_the_package_says_that_it_is_typed():
    assert (Path(trials.__file__).parent / "py.typed").exists()


@pytest.mark.slow
def test_a_script_sees_the_type_of_what_it_is_given(said):
    assert re.findall(r'Revealed type is "([^"]+)"', said) == REVEALED


@pytest.mark.slow
def test_a_script_is_told_of_a_wrong_name_and_of_a_wrong_argument(said):
    errors = re.findall(r"script.py:(\d+): error: (.*)", said)
    wrong = ["trials.sugar", "trials.fit(round_, 7)"]
    assert [SCRIPT.splitlines()[int(line) - 1] for line, _ in errors] == wrong
    assert "sugar" in errors[0][1]
    assert 'expected "str"' in errors[1][1]
