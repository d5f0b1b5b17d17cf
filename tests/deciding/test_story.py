"""Three rounds of a small development, from the first to its confirmation and its card."""

import html
import itertools
import re
import shutil
from dataclasses import replace

import pandas as pd
import pytest

import trials
from tests.deciding.small_development import LIKING, TRUTH, first_round, scored
from trials.analysis.answers import Answers
from trials.base.errors import FitError, RoundError
from trials.deciding.confirmation import confirmation, judged
from trials.deciding.gain import all_known
from trials.deciding.rehearsal import true_means
from trials.deciding.replanning import write_next
from trials.deciding.story import again_words, final_card, tell, tried_again
from trials.rounds.round import line_of


@pytest.fixture(scope="module")
def line(tmp_path_factory):
    home = tmp_path_factory.mktemp("development")
    one = scored(first_round(home / "round-1"))
    two = scored(write_next(one, 6, action="decide"), seed=2)
    three = scored(write_next(two, 8, action="confirm"), seed=3)
    return line_of(three)


@pytest.fixture(scope="module")
def told(line):
    return tell(line)


def test_the_line_is_found_from_its_end(line):
    assert [one.folder.name for one in line] == ["round-1", "round-2", "round-3"]


def test_scores_of_all_rounds_have_bakes_and_days_of_their_own(line):
    table = trials.evidence(line).table
    parts = [trials.scores(one) for one in line]
    assert len(table) == sum(map(len, parts))
    assert table.groupby("day")["round"].nunique().eq(1).all()
    assert table.groupby("bake")["round"].nunique().eq(1).all()


def test_more_rounds_narrow_what_is_expected(line):
    first, both = trials.fit(line[0], "liking"), trials.fit(line[1], "liking")
    assert both.residuals["bake"].nunique() > first.residuals["bake"].nunique()
    assert both.averaged is not None


def test_a_lost_parent_is_named(line, tmp_path):
    alone = trials.Round.create(
        tmp_path / "alone", plan=line[0].plan, measures=[LIKING], parent="../gone"
    )
    with pytest.raises(RoundError, match="which is not there"):
        line_of(alone)


def test_the_table_counts_what_was_spent(told, line):
    assert told.table["bakes"].tolist() == [8, 6, 8]
    assert told.table["tastings"].sum() == 3 * 22
    assert told.course["bakes"].tolist() == [8, 14, 22]
    assert told.table["cost"].isna().all()
    assert set(told.shown().loc["cost"]) == {"no prices"}
    assert "nan" not in told._repr_html_().lower()
    assert "22 bakes" in told.sentences[0]


def test_the_chosen_setting_loses_no_more_than_is_worth_noticing(told, line):
    factors = line[0].plan.factors
    corners = itertools.product(
        *([one.low, one.high] if i != 1 else one.levels for i, one in enumerate(factors))
    )
    table = pd.DataFrame(corners, columns=[one.name for one in factors])
    best = true_means(table, factors, TRUTH, 6.0).max()
    chosen = true_means(pd.DataFrame([told.settings]), factors, TRUTH, 6.0)[0]
    assert best - chosen < LIKING.worth_noticing


def test_confirmation_holds_bakes_to_what_was_foretold(line):
    found = confirmation(Answers(trials.evidence(line)))
    assert found.table["what"].tolist() == ["level", "over the reference"]
    inside = found.table["observed"].between(found.table["low"], found.table["high"])
    assert found.table["as_foretold"].tolist() == inside.tolist()
    assert found.sentences[0] in ("Baked again, and it held.", "Baked again, and it did not hold.")


def test_bakes_far_from_what_was_foretold_are_not_confirmed(line):
    knowledge = all_known(Answers(trials.evidence(line[:2])))
    table = trials.scores(line[-1])
    table.loc[table["role"] == "trial", "liking"] = 1.0
    found = judged(knowledge, table)
    assert not found.confirmed
    assert found.better is False
    assert found.preference.right == 0


def test_a_first_round_foretells_nothing(line):
    with pytest.raises(FitError, match="follows no round"):
        confirmation(Answers(trials.evidence(line)), line[0].name)
    with pytest.raises(FitError, match="of several settings"):
        confirmation(Answers(trials.evidence(line)), line[1].name)


