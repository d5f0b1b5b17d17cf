"""The quick part of the benchmark of faults: one damage of each kind, some hostile files."""

from tests.benchmarks.faults import DAMAGES, damages, hostile_toml, readers


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
