"""Every public picture, sheet and ballot with hard cases.

`python -m tests.benchmarks.gallery FOLDER` writes `pictures/PICTURE-CASE.png` (beside it the same
in grey, and `-narrow.png` where there is a layout for phones) and `sheets/SHEET-CASE.pdf`, and says
what was refused and why. `--pictures` or `--sheets` makes one half, `--only WORD` those whose name
holds the word. Every round here is invented: factors, settings, tasters and scores.
"""

import argparse
import itertools
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from PIL import Image

import trials
from tests.deciding.small_development import first_round, scored
from trials.base.errors import TrialsError
from trials.base.html import find_browser, pdf
from trials.core.factors import Categorical, Factor, Numeric
from trials.core.measures import Measure
from trials.core.plan import Plan
from trials.deciding.rehearsal import Failure, Spreads
from trials.deciding.replanning import write_next
from trials.design.exchange import optimal
from trials.doors import large_demo
from trials.doors.invented import Truth, drawn_scores
from trials.rounds.kitchen import Batch, Kitchen, Step
from trials.rounds.round import Round
from trials.rounds.scores import record_scores
from trials.show.style import Picture
from trials.tasting.panel import Taster

CHANCE = 0.7  # points of liking that the pictures of plans ask after


@dataclass(frozen=True, eq=False)
class Case:
    """An invented round: what it varies, who tastes, what came of it."""

    name: str
    factors: tuple[Factor, ...]
    bakes: int
    tasters: tuple[str, ...]
    effects: dict[str, Any]
    model: Any = "main"
    days: int = 1
    loads: int | None = None
    references: int = 0
    failures: tuple[Failure, ...] = ()
    scored: int | None = None  # bakes that were baked and scored; all when None
    liking: str = "liking"
    crispness: str = "crispness"

    @cached_property
    def home(self) -> Path:
        """A folder that lasts as long as the case."""
        self.__dict__["_kept"] = tempfile.TemporaryDirectory()
        return Path(self.__dict__["_kept"].name)

    @cached_property
    def plan(self) -> Plan:
        return optimal(
            self.factors,
            model=self.model,
            bakes=self.bakes,
            criterion="D",
            days=self.days,
            loads=self.loads,
            references=self.references,
            seed=5,
        )

    @cached_property
    def measures(self) -> tuple[Measure, ...]:
        return (
            Measure(self.liking, "hedonic 9", goal="higher", worth_noticing=0.5),
            Measure(self.crispness, ("intensity", 0, 10), goal="higher", worth_noticing=0.7),
        )

    @cached_property
    def round(self) -> Round:
        """The round with its sheets written and its scores entered."""
        people = tuple(Taster(name) for name in self.tasters)
        made = Round.create(
            self.home / "round",
            plan=self.plan,
            measures=self.measures,
            tasters=people,
            formula=large_demo.FORMULA,
            batch=Batch(pieces=8, piece=40),
            steps=(Step("mix the batter", 12, "hands"), Step("fry", 8, ("pot", "hands"))),
            kitchen=Kitchen(),
            name=self.name,
            seed=7,
            invented=True,
        )
        trials.write_sheets(made)
        likings = {self.liking: self.effects, self.crispness: self._crisp()}
        truth = Truth(
            self.measures,
            likings,
            {self.liking: 6.0, self.crispness: 5.0},
            {self.liking: Spreads(), self.crispness: Spreads()},
            people,
            self.failures,
        )
        entered = drawn_scores(self.plan, truth, 3)
        if self.scored is not None:
            kept = self.plan.table["bake"].iloc[: self.scored]
            entered = entered[entered["bake"].isin(kept)]
        record_scores(made, entered)
        trials.check(made)
        return made

    def _crisp(self) -> dict[str, Any]:
        """Crispness goes against liking in the first number, so that one costs the other."""
        first = next(one for one in self.factors if isinstance(one, Numeric))
        return {first.name: -1.5}

    @cached_property
    def evidence(self) -> Any:
        return trials.evidence(self.round)

    @cached_property
    def found(self) -> Any:
        return trials.fit(self.evidence, self.liking)

    @cached_property
    def both(self) -> dict[str, Any]:
        return {name: trials.fit(self.evidence, name) for name in (self.liking, self.crispness)}

    @cached_property
    def best(self) -> Any:
        return trials.recommend(self.both, self.measures)


def _numbers(*names: str) -> tuple[Numeric, ...]:
    spans = itertools.cycle([(165, 180, "°C"), (92, 108, "%"), (20, 60, "min"), (4, 12, "%")])
    return tuple(Numeric(name, *span) for name, span in zip(names, spans, strict=False))


