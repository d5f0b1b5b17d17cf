"""What people send back, dropped into `incoming/` as it came: read, refused, or asked about."""

import re

import pytest

from tests.browser import needs_browser, opened, page_count
from tests.rounds.ginger_round import cell, edit_book, enter
from tests.rounds.tasted_round import answers, data_of, page_of, tasted
from trials.base.files import read_csv
from trials.core.measures import Measure
from trials.rounds.forms import read_serving, tasting_form
from trials.rounds.scores import NOT_BLIND, check, rebuild, scores
from trials.rounds.workbook import write_workbooks
from trials.show.cook_page import FILE
from trials.show.serving_sheets import write_ballots
from trials.tasting.panel import Taster


@pytest.fixture
def one(tmp_path):
    return tasted(tmp_path)


def drop(round_, name, text):
    folder = round_.folder / "incoming"
    folder.mkdir(exist_ok=True)
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return path


def ballot(round_, taster="Ida"):
    return data_of(page_of(round_, taster).read_text("utf-8"))


def only(problems):
    assert len(problems) == 1, [str(problem) for problem in problems]
    return problems[0]


def download(page, button, folder):
    with page.expect_download() as found:
        page.get_by_role("button", name=button).tap()
    folder.mkdir(exist_ok=True)
    path = folder / found.value.suggested_filename
    found.value.save_as(path)
    return path


def fill(page, piece):
    """Answer every question of one piece, each piece a little otherwise."""
    liking = ("8 like very much", "4 dislike slightly")[piece % 2]
    page.get_by_label(liking).check()
    bar = page.get_by_role("slider", name="crispness")
    bar.evaluate("bar => bar.scrollIntoView({block: 'center'})")
    box = bar.bounding_box()
    page.touchscreen.tap(box["x"] + 0.5 * box["width"], box["y"] + box["height"] / 2)
    page.get_by_label("3 just about right").check()
    page.get_by_label("none of these" if piece % 2 else "nutty").check()
    page.get_by_role("radio", name=re.compile(rf"^{piece + 1}$")).check()
    page.get_by_label("smells of").fill("=toast, 😀")
    page.get_by_label("yes").check()
    page.get_by_label("bites").fill("2,5")


# The whole way: filled with the network off, reloaded half-way, finished, dropped in, read


@needs_browser
def test_a_phone_ballot_comes_back_through_incoming_with_every_scale(one):
    serving = read_serving(one)
    mine = serving[serving["taster"] == "Ida"].sort_values(["sitting", "place"])
    mine = mine.reset_index(drop=True)
    place = mine.groupby("sitting").cumcount()
    with opened(page_of(one, "Ida"), phone=True) as page:
        page.get_by_label("I agree").check()
        for _, sitting in mine.groupby("sitting", sort=False):
            page.locator("#next").tap()
            for piece, code in enumerate(sitting["code"]):
                if piece == 1:
                    page.reload()
                    assert page.locator("#code").text_content() == code
                fill(page, piece)
                page.locator("#next").tap()
            assert page.locator("#complete").is_visible()
            download(page, "Save as a file", one.folder / "incoming")
            page.locator("#next").tap()
    assert not check(one)
    assert "Ida" not in set(check(one).missing["who"])
    table = scores(one)
    own = table[table["taster"] == "Ida"].set_index("code").loc[mine["code"]].reset_index()
    even = [at % 2 == 0 for at in place]
    assert list(own["liking"]) == [8.0 if first else 4.0 for first in even]
    assert set(own["crispness"]) == {5.0}
    assert set(own["sweetness"]) == {3.0}
    assert list(own["said of it"]) == ["nutty" if first else "none" for first in even]
    assert list(own["greasiest"]) == [at + 1 for at in place]
    assert set(own["smells of"]) == {"=toast, 😀"}
    assert set(own["again"]) == {1.0}
    assert set(own["bites"]) == {2.5}
    assert "'=toast" in (one.folder / "scores.csv").read_text("utf-8")
    assert rebuild(one).equals(table)


