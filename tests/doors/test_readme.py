"""What the README shows in Python runs as it stands, and ends in what it promises."""

import ast
import re
import shutil
from pathlib import Path

import pandas as pd
import pytest

import trials
from trials.analysis.results import Findings
from trials.deciding.rehearsal import Spreads, rehearse
from trials.rounds.scores import record_scores

ROOT = Path(__file__).parents[2]
BLOCKS = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), flags=re.S)
BAKE_AND_TASTE = "# ... bake, taste, enter the scores ...\n"


@pytest.fixture
def folder(tmp_path, monkeypatch):
    shutil.copytree(ROOT / "data", tmp_path / "data")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(code, names):
    """Run code and return what its last line gives, as a notebook shows it."""
    *first, last = ast.parse(code).body
    exec(compile(ast.Module(first, []), "README.md", "exec"), names)
    return eval(compile(ast.Expression(last.value), "README.md", "eval"), names)


def test_every_block_is_run_below():
    assert len(BLOCKS) == 2
    assert BAKE_AND_TASTE in BLOCKS[0]
    assert "cake.csv" in BLOCKS[1]


def test_one_call_a_step(folder):
    before, after = BLOCKS[0].split(BAKE_AND_TASTE)
    names = {}
    run(before, names)
    assert (folder / "my-round" / "plan.csv").is_file()
    plan, made = names["plan"], names["round_"]
    # The kitchen's part: lard is 1 point better, the tasters are steady
    truth = {"fat": {"lard": 1.0}, "oven": 0.0}
    steady = Spreads(tasting=0.4, taster_by_bake=0.1, taster=0.3, bake=0.1, load=0.1, day=0.1)
    who = [taster.name for taster in made.tasters]
    record_scores(made, rehearse(plan, truth, tasters=who, spreads=steady, seed=1))
    found = run(after, names)
    assert isinstance(found, Findings)
    assert found.ranking["factor"].iloc[0] == "fat"
    fat = found.effects.set_index("term").loc["fat"]
    assert fat["low"] < 1.0 < fat["high"]


def test_a_table_of_your_own(folder):
    found = run(BLOCKS[1], {"trials": trials, "pandas": pd})
    tests = found.tests.set_index("term")
    # Fifteen replicates of three recipes: (3 - 1) (15 - 1) degrees of freedom between recipes
    assert tests.loc["recipe", "error_df"] == pytest.approx(28, abs=1e-6)
    assert tests.loc["recipe", "judged_against"] == "recipes within replicates"
    # Six temperatures: what is left of 270 after 45 pieces of dough, 5 and 2 x 5
    assert tests.loc["temperature", "error_df"] == pytest.approx(270 - 45 - 5 - 10, abs=1e-6)
