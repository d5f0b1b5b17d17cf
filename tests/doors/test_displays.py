"""Every public record shows itself: in a notebook, in a terminal, short and in one look."""

import inspect
import re
import typing

import pandas as pd
import pytest

import trials
from tests.deciding.small_development import first_round, scored
from tests.doors.test_wrong_inputs import OFFERED

LONGEST = 6000  # letters that a record may fill a terminal with
OVEN = trials.Numeric("oven", 165, 190, "°C", hard_to_change=True)


def kinds_of_records():
    """Return every record that a public name makes or hands back."""
    found = set()
    for one in OFFERED.values():
        given = (
            one if inspect.isclass(one) else typing.get_type_hints(inspect.unwrap(one))["return"]
        )
        for kind in [given, *typing.get_args(given)]:
            if inspect.isclass(kind) and kind.__module__.startswith("trials."):
                found.add(kind.__name__)
    return found


def counted():
    table = pd.DataFrame({"bake": range(8), "fat": ["oil", "lard"] * 4})
    table["torn"] = ["no", "no", "yes", "no"] * 2
    return trials.fit(table, "torn", ["fat"], measure=trials.Measure("torn", "passed", per="bake"))


def bent():
    rows = [
        {"rest": rest, "salt": salt, "liking": 6 - (rest - 45) ** 2 / 300 - (salt - 2) ** 2 + off}
        for rest in (20, 40, 60)
        for salt in (1, 2, 3)
        for off in (0.1, -0.1)
    ]
    return trials.fit(pd.DataFrame(rows), "liking", ["rest", "salt"], model="quadratic")


def formulas():
    one = trials.Formula("snap", {"bread flour": 100, "butter": 50, "sugar": 40, "water": 10})
    return one, trials.Formula("bun", {"bread flour": 100, "milk": 60, "butter": 8, "sugar": 6})


@pytest.fixture(scope="module")
def records(tmp_path_factory):
    """One of each kind of record, by the name of its class."""
    home = tmp_path_factory.mktemp("records")
    round_ = scored(first_round(home / "round-1"))
    found = trials.fit(round_, "liking")
    whole = [round_, found, found.engine, round_.plan, counted(), trials.check(round_)]
    whole += [trials.evidence(round_), trials.diagnostics(found), trials.describe_tasters(found)]
    whole += [trials.agreement_on(found, "fat"), trials.compare(found, "fat")]
    whole += [trials.simple_effects(found, "fat", "rest"), trials.canonical(bent())]
    whole += [trials.recommend(found, "liking"), trials.next_round(round_, 4)]
    whole += [trials.tell(round_), trials.workplace(round_.folder), trials.failing(round_)]
    whole += [trials.as_categories(round_, "liking", model="main")]
    plan = round_.plan
    whole += [trials.quality(plan), trials.panel_size(1.0, 8, tasters=(2, 3), repeats=(1,))]
    whole += [trials.rehearse(plan, {"rest": 1.0}, rounds=2, seed=1)]
    whole += [trials.design.best_extra(plan)]
    whole += [trials.design.still_tells(plan, trials.design.drop(plan, "B01", why="it tore"))]
    whole += [trials.timetable(plan, [trials.Step("bake", 20, "oven")], trials.Kitchen())]
    whole += [trials.serving_plan(["Ada", "Ben"], ["B01", "B02", "B03"], per_sitting=3, seed=1)]
    side = trials.side_test(home, "which is crisper?", ["lard", "butter"], "liking", seed=1)
    whole += [side, trials.difference.triangle(9, 12), trials.pictures.effects(found)]
    ranks = pd.DataFrame([[1, 2, 3], [1, 3, 2], [1, 2, 3]], columns=["A", "B", "C"])
    whole += [trials.difference.ranking(ranks), trials.difference.replicated("triangle", [2, 3], 4)]
    snap, bun = formulas()
    whole += [snap, trials.card(snap, snap.grams(dough=500)), trials.crossing.traits(snap, bun)[0]]
    whole += [trials.lamination.layers([3, 4]), trials.instruments.height([20.0, 21.0])]
    whole += [OVEN, trials.Categorical("fat", ["butter", "lard"]), trials.Component("rye", 0, 0.4)]
    whole += [trials.Measure("liking", "hedonic 9"), trials.Taster("Ada", "milk"), trials.Batch()]
    whole += [trials.Step("fry", 6), trials.Heat("oven"), trials.Prices({"butter": 9.5}, "EUR")]
    whole += [trials.Kitchen(), trials.forms.explore(found), trials.forms.enter(round_, "Ada")]
    return {type(one).__name__: one for one in whole}


# Handed back only once somebody has typed into a sheet, or opened an idea
APART = {"SideFinding", "IdeaForm"}


def test_the_walk_leaves_no_record_out(records):
    assert kinds_of_records() - set(records) == APART


def shown_by(record) -> str:
    if hasattr(record, "_repr_html_"):
        return record._repr_html_()
    bundle = record._repr_mimebundle_()
    return (bundle[0] if isinstance(bundle, tuple) else bundle)["text/html"]


def test_every_record_shows_itself_in_a_notebook(records):
    for name, record in records.items():
        if name == "SmallSample":  # the numbers behind findings: a terminal's line is enough
            continue
        html = shown_by(record)
        text = re.sub(r"<[^>]+>", " ", re.sub(r'"data:[^"]+"', "", html))
        assert text.strip() or 'alt="' in html, name
        assert not re.search(r">\s*(nan|NaN|None|&lt;NA&gt;)\s*<", html), (name, text[:300])
        assert "&lt;p" not in html, f"{name} shows its own markup"
        assert not re.search(r"\d\.\d{6,}", text), f"{name} shows more figures than anybody reads"
        assert "<script" not in html
        assert not re.search(r"(?<!-)color: *(black|#000|white|#fff)", html), name


def test_no_record_floods_a_terminal(records):
    for name, record in records.items():
        said = repr(record)
        assert 0 < len(said) < LONGEST, (name, len(said))
        assert "array(" not in said, name
        assert str(record) == said or len(str(record)) < LONGEST


def test_in_the_tables_of_a_notebook_numbers_stand_right_and_text_left(records):
    looked = numbers = 0
    for name, record in records.items():
        for side, cell in (
            re.findall(r'<td style="text-align: (\w+)[^"]*">([^<]*)</td>', shown_by(record))
            if name != "SmallSample"
            else ()
        ):
            looked += 1
            assert 'class="short"' not in shown_by(record), f"{name}: a notebook has no such style"
            if re.search(r"[a-zA-Z]{3}", cell):
                assert side == "left", (name, cell)
            elif re.fullmatch(r"[−+]?\d+(\.\d+)?", cell):
                assert side == "right", (name, cell)
                numbers += 1
    assert looked > 200
    assert numbers > 100


def test_problems_are_a_table_and_none_is_said(records, tmp_path):
    clean = records["Check"]
    assert "Nothing to mend" in clean._repr_html_()
    assert "<table" not in clean._repr_html_()
    from tests.rounds.ginger_round import enter, make_round

    round_ = make_round(tmp_path / "snaps")
    enter(round_.folder / "tastings.csv", 2, "liking", "11")
    found = trials.check(round_)
    html = found._repr_html_()
    assert "tastings.csv, row 2" in html
    assert "how to mend it" in html
    assert "11 is off the scale" in html