@needs_browser
def test_the_cooks_page_comes_back_through_incoming(one):
    with opened(one.folder / "cook-page.html", phone=True) as page:
        page.get_by_label("oil temperature really was").fill("168")
        page.get_by_label("oil uptake").fill("16,5")
        page.get_by_label("held its shape").select_option("yes")
        page.reload()
        page.locator("#done").tap()
        page.locator("#failed").tap()
        page.get_by_role("button", name="raw inside").tap()
        page.get_by_role("button", name="not served").tap()
        assert download(page, "Save the file", one.folder / "incoming").name == FILE
    assert not check(one)
    baked = scores(one)
    baked = baked[baked["taster"].isna()].set_index("bake")
    assert baked.loc["B01", "status"] == "made"
    assert baked.loc["B01", "oil uptake"] == 16.5
    assert baked.loc["B01", "held its shape"] == 1.0
    assert baked.loc["B01", "oil temperature"] == 168
    assert list(baked.loc["B02", ["status", "reason"]]) == ["not served", "raw inside"]


@needs_browser
def test_a_place_that_is_taken_is_given_up_by_the_other_piece(one):
    with opened(page_of(one, "Ida"), phone=True) as page:
        page.get_by_label("I agree").check()
        page.get_by_role("button", name="Start").tap()
        page.get_by_role("radio", name=re.compile("^1$")).check()
        first = page.locator("#code").text_content()
        page.locator("#next").tap()
        page.get_by_label(f"1 (now {first})").check()
        page.locator("#back").tap()
        assert page.locator("input[name=greasiest]:checked").count() == 0


@needs_browser
def test_none_of_these_and_the_words_take_each_other_away(one):
    with opened(page_of(one, "Ida"), phone=True) as page:
        page.get_by_label("I agree").check()
        page.get_by_role("button", name="Start").tap()
        page.get_by_label("nutty").check()
        page.get_by_label("none of these").check()
        assert not page.get_by_label("nutty").is_checked()
        page.get_by_label("greasy").check()
        assert not page.get_by_label("none of these").is_checked()


# What must be refused, and does the rest no harm


def good_of_bo(round_):
    drop(round_, "bo.csv", answers(ballot(round_, "Bo"), liking="6"))


def bo_is_unharmed(round_, problems):
    """What Bo sent is read as it was, whatever stands in the other file."""
    assert not any("bo.csv" in str(problem) for problem in problems)
    kept = {path.name.split("-", 2)[2] for path in (round_.folder / "received").glob("*-*-*")}
    assert {"bo.csv", "ida.csv"} <= kept
    (round_.folder / "incoming/ida.csv").unlink()
    assert not check(round_)
    assert set(scores(round_).query("taster == 'Bo'")["liking"]) == {6.0}


def spoiled(round_, change):
    good_of_bo(round_)
    drop(round_, "ida.csv", change(answers(ballot(round_), liking="7")))
    return check(round_)


def test_a_ballot_of_another_round_is_refused_whole(one):
    mark = ballot(one)["mark"]
    problems = spoiled(one, lambda text: text.replace(mark, "rbcdfghjk"))
    assert "belongs to another round" in str(only(problems))
    bo_is_unharmed(one, problems)


def test_a_code_that_was_tampered_with_is_refused(one):
    code = ballot(one)["samples"][0]["code"]
    bos = ballot(one, "Bo")["samples"][0]["code"]
    problems = spoiled(one, lambda text: text.replace(f",{code},", f",{bos},"))
    problem = only(problems)
    assert problem.place.row == 2
    assert "it is Bo's" in str(problem)
    bo_is_unharmed(one, problems)


def test_a_place_that_was_tampered_with_is_refused(one):
    code = ballot(one)["samples"][0]["code"]
    problems = spoiled(one, lambda text: text.replace(f"Ida,1,1,{code}", f"Ida,1,9,{code}"))
    assert "was changed" in str(only(problems))
    bo_is_unharmed(one, problems)


def test_a_taster_who_was_not_invited_is_refused_by_name(one):
    problems = spoiled(one, lambda text: text.replace("Ida,", "Mallory,"))
    assert len(problems) == len(ballot(one)["samples"])
    assert all("nobody called 'Mallory' tastes here" in str(problem) for problem in problems)
    bo_is_unharmed(one, problems)