LONG = (
    "temperature of the frying oil",
    "water in all, milk and egg too",
    "minutes of proof before frying",
)
LONG_KINDS = ("butter of the village dairy 82", "lard rendered slowly at home 1", "sunflower oil")
assert all(len(name) >= 29 for name in LONG)


def cases() -> dict[str, Case]:
    """Return the hard cases by name."""
    two = _numbers("oil", "hydration")
    nine = _numbers(
        "oil temperature", "hydration", "proof", "sugar", "buckwheat share", "milk", "rest",
        "egg", "salt",
    )  # fmt: skip
    kinds = (
        *_numbers("oil temperature", "hydration"),
        Categorical("fat", ["butter", "lard", "sunflower oil"]),
        Categorical("shape", ["ring", "ball", "stick"]),
    )
    long = (*_numbers(*LONG), Categorical("fat that goes into the dough 1", list(LONG_KINDS)))
    people = ("Ada", "Ben", "Cleo", "Dev")
    every = Failure({}, 1.0, "burned")
    hot = Failure({"oil temperature": 180.0, "hydration": 108.0}, 1.0, "burned")
    strong = {"oil temperature": 0.9, "hydration": 0.7, "oil temperature:hydration": -1.2}
    made = [
        Case("two factors", two, 12, people, {"oil": 1.2, "oil^2": -0.8, "oil:hydration": -1.0},
             "quadratic", days=2),
        Case("nine factors", nine, 12, people, strong, days=2),
        Case("three-level kinds", kinds, 18, people,
             {**strong, "fat": {"butter": 0.6, "lard": 0.0, "sunflower oil": -0.6}},
             ["oil temperature", "hydration", "fat", "shape", "oil temperature:hydration",
              "hydration:fat"], days=3, references=3, failures=(hot,)),
        Case("long names", long, 16,
             ("Adalbert of the Upper Village", "Bernadette from the Corner Shop",
              "Cleo", "Dev"),
             {LONG[0]: 1.2, LONG[1]: -0.8, f"{LONG[0]}:{LONG[1]}": 1.3},
             [*LONG, long[3].name, f"{LONG[0]}:{LONG[1]}"], days=2,
             liking="liking of the crumb when cold 1", crispness="crispness of the crust, warm 1"),
        Case("six bakes, one taster", two, 6, ("Ada",), {"oil": 1.5}, "interactions"),
        Case("one bake", two, 8, people, {"oil": 1.5}, "interactions", scored=1),
        Case("all failed", two, 8, people, {"oil": 1.5}, "interactions", failures=(every,)),
    ]  # fmt: skip
    return {one.name: one for one in made}


@dataclass(frozen=True, eq=False)
class Development:
    """Rounds that follow one another, for the story."""

    rounds: int

    @cached_property
    def story(self) -> Any:
        with tempfile.TemporaryDirectory() as home:
            last = scored(first_round(Path(home) / "round-1"))
            for place, action in enumerate(("decide", "confirm")[: self.rounds - 1], start=2):
                last = scored(write_next(last, 6, action=action), seed=place)
            return trials.tell(last)


def hill() -> Any:
    """Return a fit with bends over three numbers, so that its maps have a summit."""
    factors = _numbers("oil temperature", "hydration", "proof")
    spots = [(-1, 0, 1)] * 3
    rows = [row for row in itertools.product(*spots) if sum(map(abs, row)) != 3] + [(0, 0, 0)] * 3
    coded = np.array(rows, dtype=float)
    table = pd.DataFrame({one.name: one.decode(coded[:, at]) for at, one in enumerate(factors)})
    rng = np.random.default_rng(4)
    bend = 6.5 - (coded[:, 0] - 0.3) ** 2 - 0.8 * coded[:, 1] ** 2 + 0.5 * coded[:, 2]
    table["liking"] = bend + rng.normal(0, 0.25, len(table))
    table["bake"] = [f"B{n:02d}" for n in range(1, len(table) + 1)]
    return trials.fit(table, "liking", factors, model="quadratic")


def filtration() -> Any:
    """Return the fit of a published two-level plan without repeats (Montgomery)."""
    home = Path(__file__).parents[1] / "reference"
    table = pd.read_csv(home / "filtration_2p4.csv")
    names = "ABCD"
    model = [":".join(own) for n in range(1, 5) for own in itertools.combinations(names, n)]
    return trials.fit(table, "y", list(names), model=model, groups=())


