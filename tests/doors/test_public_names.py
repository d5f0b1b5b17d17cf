"""The contract: the names `import trials` gives, what they cost, what the tables hold."""

import dataclasses
import inspect
import json
import re
import subprocess
import sys
import tomllib
from importlib import import_module
from pathlib import Path

import pytest

import trials
from tests.doors import signatures

ROOT = Path(__file__).parents[2]
NAMES = (
    "Numeric Categorical Component Measure Formula cross Taster propose design aliases quality "
    "power rehearse Round write_sheets check scores fit pictures recommend next_round replan "
    "difference report Plan Findings serve_ballots write_next story tell diagnostics "
    "Batch Step Kitchen Heat Prices shopping_list timetable crossing_factors parent_settings "
    "with_parents card"
).split()
DESIGNS = (
    "full_factorial fractional_factorial optimal plackett_burman conference_screening "
    "central_composite box_behnken simplex_lattice simplex_centroid extreme_vertices fold_over "
    "add_bakes"
).split()


# What the contract says each takes, in this order; more may follow
TAKES = {
    "Numeric": "name low high unit centre hard_to_change changes",
    "Categorical": "name levels hard_to_change changes",
    "Component": "name low high",
    "Measure": "name scale unit per goal worth_noticing",
    "Formula": "name parts",
    "Taster": "name avoids",
    "cross": "a b share",
    "propose": "factors bakes aim days loads references exclude keep seed",
    "aliases": "plan order",
    "quality": "plan model",
    "power": "plan effect sd_bake sd_tasting sd_load sd_day tasters",
    "rehearse": "plan effects rounds",
    "fit": "data response factors model groups measure",
    "recommend": "findings measures",
    "report": "round_ path",
    "story": "round_ path",
    "write_next": "round_ bakes",
}


@pytest.mark.parametrize("name", NAMES)
def test_a_public_name_is_there(name):
    assert name in trials.__all__


@pytest.mark.parametrize("name", TAKES)
def test_a_public_name_takes_what_the_contract_says(name):
    taken = list(inspect.signature(getattr(trials, name)).parameters)
    wanted = TAKES[name].split()
    assert [one for one in taken if one in wanted] == wanted


@pytest.mark.parametrize("module", signatures.STUBS)
def test_the_stub_says_what_each_name_takes(module):
    """When this fails a public name changed: mean it, then `python -m tests.doors.signatures`."""
    assert signatures.written(signatures.STUBS[module]) == signatures.lines(module)


@pytest.mark.parametrize("name", DESIGNS)
def test_a_family_of_plans_is_there(name):
    assert callable(getattr(trials.design, name))


@pytest.mark.parametrize("name", sorted(set(trials.__all__) - {"__version__"}))
def test_every_name_of_the_table_leads_to_what_it_says(name):
    """Nouns are records (or errors), verbs are functions of that very name, the rest modules."""
    found = getattr(trials, name)
    if inspect.ismodule(found):
        assert found.__name__.startswith("trials.")
        assert found.__name__.rsplit(".", 1)[-1] == name
        return
    assert found.__name__ == name
    if name[0].isupper():
        assert dataclasses.is_dataclass(found) or issubclass(found, Exception)
    else:
        assert inspect.isfunction(found)
    assert found.__doc__


def told_to_people():
    """All code in the README and the notebooks."""
    readme = (ROOT / "README.md").read_text("utf-8")
    cells = [
        "".join(cell["source"])
        for path in sorted((ROOT / "notebooks").glob("*.ipynb"))
        for cell in json.loads(path.read_text("utf-8"))["cells"]
    ]
    return "\n".join([readme, *cells])


@pytest.mark.parametrize("module", ["trials", "design", "pictures", "difference", "instruments"])
def test_every_public_name_stands_in_the_readme_or_a_notebook(module):
    offered = trials if module == "trials" else getattr(trials, module)
    told = told_to_people()
    names = {
        name
        for name in offered.__all__
        if name != "__version__" and (module == "trials" or not name[0].isupper())
    }
    assert {name for name in names if not re.search(rf"\b{name}\b", told)} == set()


def test_readme_and_notebooks_use_public_names_only():
    told = told_to_people()
    assert re.findall(r"(?:from|import) trials\.\S+", told) == []
    for name, inner in re.findall(r"\btrials\.([a-zA-Z]\w*)(?:\.([a-zA-Z]\w*))?", told):
        assert name in trials.__all__
        if inspect.ismodule(getattr(trials, name)) and inner:
            assert hasattr(getattr(trials, name), inner)


def test_the_version_is_written_once():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    assert project["project"]["dynamic"] == ["version"]
    home = (ROOT / project["tool"]["hatch"]["version"]["path"]).read_text("utf-8")
    assert f'__version__ = "{trials.__version__}"' in home
    assert re.fullmatch(r"\d+\.\d+\.\d+", trials.__version__)


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="sugar"):
        _ = trials.sugar


@pytest.mark.parametrize(
    "code", ["import trials", "import trials.doors.cli; trials.doors.cli.run([])"]
)
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
    "package", ["design", "recipe", "tasting", "rounds", "analysis", "show", "doors"]
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
