"""The quick part of the benchmark of faults: one damage of each kind, some hostile files."""

import pytest

from tests.benchmarks.faults import COMMANDS, DAMAGES, damages, hostile_toml, killed, readers

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


@pytest.mark.slow
def test_every_other_command_that_is_killed_works_when_it_is_given_again():
    assert _wrong([one for one in COMMANDS if one not in QUICK], 3) == []
