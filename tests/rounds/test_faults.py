"""The quick part of the benchmark of faults: one damage of each kind, some hostile files."""

import os
from pathlib import Path

import pytest

from tests.benchmarks.faults import (
    COMMANDS,
    DAMAGES,
    POINTS,
    damages,
    hostile_toml,
    killed,
    readers,
    unwritable,
)

QUICK = ("plan", "note", "check", "photo")


def test_each_kind_of_damage_comes_out_as_it_must():
    found = list(damages(len(DAMAGES), seed=3))
    assert {one.kind for one in found} == {one.name for one in DAMAGES}
    wrong = [
        (one.kind, one.said)
        for one in found
        if not one.as_expected or one.lost or one.traceback or one.outside
    ]
    assert not wrong


def test_no_settings_file_and_no_table_ends_in_a_traceback():
    assert hostile_toml(100, seed=4) == []
    assert readers(200, seed=5) == []


def _wrong(names, points):
    return [(name, said) for name, _, said in killed(names, points) if said]


def test_a_command_that_is_killed_works_when_it_is_given_again():
    assert _wrong(QUICK, 2) == []


@pytest.mark.skipif(os.name == "nt", reason="permissions of folders are those of POSIX")
def test_a_folder_that_can_not_be_written_is_named_and_left_alone():
    assert {said for _, said in unwritable(("note", "check"), disk=False)} == {""}


def test_every_point_names_tests_that_are_there():
    root = Path(__file__).parents[1]
    for one in (one for tests in POINTS.values() for one in tests):
        file, _, name = one.partition("::")
        assert f"def {name}" in (root / file).read_text("utf-8"), one


@pytest.mark.slow
def test_every_other_command_that_is_killed_works_when_it_is_given_again():
    assert _wrong([one for one in COMMANDS if one not in QUICK], 3) == []