def pictures() -> Iterator[tuple[str, str, Callable[[], Picture]]]:
    """Give every picture with every hard case: case, picture, and what draws it."""
    draw = trials.pictures
    for name, case in cases().items():
        yield name, "effects", lambda case=case: draw.effects(case.found)
        yield name, "interactions", lambda case=case: _pairs(case)
        yield name, "contours", lambda case=case: draw.contours(case.found)
        yield (
            name,
            "contours with star",
            lambda case=case: draw.contours(case.found, at=case.best.settings),
        )
        yield name, "frontier", lambda case=case: draw.frontier(case.both, case.measures)
        yield name, "good_region", lambda case=case: draw.good_region(case.best)
        yield name, "failure_map", lambda case=case: draw.failure_map(trials.failing(case.round))
        yield name, "residuals", lambda case=case: draw.residuals(trials.diagnostics(case.found))
        yield name, "influence", lambda case=case: draw.influence(trials.diagnostics(case.found))
        yield name, "tasters", lambda case=case: draw.tasters(trials.describe_tasters(case.found))
        yield name, "places", lambda case=case: draw.places(trials.describe_tasters(case.found))
        yield name, "half_normal", lambda case=case: draw.half_normal(case.found)
        for plain in (
            "plan_errors", "plan_relations", "plan_map", "plan_predictions", "plan_efficiency",
            "plan_leverage", "plan_error_sources",
        ):  # fmt: skip
            yield name, plain, lambda case=case, plain=plain: getattr(draw, plain)(case.plan)
        yield (
            name,
            "chance_by_bakes",
            lambda case=case: draw.chance_by_bakes(
                case.plan, effect=CHANCE, tasters=len(case.tasters)
            ),
        )
        yield name, "bake_day", lambda case=case: draw.bake_day(trials.timetable(case.round))
    several = lambda: {one.name: one.plan for one in list(cases().values())[:4]}  # noqa: E731
    yield "several plans", "plan_predictions", lambda: draw.plan_predictions(several())
    yield "several plans", "chance_by_bakes", lambda: draw.chance_by_bakes(several(), effect=CHANCE)
    for rounds in (1, 2, 3):
        told = Development(rounds)
        yield f"{rounds} rounds", "story", lambda told=told: draw.story(told.story)
    yield "hill", "contours", lambda: draw.contours(hill())
    yield "filtration", "half_normal", lambda: draw.half_normal(filtration())
    demo = large_demo.plan()
    for plain in ("plan_errors", "plan_relations", "plan_map", "plan_leverage"):
        yield "large demo", plain, lambda plain=plain: getattr(draw, plain)(demo)


def _pairs(case: Case) -> Picture:
    names = [one.name for one in case.factors]
    pairs = [(names[0], names[1]), (names[1], names[-1])]
    return trials.pictures.interactions(case.found, pairs[: 1 if len(names) == 2 else 2])


def write_pictures(folder: Path, only: str = "") -> list[str]:
    """Write every picture; return what was refused, with the reason."""
    folder.mkdir(parents=True, exist_ok=True)
    refused = []
    for case, name, drawn in pictures():
        if only and only not in f"{case} {name}":
            continue
        stem = f"{name}-{case}".replace(" ", "_").replace(",", "")
        try:
            picture = drawn()
        except TrialsError as error:
            refused.append(f"{case}, {name}: {error}")
            continue
        for ending, figure in (("", picture.figure), ("-narrow", picture.narrow)):
            if figure is not None:
                path = folder / f"{stem}{ending}.png"
                path.write_bytes(picture.png(100, figure))
                Image.open(path).convert("L").save(folder / f"{stem}{ending}-grey.png")
    return refused


def write_papers(folder: Path, only: str = "") -> list[str]:
    """Print every sheet, page and ballot of every case; return what was refused."""
    folder.mkdir(parents=True, exist_ok=True)
    refused = []
    for name, case in cases().items():
        if only and only not in name:
            continue
        try:
            trials.report(case.round)
        except TrialsError as error:
            refused.append(f"{name}, page: {error}")
        home = case.round.folder
        found = [*sorted(home.glob("*.html")), *sorted((home / "ballots").glob("*.html"))[:4]]
        for page in found:
            stem = f"{page.stem}-{name}".replace(" ", "_").replace(",", "")
            pdf(page.read_text("utf-8"), folder / f"{stem}.pdf")
    return refused


def main() -> int:
    """Write the gallery into a folder."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("folder", type=Path)
    asked.add_argument("--pictures", action="store_true", help="only the pictures")
    asked.add_argument("--sheets", action="store_true", help="only sheets, pages and ballots")
    asked.add_argument("--only", default="", help="only what has this word in its name")
    given = asked.parse_args()
    start, refused = time.monotonic(), []
    if given.pictures or not given.sheets:
        refused += write_pictures(given.folder / "pictures", given.only)
    if given.sheets or not given.pictures:
        if find_browser() is None:
            print("No browser is installed, so no sheet is printed.")
        else:
            refused += write_papers(given.folder / "sheets", given.only)
    for one in refused:
        print(f"refused: {one}")
    made = sum(1 for one in given.folder.rglob("*.p*") if one.is_file())
    print(f"{made} files in {given.folder}, {time.monotonic() - start:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
