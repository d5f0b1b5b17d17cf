"""The serving plan: what each taster gets, at which sitting, in which place, under which code."""

import html
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trials.tasting.allocation import Task, allocate
from trials.tasting.balance import (
    REFERENCE,
    REPEAT,
    SAMPLE,
    WARM_UP,
    balance_in_words,
    measure_balance,
)
from trials.tasting.codes import draw_codes
from trials.tasting.orders import balanced_orders
from trials.tasting.panel import Taster
from trials.tasting.request import Day, ServingRequest, check_request

COLUMNS = ("taster", "sitting", "position", "bake", "code", "kind")
_CODES_STREAM = 10_000  # codes are drawn apart from the orders of each day


@dataclass(frozen=True, eq=False)
class ServingPlan:
    """Who gets what, when, in which place and under which code. For the kitchen, not for tasters.

    Parameters
    ----------
    table : DataFrame
        One row a serving: taster, sitting (1, 2, ... over the whole round), position (1, 2, ...;
        a warm-up stands at 0), bake, code (text) and kind (``warm-up``, ``sample``,
        ``reference`` or ``repeat``).
    sitting_days : tuple of (int, day)
        The day of each sitting.
    balance : DataFrame
        One row a day: how even it came out (columns as in ``measure_balance``).
    notes : tuple of str
        What could not be had, in words.
    request : ServingRequest
        What was asked.
    retired : tuple of (int, str)
        Sittings and codes of servings that were planned once and dropped: never used again.
    """

    table: pd.DataFrame
    sitting_days: tuple[tuple[int, Day], ...]
    balance: pd.DataFrame
    notes: tuple[str, ...]
    request: ServingRequest
    retired: tuple[tuple[int, str], ...] = ()

    @property
    def position_gap(self) -> int:
        """The largest difference between two bakes' counts at one place, over all days."""
        return int(self.balance["position_gap"].max())

    @property
    def follows_excess(self) -> float:
        """How far the neighbours are from even: 0 is as even as whole numbers allow."""
        return float(self.balance["follows_excess"].max())

    @property
    def efficiency(self) -> float:
        """The average efficiency factor of the least efficient day."""
        return float(self.balance["efficiency"].min())

    @property
    def bound(self) -> float:
        """The most the efficiency of that day could be."""
        return float(self.balance.loc[self.balance["efficiency"].idxmin(), "bound"])

    @property
    def sentence(self) -> str:
        """How even the plan is, in plain words."""
        return " ".join(balance_in_words(row) for row in self.balance.to_dict("records"))

    def _repr_html_(self) -> str:
        notes = "".join(f"<p>{html.escape(note)}</p>" for note in self.notes)
        return f"<p>{html.escape(self.sentence)}</p>{notes}" + self.table.to_html(
            index=False, escape=True
        )


def serving_plan(
    tasters: Iterable[Taster | str],
    bakes: Iterable[str],
    *,
    per_sitting: int,
    sittings: int | None = None,
    days: Mapping[str, Day] | None = None,
    avoid: Mapping[str, Iterable[str]] | None = None,
    reference: str | Mapping[Day, str] | None = None,
    warm_up: str | Mapping[Day, str] | None = None,
    reference_named: bool = False,
    repeats: int = 0,
    seed: int,
) -> ServingPlan:
    """Plan who tastes what, in which order and under which code.

    Parameters
    ----------
    tasters : iterable of Taster or str
    bakes : iterable of str
        The bakes to be scored, without the reference.
    per_sitting : int
        Most scored samples a taster gets at one sitting, reference and hidden repeats included;
        4 to 6 when rich or fried, 6 to 8 when light (common practice, no source).
    sittings : int, optional
        How many sittings a day. Left out: as many as it takes for every taster to meet every bake.
        Fewer: each taster meets some of the bakes.
    days : mapping of bake to day, optional
        A bake is served only at a sitting of its day. The day may be any label of the time in
        which bakes are fresh together ("Saturday morning").
    avoid : mapping of taster to bakes, optional
        Bakes never served to a taster, reference and warm-up included (``bakes_to_avoid`` works
        them out). Needed for each taster who avoids anything.
    reference, warm_up : str or mapping of day to str, optional
        The reference bake served to everybody at each sitting, and the unscored first sample.
    reference_named : bool
        True when tasters are told which sample is the reference: it then stands first, after the
        warm-up. False: it takes its turn under a code like any other.
    repeats : int
        Bakes served twice to a taster within one sitting, under a second code.
    seed : int
        The same seed gives the same plan.

    Returns
    -------
    ServingPlan

    Raises
    ------
    TastingError
        When something is missing or contradictory, or the codes run out.

    Notes
    -----
    First the bakes are shared out over tasters and sittings (``allocate``), then each sitting is
    put in order (``balanced_orders``), each day for itself.

    References
    ----------
    Williams (1949), MacFie et al. (1989) for orders; ISO 29842 for incomplete blocks.

    Examples
    --------
    >>> plan = serving_plan(["Ida", "Bo", "Mia", "Jon"], ["B01", "B02", "B03", "B04"],
    ...     per_sitting=4, seed=7)
    >>> print(plan.sentence)
    Each of 4 bakes is tasted 4 times, in 1 sitting. Every bake stands at each place as often as
    any other. Each is served right after each other once, as even as can be. Every sitting holds
    every bake, so they compare as well as can be.
    """
    request = check_request(
        tasters,
        bakes,
        per_sitting=per_sitting,
        sittings=sittings,
        days=days,
        avoid=avoid,
        reference=reference,
        warm_up=warm_up,
        reference_named=reference_named,
        repeats=repeats,
        seed=seed,
    )
    sitting_days = _number_sittings(request)
    tables = []
    for turn, (day, of_day) in enumerate(request.days):
        numbers = [number for number, its_day in sitting_days if its_day == day]
        wanted = {
            taster: [bake for bake in of_day if request.may_have(taster, bake)]
            for taster in request.tasters
            if request.is_there(taster, day)
        }
        rng = np.random.default_rng([request.seed, turn])
        tables.append(plan_day(request, day, wanted, numbers, rng))
    table = pd.concat(tables, ignore_index=True)
    table = in_serving_order(table, request.tasters)
    codes = draw_codes(
        table["sitting"].tolist(), seed=np.random.default_rng([request.seed, _CODES_STREAM])
    )
    return finished(table.assign(code=codes), sitting_days, request)


