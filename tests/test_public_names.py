"""The contract: the names `import trials` gives, what they cost, what the tables hold."""

import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

import trials

NAMES = (
    "Numeric Categorical Component Measure Formula cross Taster propose design aliases quality "
    "power rehearse Round write_sheets check scores fit pictures recommend next_round replan "
    "difference report Plan Findings serve_ballots "
    "Batch Step Kitchen Heat Prices shopping_list timetable crossing_factors parent_settings "
    "with_parents card"
).split()
DESIGNS = (
    "full_factorial fractional_factorial optimal plackett_burman definitive_screening "
    "central_composite box_behnken simplex_lattice simplex_centroid extreme_vertices fold_over "
    "augment"
).split()


@pytest.mark.parametrize("name", NAMES)
def test_a_public_name_is_there(name):
    assert name in trials.__all__
    assert getattr(trials, name) is not None


@pytest.mark.parametrize("name", DESIGNS)
def test_a_family_of_plans_is_there(name):
    assert callable(getattr(trials.design, name))


def test_every_name_of_the_table_leads_somewhere():
    for name in trials.__all__:
        assert getattr(trials, name) is not None


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="sugar"):
        _ = trials.sugar


@pytest.mark.parametrize("code", ["import trials", "import trials.cli; trials.cli.run([])"])
def test_nothing_heavy_is_loaded_before_it_is_used(code):
    heavy = "numpy pandas scipy matplotlib statsmodels pyDOE3 jupyterlab"
    script = (
        f"{code}\nimport sys\nprint('loaded:', [m for m in '{heavy}'.split() if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip().endswith("loaded: []")


@pytest.mark.parametrize(
    "package", ["design", "pictures", "recipe", "tasting", "rounds", "analysis"]
)
def test_no_module_hides_a_public_name(package):
    """A file named as a function would take the function's place once it was loaded."""
    home = Path(trials.__file__).parent / package
    files = {path.stem for path in home.glob("*.py")}
    offered = set(getattr(import_module(f"trials.{package}"), "__all__", ()))
    assert not files & offered


def test_no_module_hides_a_name_of_the_package():
    files = {path.stem for path in Path(trials.__file__).parent.glob("*.py")}
    assert files & set(trials.__all__) <= {"demo"}
