"""Slips in a table of one's own: refused or pointed out, with their cell, wherever it is asked.

Eight bakes and two tasters; all numbers are invented.
"""

import html
import re

import pandas as pd
import pytest

import trials
from trials.base.errors import FitError
from trials.base.files import write_csv
from trials.doors.cli import run

OVEN = trials.Numeric("oven", 165, 190, "°C")
LIKED = (6, 5, 7, 6, 4, 5, 6, 7, 5, 4, 7, 7, 3, 4, 6, 6)


def table() -> pd.DataFrame:
    """Two rows a bake: rows 2 and 3 are of B01, 4 and 5 of B02, and so on."""
    rows = [
        {
            "bake": f"B{bake + 1:02d}",
            "taster": taster,
            "oven": 165 if bake % 2 else 190,
            "hydration": (16.7, 20, 24)[bake % 3],
            "fat": ("butter", "lard")[bake // 2 % 2],
            "status": "made",
            "reason": "",
            "liking": float(LIKED[2 * bake + at]),
            "spread": 60.0 + bake,
        }
        for bake in range(8)
        for at, taster in enumerate(("Ada", "Ben"))
    ]
    return pd.DataFrame(rows).astype(object)


def typed(column: str, value: object, *rows: int) -> pd.DataFrame:
    """The table with a value typed into rows of a column, as a spreadsheet counts them."""
    own = table()
    for row in rows:
        own.loc[row - 2, column] = value
    return own


def fitted(own: pd.DataFrame, factors=("oven", "fat"), **asked):
    return trials.fit(own, "liking", factors, model="main", **asked)


@pytest.mark.parametrize(
    ("own", "factors", "said"),
    [
        (typed("oven", 1750, 4, 5), [OVEN, "fat"], r'row 4, "oven": 1750 °C is outside 165 °C'),
        (typed("oven", 999, 4, 5), [OVEN], 'row 4, "oven": 999 °C is outside'),
        (
            typed("hydration", 167, 2, 3),
            [trials.Numeric("hydration", 16, 24, "%")],
            'row 2, "hydration": 167 % is outside 16 % to 24 %',
        ),
        (typed("liking", True, 6), ["fat"], 'row 6, "liking": True is yes or no'),
        (typed("liking", "1,250", 6), ["fat"], r'row 6, "liking": \'1,250\' may mean 1.25 or 1250'),
        (typed("oven", "1,650", 6, 7), ["oven"], r'row 6, "oven": \'1,650\' may mean'),
        (typed("bake", "b01", 3), ["fat"], r"row 3, \"bake\": 'b01' stands here and 'B01'"),
        (typed("bake", "B01 ", 3), ["fat"], r"row 3, \"bake\": 'B01 ' stands here and 'B01'"),
        (typed("taster", "ben", 5), ["fat"], r"row 5, \"taster\": 'ben' stands here and 'Ben'"),
        (typed("fat", "Butter", 2, 3), ["fat"], r"row 2, \"fat\": 'Butter' stands here and 'bu"),
    ],
)
def test_what_can_only_be_a_slip_is_refused_with_its_cell(own, factors, said):
    with pytest.raises(FitError, match=said):
        fitted(own, factors)


def test_a_score_off_its_scale_is_refused():
    measure = trials.Measure("liking", "hedonic 9")
    with pytest.raises(FitError, match=r'row 5, "liking": 999 is off the scale'):
        fitted(typed("liking", 999, 5), measure=measure)


def read(page: str) -> str:
    """What a person reads of a page, spaces that hold a unit on its line being spaces."""
    return " ".join(html.unescape(re.sub(r"<[^>]+>", "", page)).split())


NOTED = [
    (typed("oven", 1750, 4, 5), "oven", 'row 4, "oven": 1750 is far from all other settings'),
    (typed("hydration", 167, 4, 5), "hydration", 'row 4, "hydration": 167 is far from'),
    (typed("liking", 999, 5), "fat", 'row 5, "liking": 999 is far from all other readings, 3 to 7'),
    (typed("fat", "buter", 2, 3), "fat", 'row 2, "fat": "buter" stands here alone'),
    (typed("taster", "Benn", 5), "fat", 'row 5, "taster": "Benn" stands here alone'),
    (
        typed("reason", "tore", 6, 7).assign(status=[""] * 16),
        "fat",
        'row 6, "reason": B03 has the reason',
    ),
]


@pytest.mark.parametrize(("own", "factor", "said"), NOTED, ids=[one[2][:22] for one in NOTED])
def test_what_stands_out_is_noted_in_the_evidence_the_fit_and_the_command(
    own, factor, said, tmp_path, capsys
):
    known = trials.evidence(own, [factor])
    assert any(note.startswith(said) for note in known.slips)
    assert set(known.slips) <= set(known.notes)
    assert said in read(known._repr_html_())
    for found in (fitted(own, [factor]), fitted(known, None)):
        assert any(note.startswith(said) for note in found.notes)
        assert said in read(found._repr_html_())
    write_csv(own, tmp_path / "scores.csv")
    words = ["fit", str(tmp_path / "scores.csv"), "liking", "--factors", factor, "--model", "main"]
    assert run(words) == 0
    assert said in capsys.readouterr().out


def test_a_far_reading_of_another_measure_is_not_said_of_this_one():
    own = typed("spread", 615, 5)
    assert any("615" in note for note in trials.evidence(own, ["fat"]).notes)
    assert not any("615" in note for note in fitted(own).notes)


def test_a_sound_table_is_not_remarked_on():
    assert trials.evidence(table(), ["oven", "fat", "hydration"]).slips == ()
    # A column whose other commas can only be decimal ones says what 1,250 means
    commas = fitted(table().assign(liking=["0,990", "1,250", "1,010", "1,240"] * 4), ["oven"])
    assert commas.residuals["observed"].max() == 1.25


def test_a_setting_that_was_really_so_is_used_with_a_note():
    own = typed("oven", 201, 4, 5)
    found = fitted(own, [OVEN, "fat"], outside_range=True)
    assert any('row 4, "oven": 201 °C is outside' in note for note in found.notes)
    assert 201 in set(found.residuals["oven"])
    known = trials.evidence(own, [OVEN, "fat"], outside_range=True)
    assert fitted(known, None).effects.equals(found.effects)
    with pytest.raises(FitError, match="outside"):
        trials.evidence(own, [OVEN])


def test_star_points_outside_on_both_sides_are_no_slips():
    own = typed("oven", 195, 2, 3)
    own.loc[[2, 3], "oven"] = 160
    assert trials.evidence(own, [OVEN]).slips == ()
    own.loc[[2, 3], "oven"] = 165
    with pytest.raises(FitError, match='row 2, "oven": 195 °C is outside'):
        trials.evidence(own, [OVEN])


def test_what_is_evidence_already_is_looked_over_for_the_factors_it_is_asked_with():
    known = trials.evidence(typed("oven", 201, 4, 5))
    with pytest.raises(FitError, match='row 4, "oven": 201 °C is outside'):
        fitted(known, [OVEN])


def test_words_named_as_kinds_at_the_command_line_are_looked_over_too(tmp_path, capsys):
    write_csv(typed("fat", "buter", 2, 3), tmp_path / "scores.csv")
    words = [
        "fit",
        str(tmp_path / "scores.csv"),
        "liking",
        "--factors",
        "oven",
        "--kinds",
        "fat",
        "oven",
        "--model",
        "main",
    ]
    assert run(words) == 0
    assert '"buter" stands here alone' in capsys.readouterr().out


def test_a_refusal_at_the_command_line_names_the_file_and_the_cell(tmp_path, capsys):
    write_csv(typed("bake", "b01", 3), tmp_path / "scores.csv")
    assert run(["fit", str(tmp_path / "scores.csv"), "liking", "--factors", "fat"]) == 1
    assert 'scores.csv, row 3, "bake"' in capsys.readouterr().err