def test_two_ballots_of_one_taster_that_differ_are_a_question(one):
    good_of_bo(one)
    drop(one, "ida.csv", answers(ballot(one), liking="7"))
    drop(one, "ida (1).csv", answers(ballot(one), liking="7", bites="2"))
    assert not check(one)  # the second says more and nothing else
    text = answers(ballot(one), liking="7").replace(",7,", ",3,", 1)
    drop(one, "ida (2).csv", text)
    problem = only(check(one))
    assert "7 stands here, but 3 in incoming/ida (2).csv, row 2" in str(problem)
    assert "Which is right?" in str(problem)
    (one.folder / "incoming/ida (2).csv").unlink()
    assert set(scores(one)["liking"].dropna()) == {6.0, 7.0}


def test_a_comment_of_100_kb_is_refused_and_the_scores_beside_it_are_kept(one):
    first = ballot(one)["samples"][0]["code"]

    def grow(text):
        head, row, *rest = text.splitlines(keepends=True)
        assert f",{first}," in row
        return head + row.replace(",,", ",😀" + "x" * 100_000 + ",", 1) + "".join(rest)

    good_of_bo(one)
    drop(one, "ida.csv", grow(answers(ballot(one), smells_of="", liking="7")))
    problem = only(check(one))
    assert problem.place.row == 2
    assert len(str(problem)) < 500
    bo_is_unharmed(one, [problem])


def test_emoji_markup_and_formulas_are_words_wherever_they_stand(one):
    words = "😀👩‍🍳 <script>alert(1)</script> =cmd|'/C calc'!A0"
    drop(one, "ida.csv", answers(ballot(one), note=words, smells_of="@SUM(A1)", liking="7"))
    assert not check(one)
    table = scores(one)
    own = table[table["taster"] == "Ida"]
    assert set(own["note"]) == {words}
    assert set(own["smells of"]) == {"@SUM(A1)"}
    raw = (one.folder / "scores.csv").read_text("utf-8")
    assert ",@SUM" not in raw
    assert "'@SUM(A1)" in raw
    assert set(read_csv(one.folder / "scores.csv").loc[own.index + 2, "smells of"]) == {"@SUM(A1)"}


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "the file is empty"),
        (b"\x00\x01", "not a plain table"),
        (b"hello\nworld\n", "neither the cook's nor the tasters' sheet"),
        ("taster,code\nIda,123\n".encode("utf-16"), "not a plain table"),
        (b"taster,code,liking\n" + b"x," * 70_000, ""),
        (b"taster,code,liking\nIda," + b"9" * 200_000 + b",7\n", "field larger than"),
    ],
)
def test_what_is_no_ballot_is_said_and_harms_nothing(one, content, said):
    good_of_bo(one)
    drop(one, "ida.csv", content)
    problems = check(one)
    assert problems
    assert all(problem.place.file == "incoming/ida.csv" for problem in problems)
    assert any(said in str(problem) for problem in problems)
    bo_is_unharmed(one, problems)


def test_a_ballot_that_was_sent_as_text_is_read_from_a_text_file(one):
    drop(one, "from ida.txt", answers(ballot(one), liking="7"))
    drop(one, "shopping.txt", "butter, eggs")
    drop(one, "from bo.txt", "Here it is:\n" + answers(ballot(one, "Bo"), liking="7"))
    assert only(check(one)).place.file == "incoming/from bo.txt"
    (one.folder / "incoming/from bo.txt").unlink()
    assert not check(one)
    assert "no ballot" in str(only(check(one).notes))
    assert set(scores(one)["liking"].dropna()) == {7.0}


# Ranking, ticks and words


def test_places_given_twice_or_beyond_the_sitting_are_problems(one):
    drop(one, "ida.csv", answers(ballot(one), greasiest="1"))
    sittings = {sample["sitting"] for sample in ballot(one)["samples"]}
    problems = check(one)
    assert len(problems) == len(ballot(one)["samples"]) - len(sittings)
    assert "place 1 was given twice in this sitting, first in incoming/ida.csv" in str(problems[0])
    drop(one, "ida.csv", answers(ballot(one), greasiest="99").rsplit("\n", 5)[0] + "\n")
    assert any("place 99 is more than there are" in str(problem) for problem in check(one))
    for wrong in ("0", "1.5", "first"):
        drop(one, "ida.csv", answers(ballot(one), greasiest=wrong))
        assert len(check(one)) == len(ballot(one)["samples"])


