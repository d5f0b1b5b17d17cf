"""The demo: what was put into the invented scenario comes back as it should."""

from trials.analysis.fitting import fit
from trials.doors import large_demo as demo


def test_the_plan_is_the_scenario():
    table = demo.plan().table
    trial, control = (table[table["role"] == role] for role in ("trial", "reference"))
    assert (len(trial), len(control)) == (24, 6)
    assert trial.groupby("load").size().eq(4).all()
    assert control.groupby("load").size().eq(1).all()
    assert trial.groupby("load")["oil temperature"].nunique().eq(1).all()
    assert trial.groupby("load")["oil temperature"].first().value_counts().eq(3).all()
    assert table.groupby("load")["day"].nunique().eq(1).all()
    assert set(trial["fat"]) == {"butter", "lard", "sunflower oil"}


def test_the_failing_corner_can_be_left_out():
    table = demo.plan(leave_out_corner=True).table
    corner = (table["oil temperature"] >= 176) & (table["hydration"] >= 104)
    assert not corner.any()
    assert (table["role"] == "trial").sum() == 24


def test_what_was_put_in_is_never_called_too_small(demo_round):
    for measure in demo.MEASURES:
        found = fit(demo_round, measure.name)
        for row in found.spoken.itertuples():
            if row.term in demo.TRUTH[measure.name]:
                assert row.verdict in ("matters", "not settled")


def test_failed_bakes_are_named_and_have_no_score(demo_round):
    found = fit(demo_round, "liking")
    failed = set(found.failed["bake"])
    assert failed
    said = next(one for one in found.sentences if "bakes failed" in one)
    assert all(bake in said for bake in failed)
    assert not failed & set(found.residuals["bake"])


def test_the_same_demo_twice(tmp_path):
    first, second = (demo.planned(tmp_path / name) for name in ("one", "two"))
    assert first.plan.table.equals(second.plan.table)


def test_everything_says_it_is_invented(demo_round):
    assert demo_round.invented
    assert "invented" in (demo_round.folder / "page.html").read_text(encoding="utf-8")
