"""What a first round asks of a person who bakes, from the README alone: answers, commands, words.

Two invented cases: a rye soda bun and a milk farl crossed, and one soda loaf varied in its oven, an
amount and its tin; 8 bakes on two days, the cook and one friend. Every amount of a recipe counts as
an answer.
"""

import re
import shlex
import tomllib
from pathlib import Path

import pytest

import trials
from trials.doors.cli import run
from trials.rounds.idea import recipe_in_words

ANSWERS, COMMANDS, WORDS = 20, 6, 1500
README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
READ = README.partition("That is all a first round needs.")[0]
RECIPES = ("formula", "second")
CROSSED = {
    r'formula = """.*?"""': 'formula = """rye soda bun: 210 g all-purpose flour, 90 g medium rye '
    'flour, 210 g buttermilk, 6 g baking soda, 5 g salt"""',
    r'second = """.*?"""': 'second = """milk farl: 300 g all-purpose flour, 180 g milk, 30 g lard, '
    '12 g baking powder, 5 g salt"""',
    r"cross = \[.*?\]": 'cross = ["flour", "leavening", "cooking"]',
    r'second = "dry griddle"': 'second = "pan"',
    r"heat = \[.*?\]": 'heat = ["220 °C", "low, with a lid"]',
    r"minutes = \[.*?\]": "minutes = [20, 16]",
    '"Ada"': '"Ida"',
    '"Ben"': '"Bo"',
    r'avoids = \["sesame"\]': 'avoids = ["egg"]',
}
VARIED = {
    r'formula = """.*?"""': 'formula = """rye soda loaf: 300 g all-purpose flour, 100 g medium rye '
    'flour, 320 g buttermilk, 6 g baking soda, 8 g salt"""',
    r"low = 165, high = 185": "low = 200, high = 230",
    r'"sugar", low = 70, high = 100': '"buttermilk", low = 300, high = 340',
    r'\{ name = "fat", levels = \["butter", "lard"\] \}': '{ name = "tin", '
    'levels = ["dark", "light"] }',
    r"minutes = 20": "minutes = 60",
    r"minutes = 14": "minutes = 40",
    '"Ada"': '"Ida"',
    '"Ben"': '"Bo"',
    r'avoids = \["sesame"\]': 'avoids = ["egg"]',
}
ROADS = {"crossed": CROSSED, "varied": VARIED}


def counted(before, after):
    """Return how many answers one page of questions has that another has not."""
    if isinstance(after, dict):
        left = before if isinstance(before, dict) else {}
        return sum(counted(left.get(key), value) for key, value in after.items())
    if isinstance(after, list) and after and isinstance(after[0], dict):
        left = [*(before or []), *[{}] * len(after)]
        return sum(map(counted, left, after))
    return int(before != after)


def read(text):
    """Return a page of questions, each recipe with its amounts one by one."""
    page = tomllib.loads(text)
    return page | {key: recipe_in_words(page[key]) for key in RECIPES if key in page}


def walked(case, tmp_path, monkeypatch, capsys):
    """Walk the README's commands, answering between them; return all that was shown."""
    monkeypatch.chdir(tmp_path)
    shown = {"README.md": READ}
    commands = [
        line.partition("#")[0].strip()
        for block in re.findall(r"```sh\n(.*?)```", READ, re.DOTALL)
        for line in block.splitlines()
    ]
    commands = commands[: 1 + next(at for at, one in enumerate(commands) if "sheets" in one)]
    answers = 0
    for command in commands:
        if not command.startswith("trials "):
            continue
        if case == "varied":
            command = command.removesuffix(" --cross")
        capsys.readouterr()
        assert run(shlex.split(command)[1:]) == 0, capsys.readouterr()
        told = capsys.readouterr()
        shown[command] = told.out + told.err
        if command.startswith("trials new"):
            path = tmp_path / "my-round" / "idea.toml"
            before = text = path.read_text("utf-8")
            shown["idea.toml"] = before
            for old, new in ROADS[case].items():
                assert re.search(old, text, re.DOTALL), old
                text = re.sub(old, new, text, count=1, flags=re.DOTALL)
            path.write_text(text, "utf-8")
            answers = counted(read(before), read(text))
    return commands, answers, shown, tmp_path / "my-round"


@pytest.fixture
def road(tmp_path, monkeypatch, capsys):
    return walked("crossed", tmp_path, monkeypatch, capsys)


@pytest.mark.parametrize("case", ROADS)
def test_from_new_to_printed_sheets_it_asks_little(case, tmp_path, monkeypatch, capsys):
    road = walked(case, tmp_path, monkeypatch, capsys)
    commands, answers, shown, folder = road
    words = {name: len(text.split()) for name, text in shown.items()}
    assert len(ROADS[case]) < answers <= ANSWERS
    assert 3 <= len(commands) <= COMMANDS
    assert sum(words.values()) <= WORDS, words
    # All that is opened, or printed, is named in what was read
    for name in ("bake-sheets.html", "shopping-list.html", "timetable.html", "code-sheet.html"):
        assert (folder / name).is_file()
        assert name in READ
    assert len(list((folder / "ballots").glob("*.html"))) == 2
    assert "`ballots/`" in READ


def test_the_sheets_are_of_that_case(road):
    folder = road[-1]
    round_ = trials.Round.open(folder)
    assert {one.name for one in round_.plan.factors} >= {"cooking", "baking soda", "baking powder"}
    assert [one.name for one in round_.tasters] == ["Ida", "Bo"]
    sheets = (folder / "bake-sheets.html").read_text("utf-8")
    for said in ("oven, 220 °C", "20 min", "pan, low, with a lid", "16 min", "medium rye flour"):
        assert said in sheets


def test_one_recipe_is_weighed_as_it_was_varied(tmp_path, monkeypatch, capsys):
    *_, shown, folder = walked("varied", tmp_path, monkeypatch, capsys)
    round_ = trials.Round.open(folder)
    assert [one.name for one in round_.plan.factors] == ["oven", "buttermilk", "tin"]
    to_look_at = re.findall("To look at: (.*)", shown["trials plan my-round"])
    assert len(to_look_at) == 2
    assert to_look_at[0].startswith("Each day needs 3 sittings")
    assert to_look_at[1].startswith("10 bakes of 734 g of dough are more than 2 tasters eat")
    for row in round_.plan.table.to_dict("records"):
        grams = round_.formulas[row["bake"]].grams(flour=400.0).set_index("ingredient")["grams"]
        assert grams["buttermilk"] == pytest.approx(row["buttermilk"])
        assert grams["salt"] == pytest.approx(8)
    sheets = (folder / "bake-sheets.html").read_text("utf-8")
    for said in ("230 °C", "40 min", "dark", "340 g"):
        assert said in sheets


def test_what_is_shown_is_in_the_words_of_a_kitchen(road):
    said = "\n".join(text for name, text in road[2].items() if name.startswith("trials "))
    strange = (
        r"standard deviation|factorial|optimal|estimat(?!e\))|column|model|confound|degrees of"
    )
    assert not re.findall(strange, said)
    first = road[2]["trials plan my-round"].splitlines()[:3]
    assert ": 8 bakes" in first[0]
    assert re.fullmatch(
        r"Both sides are among the bakes: B\d\d \(rye soda bun\) and B\d\d \(what is crossed of "
        r"milk farl\)\.",
        first[2],
    )