def plan_day(
    request: ServingRequest,
    day: Day,
    wanted: Mapping[str, Sequence[str]],
    sittings: Sequence[int],
    rng: np.random.Generator,
    kept: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Plan the servings of one day, without codes.

    Parameters
    ----------
    request : ServingRequest
    day : object
    wanted : mapping of taster to bakes
        What each taster to be planned for is still to taste on that day.
    sittings : sequence of int
        The numbers of the sittings to be planned.
    rng : Generator
    kept : DataFrame, optional
        Rows of that day that stand: counted in the balance, not touched.

    Returns
    -------
    DataFrame
        With the columns of a serving plan; ``code`` is empty text.

    Examples
    --------
    >>> request = check_request(["Ida"], ["B01"], per_sitting=1, sittings=None, days=None,
    ...     avoid=None, reference=None, warm_up=None, reference_named=False, repeats=0, seed=1)
    >>> plan_day(request, "", {"Ida": ["B01"]}, [1], np.random.default_rng(1)).values.tolist()
    [['Ida', 1, 1, 'B01', '', 'sample']]
    """
    bakes = dict(request.days)[day]
    number = {bake: i for i, bake in enumerate(bakes)}
    kept = pd.DataFrame(columns=list(COLUMNS)) if kept is None else kept
    standing = [
        [number[bake] for bake in block["bake"]]
        for _, block in kept[kept["kind"] == SAMPLE].groupby(["taster", "sitting"])
    ]
    task = Task(
        choices=[[number[bake] for bake in mine] for mine in wanted.values()],
        sittings=[len(sittings)] * len(wanted),
        room=request.room,
        bakes=len(bakes),
        kept=standing,
    )
    shares = allocate(task, rng)
    seats = [
        (taster, sitting, block)
        for taster, blocks in zip(wanted, shares, strict=True)
        for sitting, block in zip(sittings, blocks, strict=True)
        if block
    ]
    blocks = _with_extras(request, day, seats, len(bakes), rng)
    orders = balanced_orders(blocks, rng, kept=_standing_orders(kept, number))
    rows = []
    for (taster, sitting, _), block, order in zip(seats, blocks, orders, strict=True):
        servings = [(bakes, block[sample], sample) for sample in order]
        rows += _rows(request, day, taster, sitting, servings)
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _with_extras(
    request: ServingRequest,
    day: Day,
    seats: Sequence[tuple[str, int, list[int]]],
    bakes: int,
    rng: np.random.Generator,
) -> list[dict[int, int]]:
    """Add the blind reference (number ``bakes``) and the hidden repeats (the numbers after it)."""
    repeated = np.zeros(bakes, dtype=int)
    blocks = []
    reference = dict(request.reference).get(day)
    for taster, _, block in seats:
        samples = {bake: bake for bake in block}
        if reference and not request.reference_named and request.may_have(taster, reference):
            samples[bakes] = bakes
        twice = sorted(block, key=lambda bake: (repeated[bake], rng.random()))
        for i in range(request.repeats):
            bake = twice[i % len(twice)]
            repeated[bake] += 1
            samples[bakes + 1 + i] = bake
        blocks.append(samples)
    return blocks


def _standing_orders(kept: pd.DataFrame, number: Mapping[str, int]) -> list[list[tuple[int, int]]]:
    reference, orders = len(number), []
    scored = kept[kept["kind"] != WARM_UP].sort_values("position")
    for _, sitting in scored.groupby(["taster", "sitting"]):
        order, repeats = [], 0
        for bake, kind in zip(sitting["bake"], sitting["kind"], strict=True):
            if kind == REPEAT:
                repeats += 1
                order.append((reference + repeats, number[bake]))
            else:
                sample = number.get(bake, reference)
                order.append((sample, sample))
        orders.append(order)
    return orders


def _rows(
    request: ServingRequest,
    day: Day,
    taster: str,
    sitting: int,
    servings: Sequence[tuple[tuple[str, ...], int, int]],
) -> list[tuple]:
    """Write one sitting of one taster: the warm-up, a named reference, then the order."""
    rows: list[tuple] = []
    warm_up, reference = dict(request.warm_up).get(day), dict(request.reference).get(day)
    if warm_up and request.may_have(taster, warm_up):
        rows.append((taster, sitting, 0, warm_up, "", WARM_UP))
    place = 1
    if reference and request.reference_named and request.may_have(taster, reference):
        rows.append((taster, sitting, place, reference, "", REFERENCE))
        place += 1
    for bakes, bake, sample in servings:
        if sample == len(bakes):
            rows.append((taster, sitting, place, reference, "", REFERENCE))
        else:
            kind = SAMPLE if sample < len(bakes) else REPEAT
            rows.append((taster, sitting, place, bakes[bake], "", kind))
        place += 1
    return rows


def _number_sittings(request: ServingRequest) -> tuple[tuple[int, Day], ...]:
    days = [day for day, count in request.sittings for _ in range(count)]
    return tuple(enumerate(days, start=1))


def in_serving_order(table: pd.DataFrame, tasters: Sequence[str]) -> pd.DataFrame:
    """Sort servings by sitting, then as the tasters are named, then by place.

    Examples
    --------
    >>> table = pd.DataFrame({"taster": ["Bo", "Ida"], "sitting": 1, "position": 1})
    >>> in_serving_order(table, ["Ida", "Bo"])["taster"].tolist()
    ['Ida', 'Bo']
    """
    turn = table["taster"].map({name: i for i, name in enumerate(tasters)})
    keys = table.assign(turn=turn).sort_values(["sitting", "turn", "position"], kind="stable")
    return keys.drop(columns="turn").reset_index(drop=True)


def finished(
    table: pd.DataFrame,
    sitting_days: tuple[tuple[int, Day], ...],
    request: ServingRequest,
    notes: Sequence[str] = (),
    retired: tuple[tuple[int, str], ...] = (),
) -> ServingPlan:
    """Return a plan with its balance measured and its shortcomings said.

    Examples
    --------
    >>> plan = serving_plan(["Ida"], ["B01", "B02"], per_sitting=2, seed=1)
    >>> finished(plan.table, plan.sitting_days, plan.request).position_gap
    1
    """
    day_of = dict(sitting_days)
    of_sitting = table["sitting"].map(day_of)
    balance = pd.DataFrame(
        [
            measure_balance(table[of_sitting == day], day, bakes)
            for day, bakes in request.days
            if (of_sitting == day).any()
        ]
    )
    return ServingPlan(
        table=table,
        sitting_days=sitting_days,
        balance=balance,
        notes=(*notes, *_notes(table, balance, request)),
        request=request,
        retired=retired,
    )


def _notes(table: pd.DataFrame, balance: pd.DataFrame, request: ServingRequest) -> tuple[str, ...]:
    notes = [
        f"{taster} comes on day {', '.join(map(str, days))} only: those scores compare the bakes "
        "of a day; who comes every day and the reference bridge the days."
        for taster, days in request.comes
    ]
    for taster, bakes in request.avoid:
        if bakes:
            notes.append(f"{taster} is never served {', '.join(sorted(bakes))}.")
    untasted = [bake for bake in request.bakes if bake not in set(table["bake"])]
    if untasted:
        notes.append(
            f"Nobody tastes {', '.join(untasted)}: there are too few places at the table. "
            "Add sittings or tasters."
        )
    for row in balance.to_dict("records"):
        if row["bakes"] > 1 and row["efficiency"] == 0:
            where = f" of day {row['day']}" if row["day"] != "" else ""
            parts = f"The bakes{where} fall into parts that are never tasted at one sitting:"
            notes.append(
                f"{parts} the reference, served at every sitting, is what bridges them."
                if row["day"] in dict(request.reference)
                else f"{parts} between the parts they can be told apart only across sittings. Add "
                "sittings, tasters or places, or a reference."
            )
    return tuple(notes)