def test_nothing_ticked_on_purpose_is_not_the_same_as_not_answered(one):
    drop(one, "ida.csv", answers(ballot(one), said_of_it="none"))
    assert set(scores(one).query("taster == 'Ida'")["said of it"]) == {"none"}
    assert scores(one).query("taster == 'Bo'")["said of it"].isna().all()
    missing = check(one).missing.query("measure == 'said of it'")
    assert set(missing["who"]) == {"Bo"}


def test_words_of_ones_own_are_never_missed_and_may_stand_beside_a_failed_bake(one):
    assert "smells of" not in set(check(one).missing["measure"])
    serving = read_serving(one)
    bake = serving["bake"].iloc[0]
    cook = read_csv(one.folder / "bakes.csv")
    cook.loc[cook["bake"] == bake, ["status", "reason"]] = ["failed", "raw inside"]
    drop(one, "cook.csv", cook.to_csv(index=False))
    drop(one, "ida.csv", answers(ballot(one), smells_of="raw flour"))
    assert not check(one)


# A cook who tastes


def test_scores_of_a_cook_who_knew_the_bake_are_kept_apart(tmp_path):
    panel = [Taster("Ida", cooks=True), Taster("Bo")]
    one = tasted(tmp_path, measures=[Measure("liking", "hedonic 9")], tasters=panel)
    assert "blind" in ballot(one)["columns"]
    assert [asked["name"] for asked in ballot(one)["measures"]] == ["liking", "blind"]
    assert [asked["name"] for asked in ballot(one, "Bo")["measures"]] == ["liking"]
    text = answers(ballot(one), liking="9", blind="no")
    head, known, *rest = text.splitlines(keepends=True)
    drop(one, "ida.csv", head + known + "".join(rest).replace(",no,", ",yes,"))
    drop(one, "bo.csv", answers(ballot(one, "Bo"), liking="5"))
    assert not check(one)
    code = ballot(one)["samples"][0]["code"]
    assert f"knew the bake behind {code}" in str(only(check(one).notes))
    table = scores(one)
    assert "blind" not in table
    assert code not in set(table["code"])
    assert len(table[table["taster"] == "Ida"]) == len(ballot(one)["samples"]) - 1
    apart = read_csv(one.folder / NOT_BLIND)
    assert list(apart["code"]) == [code]
    assert rebuild(one).equals(table)
    drop(one, "ida.csv", text.replace(",no,", ",perhaps,"))
    assert "neither yes nor no" in str(check(one)[0])
    drop(one, "ida.csv", text.replace(",no,", ",,"))
    assert all("it is not said whether it was blind" in str(note) for note in check(one).notes)


def test_the_key_is_sealed_only_where_a_cook_tastes(tmp_path):
    one = tasted(tmp_path / "a", tasters=[Taster("Ida", cooks=True)])
    sealed = (one.folder / "code-sheet.html").read_text("utf-8")
    assert sealed.index("Do not open until the scores are in") < sealed.index(">B01<")
    told = (one.folder / "serving-notes.txt").read_text("utf-8")
    assert "the liking of Ida, and of nobody else" in told
    other = tasted(tmp_path / "b", tasters=[Taster("Ida")])
    assert "Do not open" not in (other.folder / "code-sheet.html").read_text("utf-8")


def test_two_tasters_meet_hidden_repeats_and_the_reference_at_every_sitting(one):
    serving = read_serving(one)
    for _, sitting in serving.groupby(["taster", "sitting"]):
        kinds = list(sitting["kind"])
        assert kinds.count("repeat") == 1
        assert kinds.count("reference") == 1
        assert sitting["code"].is_unique
    references = one.plan.table.query("role == 'reference'")
    assert set(serving.query("kind == 'reference'")["bake"]) == set(references["bake"])


