"""Kinds of scales: one class each; a ninth one is asked, read and counted without another line."""

import ast
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pytest

import trials
from trials.analysis.answers import fit
from trials.analysis.counted import Counted
from trials.analysis.results import Findings
from trials.base.errors import MeasureError
from trials.core import scales
from trials.core.measures import Measure, measure_from, measure_record
from trials.core.scales import OneOf, Point, Refusal, Scale, Summary, Whole
from trials.rounds.forms import Column
from trials.rounds.workbook import rule
from trials.tasting.panel import Taster
from trials.tasting.paper import ballots
from trials.tasting.phone import phone_ballots

CONSTRUCTED = [
    ("hedonic 9", {}),
    (("intensity", 0, 10), {}),
    (["intensity", 0, 10], {}),
    ("just about right 5", {}),
    ("number", {}),
    ("passed", {}),
    ("check all", {"words": ["nutty"]}),
    ("ranking", {}),
    ("words", {}),
]


@pytest.mark.parametrize(("text", "told"), CONSTRUCTED, ids=str)
def test_every_kind_is_named_as_before_and_kept_in_a_record(text, told):
    measure = Measure("crust", text, **told)
    assert measure_from(measure_record(measure)) == measure
    assert isinstance(measure.field, scales.Field)
    assert isinstance(measure.rule, scales.Rule)
    assert measure.expects()


@pytest.mark.parametrize(
    ("scale", "told", "message"),
    [
        ("words", {"goal": "higher"}, "no answer is better than another"),
        ("check all", {"words": ["nutty"], "goal": "higher"}, "no answer is better"),
        ("hedonic 9", {"words": ["nutty"]}, "anchors"),
        ("number", {"anchors": ["low", "high"]}, "no ends"),
        ("just about right 5", {"anchors": ["a", "b", "c"]}, "takes 5 words, or 2"),
        (("intensity", 0, 10), {"anchors": ["soft"]}, "takes 2"),
        ("ranking", {"per": "bake"}, "at the table"),
        ("check all", {"words": "nutty"}, r"write .*nutty"),
        (("intensity", "low", 10), {}, "has the scale"),
    ],
)
def test_what_does_not_go_with_a_scale_is_refused(scale, told, message):
    with pytest.raises(MeasureError, match=message):
        Measure("crust", scale, **told)


def test_a_refusal_says_what_was_expected():
    measure = Measure("crust", "just about right 5")
    assert measure.entry("2.5") == Refusal(
        "2.5 is between two points", "a whole number from 1 to 5"
    )
    assert measure.entry("3") == 3.0


@dataclass(frozen=True)
class Stars(Scale):
    """A ninth kind: one to three stars."""

    text = "stars"
    place = 8
    summary = Summary.MEAN
    low = 1.0
    high = 3.0
    margin = 0.5

    @classmethod
    def made(cls, given, told):
        return cls() if given == "stars" else None

    @property
    def field(self):
        return OneOf(tuple(Point(float(at), str(at), "*" * at) for at in (1, 2, 3)))

    @property
    def rule(self):
        return Whole(1, 3)

    def expects(self):
        return "1, 2 or 3 stars"

    def read(self, text):
        return float(text) if text in ("1", "2", "3") else Refusal(f"{text!r} is no star", "1 to 3")


def test_a_ninth_kind_is_one_class(monkeypatch):
    monkeypatch.setattr(scales, "KINDS", (*scales.KINDS, Stars))
    crust = Measure("crust", "stars", goal="higher")
    assert crust.read("2") == 2.0
    with pytest.raises(MeasureError, match="no star"):
        crust.read("4")
    serving = pd.DataFrame(
        [["Ida", 1, 1, "583", "trial"]], columns=["taster", "sitting", "place", "code", "kind"]
    )
    assert "***" in ballots("Round 1", serving, [crust], [Taster("Ida")])["Ida"]
    assert "3  ***" in phone_ballots("Round 1", serving, [crust], [Taster("Ida")])["Ida"]
    assert rule(Column("crust", "score", measure=crust))["maximum"] == 3
    table = pd.DataFrame({"rest": [20, 60] * 4, "crust": [1, 3, 1, 2, 1, 3, 2, 3]})
    found = fit(table, "crust", ["rest"], measure=crust)
    assert isinstance(found, Findings)
    assert found.margin == 0.5


def test_the_door_returns_counts_for_what_is_counted():
    table = pd.DataFrame({"bake": ["B1", "B2"], "rest": [20, 60], "torn": ["yes", "no"]})
    found = trials.fit(table, "torn", ["rest"], measure=Measure("torn", "passed", per="bake"))
    assert isinstance(found, Counted)
    assert found.table.iloc[0][["bakes", "yes"]].tolist() == [2, 1]
    with pytest.raises(AttributeError, match="counted, not averaged, so it has no effects"):
        found.effects  # noqa: B018


ASKED = {"field", "rule", "summary"}
KNOWN = {"OneOf", "ManyOf", "Line", "Order", "Number", "Text", "Choices", "Whole", "Decimal"}


def _about_scales(match):
    """Whether a match is about a field, a rule or a summary, by its subject or its first case."""
    if isinstance(match.subject, ast.Attribute) and match.subject.attr in ASKED:
        return True
    named = {node.cls.id for node in ast.walk(match) if isinstance(node, ast.MatchClass)}
    return bool(named & KNOWN)


def test_no_match_on_a_scale_lets_a_new_kind_slip_through():
    """Each ends in assert_never, so that the type checker lists what a new one needs."""
    found = 0
    for path in Path(trials.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Match) and _about_scales(node):
                found += 1
                last = node.cases[-1].body[-1]
                assert ast.unparse(last) == "assert_never(never)", f"{path.name}:{node.lineno}"
    assert found >= 12