def test_the_card_is_the_formula_of_the_setting(told):
    card = told.card
    hydration = card.formula.totals()["hydration"]
    assert hydration == pytest.approx(told.settings["hydration"])
    assert told.settings["fat"] in card.formula.grams(flour=100)["ingredient"].tolist()
    assert "egg" in card.card.allergens
    assert any("22 bakes" in one and "3 tasters" in one for one in card.evidence)
    again = (
        r"Baked again 4 times, beside 4 reference bakes, tasted blind, "
        r"and it (held|did not hold)\."
    )
    assert any(re.fullmatch(again, one) for one in card.evidence)
    assert "invented" in card.text()
    assert card.cautions


def test_confirmation_bakes_of_all_rounds_are_counted(line, told):
    """Four in the third round and three in a fourth make seven, of one and the same setting."""
    third = trials.scores(line[-1])
    here = third[third["role"] == "trial"].drop_duplicates("bake")
    assert len(here) == 4
    outcome = told.confirmed
    fewer = replace(outcome, table=outcome.table.assign(bakes=3))
    steps = [
        {"tried": told.settings, "confirmed": outcome},
        {"tried": {"rest": 0}, "confirmed": outcome},
        {"tried": told.settings, "confirmed": None},
        {"tried": told.settings, "confirmed": fewer},
    ]
    outcomes = tried_again(steps, told.settings)
    assert outcomes == (outcome, fewer)
    beside = int(outcome.table["references"].iloc[0])
    assert beside == 4
    assert again_words(outcomes).startswith("Baked again 7 times, beside 8 reference bakes,")


@pytest.mark.parametrize(
    ("held", "words"),
    [
        ((True,), "and it held."),
        ((True, True), "and it held."),
        ((False, False), "and it did not hold."),
        ((True, False), "and it held in 1 of 2 rounds, not in the last."),
        ((False, True, True), "and it held in 2 of 3 rounds, the last among them."),
    ],
)
def test_whether_it_held_is_told_of_the_same_rounds_that_are_counted(told, held, words):
    outcomes = [replace(told.confirmed, confirmed=one) for one in held]
    said = again_words(outcomes)
    assert said.startswith(f"Baked again {4 * len(held)} times,")
    assert said.endswith(words)


def test_whole_eggs_scale_the_batch_and_keep_the_percentages(line, told):
    card = final_card(line[-1], told.settings, whole_eggs=True)
    amount = card.card.amounts.set_index("ingredient")["amount"]["egg"]
    count = int(re.match(r"(\d+) egg", amount).group(1))
    grams = card.formula.grams(flour=100).set_index("ingredient")["percent"]
    assert count >= 1
    assert card.card.amounts.set_index("ingredient")["percent"]["egg"] == pytest.approx(
        grams["egg"]
    )
    assert any("in whole" in note for note in card.notes)


def test_cups_and_spoons_say_where_they_leave_what_was_tried(line, told):
    narrow = {"hydration": (told.settings["hydration"], told.settings["hydration"])}
    card = final_card(line[-1], told.settings, tried=narrow, units="household", dough=60)
    assert any(note.startswith("Rounded to cups and spoons, hydration") for note in card.notes)
    wide = final_card(line[-1], told.settings, tried={"hydration": (0, 1000)}, units="household")
    assert not any("Rounded" in note for note in wide.notes)


def test_a_round_without_formula_or_egg_is_told_so(line, told, tmp_path):
    bare = trials.Round.create(tmp_path / "bare", plan=line[0].plan, measures=[LIKING])
    with pytest.raises(RoundError, match="no formula"):
        final_card(bare, told.settings)
    eggless = trials.Formula("snap", {"rye flour, light": 100, "butter": 40, "water": 40})
    other = trials.Round.create(
        tmp_path / "eggless", plan=line[0].plan, measures=[LIKING], formula=eggless
    )
    with pytest.raises(RoundError, match="no whole egg"):
        final_card(other, told.settings, whole_eggs=True)


