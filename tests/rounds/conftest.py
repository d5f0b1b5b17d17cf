"""What tests of the bake day share: both ways of laying it out."""

import pytest

from trials.rounds import timetable as bake_day


@pytest.fixture(params=["with the solver", "without it"])
def solver(request, monkeypatch):
    """Lay days out with the extra solver, and without it."""
    if request.param == "without it":
        monkeypatch.setattr(bake_day, "cp_model", None)
    elif bake_day.cp_model is None:
        pytest.skip("OR-tools is not installed; pip install trials[timetable]")