def test_a_taster_of_one_day_is_served_that_day_alone(tmp_path):
    panel = [Taster("Ida"), Taster("Bo", days=[2]), Taster("Mia", days=[2])]
    one = tasted(tmp_path, tasters=panel)
    day = dict(zip(one.plan.table["bake"], one.plan.table["day"], strict=True))
    serving = read_serving(one)
    served = {name: set(own["bake"].map(day)) for name, own in serving.groupby("taster")}
    assert served == {"Ida": {1, 2}, "Bo": {2}, "Mia": {2}}
    of_day = set(one.plan.table.query("day == 2")["bake"])
    assert set(serving.query("taster == 'Bo'")["bake"]) == of_day
    told = (one.folder / "serving-notes.txt").read_text("utf-8")
    assert "Bo comes on day 2 only" in told
    assert type(one).open(one.folder).tasters == tuple(panel)


@needs_browser
def test_a_paper_ballot_prints_to_pdf_for_each_taster(tmp_path):
    one = tasted(tmp_path, measures=[Measure("liking", "hedonic 9")])
    files = write_ballots(one, read_serving(one), as_pdf=True)
    printed = [path for path in files if path.suffix == ".pdf"]
    assert [path.name for path in printed] == ["ballot-Ida.pdf", "ballot-Bo.pdf"]
    sittings = read_serving(one).query("taster == 'Ida'")["sitting"].nunique()
    assert page_count(printed[0]) == sittings


def test_every_scale_goes_through_the_workbook_and_comes_back(one):
    """Entered cell by cell with the library that reads, as a spreadsheet would."""
    entered = {"liking": 7.5, "crispness": 2.25, "sweetness": 4, "said of it": "none",
               "smells of": "=toast, 😀", "again": "no", "bites": 3}  # fmt: skip
    path = one.folder / "tastings.xlsx"
    places = {}

    def type_in(book):
        sheet = book.worksheets[0]
        for row in range(2, sheet.max_row + 1):
            who = (sheet.cell(row, 1).value, sheet.cell(row, 2).value)
            places[who] = places.get(who, 0) + 1
            for name, value in (entered | {"greasiest": places[who]}).items():
                found = cell(sheet, row, name)
                found.value = value
                if isinstance(value, str):
                    found.data_type = "s"

    edit_book(path, type_in)
    assert not check(one)
    table = scores(one)
    own = table[table["taster"].notna()]
    for name, value in (entered | {"again": 0.0}).items():
        assert set(own[name]) == {value}, name
    for _, sitting in own.groupby(["taster", "sitting"]):
        assert sorted(sitting["greasiest"]) == list(range(1, len(sitting) + 1))
    write_workbooks(one, read_serving(one))
    assert scores(one).equals(table)


def test_the_guide_explains_places_none_and_words(one):
    form = tasting_form(one, read_serving(one))
    expected = {column.name: column.expects() for column in form.columns if column.entered}
    assert expected["greasiest"].startswith("a place: 1 for the greasiest")
    assert '"none" when none fits' in expected["said of it"]
    assert expected["smells of"] == "words of your own"


def test_one_taster_is_told_what_bridges_the_sittings(tmp_path):
    one = tasted(tmp_path, ["Ida"])
    told = (one.folder / "serving-notes.txt").read_text("utf-8")
    assert "the reference, served at every sitting, is what bridges them" in told
    assert "or a reference" not in told


@pytest.mark.parametrize("file", ["bakes.csv", "bakes.xlsx"])
def test_several_readings_of_a_bake_are_averaged_and_their_spread_is_told(one, file):
    enter(one.folder / file, 2, "oil uptake", "16,5; 17.5; 18")
    assert not check(one)
    note = only(check(one).notes)
    assert note.place.column == "oil uptake"
    assert "3 readings were averaged" in str(note)
    assert "spread 0.76 %" in str(note)
    assert scores(one)["oil uptake"].dropna().tolist() == [pytest.approx(52 / 3)]
    enter(one.folder / file, 2, "oil uptake", "16.5; damp")
    assert "'damp' is not a number" in str(only(check(one)))
    enter(one.folder / file, 2, "oil uptake", ";")
    assert "there is no reading" in str(only(check(one)))
