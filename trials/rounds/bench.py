"""Side tests at the bench: two to six things compared on one measure, in a minute.

No formula and no plan is needed. Which fat stays firm at room heat, which dough tears last: each
thing is tried a few times in random order, written on one page, read back as a sentence, and kept
in the diary as a reason for what is planned next. Everything is done by one pair of hands that
may know what it holds: a hint for planning, no finding of a round.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from trials.base.arguments import checked_types
from trials.base.errors import MeasureError, Place, PlanError, RoundError, SheetError
from trials.base.files import read_csv, write_csv, write_text
from trials.base.html import answer, render
from trials.base.keeping import one_step
from trials.base.words import InWords, in_words, tidy_number
from trials.core.measures import Measure, measure_named
from trials.core.plan import Plan, new_seed
from trials.core.roles import Role
from trials.core.scales import Order, Summary
from trials.core.verdicts import CONFIDENCE
from trials.rounds.diary import write_note

FOLDER = "side-tests"
TEMPLATES = Path(__file__).parent / "templates"
FEWEST, MOST = 2, 6
LONGEST_THING = 80  # letters
_COLUMNS = ("run", "thing", "found", "note")
# What is never tried out at the bench, and what is done instead
_UNSAFE = (
    (
        r"smok\w* point|\bsmok(e|es|ing)\b.*\b(oil|fat|lard|butter|dripping|heat)|"
        r"(oil|fat|lard|butter|dripping)\w*\b.*\bsmok(e|es|ing)\b|flash ?point|fire point|ignit|"
        r"catch\w* fire|burst\w* into flame",
        "Heating oil until it smokes or burns is not tried out in a kitchen: ask the supplier for "
        "the smoke point of the oil.",
    ),
    (
        r"water\b.*\b(in|into|on|onto)\b.*\bhot (oil|fat)|overfill|how full\b.*\b(pot|fryer)",
        "Water and hot oil are never brought together, and no pot is filled over a third: follow "
        "the maker of the fryer.",
    ),
    (
        r"(tast|eat|swallow)\w*\b.*\braw (dough|batter|flour|egg)|"
        r"raw (dough|batter|flour|egg)\w*\b.*\b(tast|eat|flavour)",
        "Raw flour, dough, batter and egg are not tasted: bake a small piece through and taste "
        "that.",
    ),
    (
        r"(lye|caustic soda|sodium hydroxide)\b.*\b(tast|strong)|(tast|eat)\w*\b.*\blye\b",
        "Lye is not tried out: ask the supplier for the safe strength and use bicarbonate instead.",
    ),
    (
        r"how (long|warm|late)\b.*\b(spoil|unsafe|sour)|room heat\b.*\b(egg|custard|cream)\b.*safe",
        "Whether food is still safe is not found by trying: follow your food-safety code.",
    ),
)


@dataclass(frozen=True)
class SideTest(InWords):
    """One quick comparison, with its page and its table to fill.

    Parameters
    ----------
    folder : Path
        Holds `page.html` and `answers.csv`.
    question : str
    things : tuple of str
    measure : Measure
    order : tuple of str
        What is tried, in turn.
    seed : int
    """

    folder: Path
    question: str
    things: tuple[str, ...]
    measure: Measure
    order: tuple[str, ...]
    seed: int


@dataclass(frozen=True, eq=False)
class SideFinding:
    """What a side test showed.

    Parameters
    ----------
    question : str
    table : DataFrame
        One row a thing: thing, mean, spread, times; the highest first.
    sentence : str
        What may be said of it, and what not.
    """

    question: str
    table: pd.DataFrame
    sentence: str

    @property
    def reason(self) -> str:
        """The finding as a reason for a plan."""
        return f"Side test, {self.question}: {self.sentence}"

    def _repr_html_(self) -> str:
        return answer([self.reason], [self.table])


@checked_types(RoundError)
def side_test(
    folder: str | Path,
    question: str,
    things: Sequence[str],
    measure: Measure | str,
    *,
    times: int = 3,
    seed: int | None = None,
) -> SideTest:
    """Write the page and the table of a side test.

    Parameters
    ----------
    folder : str or Path
        Of the round or the project; the test goes into `side-tests/` in it.
    question : str
        "Which fat stays firm at room heat?"
    things : sequence of str
        Two to six ingredients, handlings or settings.
    measure : Measure
        Scored in numbers, or yes and no.
    times : int
        How often each is tried, afresh each time; once shows no spread.
    seed : int, optional
        For the order.

    Returns
    -------
    SideTest

    Raises
    ------
    PlanError
        When things are too few, too many or doubled, or what is asked is not safe to try; the
        message then says whom to ask.
    MeasureError
        When the measure is in words.

    Notes
    -----
    Every thing comes once before any comes again, each time in a new random order, so that what
    warms up or tires meanwhile does not favour one of them.

    Examples
    --------
    >>> import tempfile
    >>> firm = Measure("dent", "number", unit="mm")
    >>> test = side_test(tempfile.mkdtemp(), "Which fat stays firm?", ["lard", "butter"], firm,
    ...     seed=1)
    >>> len(test.order), sorted(test.order[:2])
    (6, ['butter', 'lard'])
    >>> side_test(tempfile.mkdtemp(), "Which oil smokes last?", ["lard", "butter"], firm)
    Traceback (most recent call last):
        ...
    trials.base.errors.PlanError: Heating oil until it smokes or burns is not tried out in a
    kitchen: ask the supplier for the smoke point of the oil.
    """
    named = _checked_things(things)
    measure = measure_named(measure)
    _refuse_unsafe(" ; ".join([question, *named, measure.name]))
    if not question.strip():
        raise PlanError("the question is empty; write what you want to know.")
    if not measure.in_numbers or isinstance(measure.field, Order):
        raise MeasureError(f'"{measure.name}" is not scored in numbers; a side test needs one.')
    if isinstance(times, bool) or not isinstance(times, int) or not 1 <= times <= 20:
        raise PlanError(f"times is {times!r}; give a whole number from 1 to 20.")
    seed = new_seed() if seed is None else int(seed)
    rng = np.random.default_rng(seed)
    order = tuple(named[at] for _ in range(times) for at in rng.permutation(len(named)))
    rows = [[str(run), thing, "", ""] for run, thing in enumerate(order, start=1)]
    with one_step(folder):
        place = _new_folder(Path(folder), question)
        test = SideTest(place, " ".join(question.split()), named, measure, order, seed)
        write_csv(pd.DataFrame(rows, columns=list(_COLUMNS)), place / "answers.csv")
        write_text(place / "page.html", _page(test))
    return test


def extreme_corners(plan: Plan, count: int = 4) -> pd.DataFrame:
    """Return the corners of a plan that lie farthest apart, to bake once before the round."""
    if not FEWEST <= count <= MOST:
        raise PlanError(f"{count} corners; {FEWEST} to {MOST} fit one line-up.")
    names = [factor.name for factor in plan.factors]
    trials = plan.table["role"] == Role.TRIAL
    settings = plan.table.loc[trials, names].drop_duplicates()
    if len(settings) < count:
        raise PlanError(f"the plan has {len(settings)} settings; ask for fewer corners.")
    coded = pd.get_dummies(plan.coded.loc[settings.index, names], dtype=float).to_numpy(float)
    apart = ((coded[:, None, :] - coded[None, :, :]) ** 2).sum(axis=2).round(9)
    chosen = [int(at) for at in np.unravel_index(np.argmax(apart), apart.shape)]
    while len(chosen) < count:
        chosen.append(int(np.argmax(apart[:, chosen].min(axis=1))))
    corners = settings.iloc[chosen].reset_index(drop=True)
    titles = [
        ", ".join(f"{factor.name} {factor.show(row[factor.name])}" for factor in plan.factors)
        for row in corners.to_dict("records")
    ]
    corners.insert(0, "corner", titles)
    return corners


@checked_types(RoundError)
def read_side_test(test: SideTest, *, diary: bool = True) -> SideFinding:
    """Read what was entered, say what it shows, and keep that in the diary.

    Parameters
    ----------
    test : SideTest
    diary : bool
        Whether the finding is written into the diary of the folder above.

    Returns
    -------
    SideFinding

    Raises
    ------
    SheetError
        With its place, when a cell can not be read or a thing has no value.

    References
    ----------
    Tukey's intervals for all pairs (Kramer 1956 for unequal numbers), by scipy.
    """
    table = _answers(test)
    groups = [table.loc[table["thing"] == thing, "found"].to_numpy() for thing in test.things]
    summary = pd.DataFrame(
        [
            (thing, float(np.mean(group)), _sd(group), len(group))
            for thing, group in zip(test.things, groups, strict=True)
        ],
        columns=["thing", "mean", "spread", "times"],
    ).sort_values(["mean", "thing"], ascending=[False, True], ignore_index=True)
    finding = SideFinding(test.question, summary, _sentence(test, groups))
    if diary:
        write_note(test.folder.parent.parent, finding.reason)
    return finding


def _sd(group: np.ndarray) -> float:
    return float(np.std(group, ddof=1)) if len(group) > 1 else float("nan")


def _sentence(test: SideTest, groups: Sequence[np.ndarray]) -> str:
    unit = f" {test.measure.unit}" if test.measure.unit else ""
    means = [float(np.mean(group)) for group in groups]
    ranked = sorted(range(len(means)), key=lambda at: (-means[at], at))
    shown = in_words(f"{test.things[at]} {tidy_number(means[at], 3)}{unit}" for at in ranked)
    said = f"{test.measure.name}: {shown}."
    if min(len(group) for group in groups) < 2:
        return f"{said} Each was tried once, so nothing says how far the same comes out the same."
    if test.measure.summary is Summary.SHARE:
        return f"{said} These are shares of a few tries: a hint, no more."
    if all(np.ptp(group) == 0 for group in groups):
        return f"{said} Every try of a thing came out the same; measure finer to learn more."
    intervals = stats.tukey_hsd(*groups).confidence_interval(CONFIDENCE)
    clear = []
    for place, high in enumerate(ranked):
        for low in ranked[place + 1 :]:
            least, most = intervals.low[high, low], intervals.high[high, low]
            if least > 0:
                clear.append(
                    f"{test.things[high]} over {test.things[low]} by "
                    f"{tidy_number(means[high] - means[low], 2)}{unit} ({tidy_number(least, 2)} to "
                    f"{tidy_number(most, 2)})"
                )
    if not clear:
        return f"{said} None stands clear of another on so few tries."
    return f"{said} Clear of each other: {in_words(clear)}."


def _answers(test: SideTest) -> pd.DataFrame:
    path = test.folder / "answers.csv"
    table = read_csv(path, ("run", "thing", "found"))
    rows = []
    for row, thing, found in zip(table.index, table["thing"], table["found"], strict=True):
        if thing not in test.things:
            place = Place(path.name, row=int(row), column="thing")
            raise SheetError(f'"{thing}" is none of {in_words(test.things)}.', place)
        if found:
            rows.append(
                (thing, _value(test, found, Place(path.name, row=int(row), column="found")))
            )
    untried = [thing for thing in test.things if thing not in {name for name, _ in rows}]
    if untried:
        raise SheetError(f"nothing is entered for {in_words(untried)}.", Place(path.name))
    return pd.DataFrame(rows, columns=["thing", "found"])


def _value(test: SideTest, text: str, place: Place) -> float:
    try:
        return float(test.measure.read(text))
    except MeasureError as error:
        raise SheetError(error.message, place) from None


def _checked_things(things: Sequence[str]) -> tuple[str, ...]:
    if isinstance(things, str):
        raise PlanError(f"things is one text, {things!r}; give a list of two to six.")
    named = tuple(" ".join(str(thing).split()) for thing in things)
    if not FEWEST <= len(named) <= MOST:
        raise PlanError(
            f"{len(named)} things; a side test compares {FEWEST} to {MOST}. For more, or for "
            "several changes at once, plan a round."
        )
    for thing in named:
        if not thing or len(thing) > LONGEST_THING:
            raise PlanError(f"{thing!r} is no name for a thing: give 1 to {LONGEST_THING} letters.")
    if len({thing.casefold() for thing in named}) < len(named):
        raise PlanError("two things have one name; tell them apart.")
    return named


def _refuse_unsafe(text: str) -> None:
    for pattern, instead in _UNSAFE:
        if re.search(pattern, text, re.IGNORECASE):
            raise PlanError(instead)


def _new_folder(folder: Path, question: str) -> Path:
    stem = re.sub(r"[^\w]+", "-", question.casefold()).strip("-")[:50] or "test"
    parent, number = folder / FOLDER, 1
    while (parent / f"{number}-{stem}").exists():
        number += 1
    return parent / f"{number}-{stem}"


def _page(test: SideTest) -> str:
    return render(
        TEMPLATES,
        "side_test.html",
        title=f"Side test: {test.question}",
        question=test.question,
        asked=f"{test.measure.name}: {test.measure.expects()}",
        order=test.order,
    )