def test_the_picture_says_what_it_shows(told):
    picture = trials.pictures.story(told)
    assert picture.png()[:4] == b"\x89PNG"
    assert picture.text.count("After round") == 3
    assert "baked again it came out at" in picture.text


def test_what_was_baked_again_and_the_reference_stand_beside_with_their_intervals(told):
    picture = trials.pictures.story(told)
    said = [text.get_text() for text in picture.figure.legends[0].get_texts()]
    assert {"baked again", "reference bakes"} < set(said)
    last = told.course.iloc[-1]
    bars = {
        round(float(bar.lines[0].get_ydata()[-1]), 6): bar
        for bar in picture.figure.axes[0].containers
    }
    for what in ("observed", "reference"):
        bar = bars[round(float(last[what]), 6)]
        (_, low), (_, high) = bar.lines[2][0].get_segments()[-1]
        assert (low, high) == pytest.approx((last[f"{what}_low"], last[f"{what}_high"]))
    assert "the reference bakes had" in picture.text


def test_one_round_has_no_course_to_draw(line):
    with pytest.raises(FitError, match="one round is one point"):
        trials.pictures.story(tell([line[0]]))


def test_confirmation_bakes_are_drawn_against_what_was_foretold(told):
    level = told.confirmed.table.iloc[0]
    last = told.course.iloc[-1]
    names = ["observed", "expected", "low", "high"]
    assert last[names].tolist() == level[names].tolist()
    assert f"{told.measure} is expected at" in told.sentences[1]


def test_what_matters_is_what_was_learned(told, line):
    for place, learned in enumerate(told.table["learned"].iloc[:2], start=1):
        found = trials.fit(line[place - 1], "liking")
        assert learned.startswith(found.sentences[place - 1])
        matters = [one for one in found.sentences if one.endswith("Matters.")]
        assert all(one in learned for one in matters[:2])


def test_a_round_after_confirmation_bakes_does_not_forget_them(told):
    tried = {"tried": told.settings, "confirmed": told.confirmed}
    after = {"tried": None, "confirmed": None}
    assert tried_again([tried, after], told.settings) == (told.confirmed,)
    assert tried_again([tried, after], {**told.settings, "rest": -1}) == ()


def test_the_story_and_the_page_tell_one_range_for_one_bake(line, told, tmp_path):
    tells = r"(Baked again it would score|One bake of it would come out) between [\d.]+ and [\d.]+"
    words = re.search(tells, told.sentences[1]).group()
    page = trials.report(line[-1], tmp_path / "page.html").read_text(encoding="utf-8")
    said = html.unescape(re.sub(r"<[^>]*>", " ", page)).replace("\u00a0", " ")
    assert words in " ".join(said.split())
    folded = " ".join(said.split()).split("one new bake ")[1]
    low, high = re.findall(r"\d+\.\d", words)
    ends = re.match(r"([\d.]+) to ([\d.]+)", folded).groups()
    assert [float(one) for one in ends] == pytest.approx([float(low), float(high)], abs=0.05)


def test_a_round_that_waits_to_be_baked_is_named_and_counts_for_nothing(line, tmp_path):
    home = tmp_path / "development"
    for one in line[:2]:
        shutil.copytree(one.folder, home / one.folder.name)
    before = tell(home / "round-2")
    write_next(trials.Round.open(home / "round-2"), 4, action="confirm")
    waits = tell(home / "round-3")
    assert waits.table.equals(before.table)
    assert waits.card.evidence == before.card.evidence
    name = trials.Round.open(home / "round-3").name
    assert waits.sentences == (*before.sentences, f'"{name}" is planned and not baked yet.')


def test_decided_is_only_what_was_and_the_best_bake_has_its_own_name(told, line):
    row = told.table.iloc[0]
    spoken = trials.fit(line[0], "liking").spoken
    sure = bool(((spoken["low"] > 0) | (spoken["high"] < 0)).any())
    assert row["decided"].startswith("Go on with") == sure
    assert ("Nothing yet" in row["decided"]) != sure
    assert "Best bake so far for liking: B" in row["learned"]
