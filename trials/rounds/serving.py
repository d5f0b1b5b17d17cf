"""Who is served what in a round: drawn once, kept, and mended when the round changes midway."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from trials.base.errors import Place, TastingError
from trials.base.files import write_csv, write_text
from trials.base.words import in_words
from trials.core.factors import Numeric, is_blank
from trials.core.plan import Plan
from trials.core.roles import Role
from trials.rounds.forms import (
    SERVING,
    SERVING_COLUMNS,
    TASTINGS,
    read_serving,
    scored_servings,
)
from trials.rounds.gathering import gather, sources
from trials.rounds.idea import IDEA
from trials.rounds.round import FRESH, PLAN, SETTINGS, Round
from trials.rounds.safe import check_served, kept_from, kept_words, who_tastes_nothing
from trials.rounds.timetable import parts_of_days, timetable
from trials.tasting.panel import Taster, never_served
from trials.tasting.replanning import replan_servings
from trials.tasting.serving import (
    REFERENCE,
    REPEAT,
    SAMPLE,
    Day,
    ServingPlan,
    check_request,
    draw_codes,
    finished,
    in_serving_order,
    serving_plan,
)

LOST = ("failed", "not served")
MOST_DRAWN = 40  # serving orders tried for one taster
LIKE_BAKING = 0.5  # rank correlation with the order of baking that is little enough
_NEXT_DRAW = 7_919  # between the seeds of two draws
RICH_SITTING = 6  # samples at once that a palate takes when they are rich (common practice)
WHOLE_SITTING = 8  # bakes of a day that one or two tasters rather meet at once than never together
FEW = 2  # tasters: so few that their own repeatability has to be measured
_COPIED = 2.0  # seconds that files of a folder that was copied lie apart
SERVING_NOTES, CODES = "serving-notes.txt", "code-sheet.html"


def drawn_serving(round_: Round) -> pd.DataFrame:
    """Return who is served what, drawn now if it was not drawn before.

    With one or two tasters, one bake of each sitting comes back under a second code, so that
    their own repeatability is measured; and where every day has a reference bake, it is served at
    every sitting and bridges the days.
    """
    if not round_.tasters or not any(one.per == "tasting" for one in round_.measures):
        return pd.DataFrame()
    serving, there = read_serving(round_), (round_.folder / SERVING).exists()
    if len(serving) and (there or _is_safe(round_, serving)):
        check_served(round_, serving)
        if not there:
            # Taken away: who was promised which code keeps it
            write_csv(serving, round_.folder / SERVING)
        return serving
    if len(serving) and _entered(round_, serving):
        raise TastingError(
            "the servings that were drawn would put before a taster what they avoid, and scores "
            "are entered by their codes: drawn anew, a code would mean another bake. Take the "
            "taster off with trials replan --leaves, or mend what they avoid in round.toml.",
            Place(SERVING),
        )
    for sentence in who_tastes_nothing(round_, kept_from(round_)).values():
        raise TastingError(sentence)
    plan = _fresh(round_) if round_.taste == FRESH else _together(round_)
    write_csv(plan.table, round_.folder / SERVING)
    write_text(round_.folder / SERVING_NOTES, "\n".join(_told(round_, plan)) + "\n")
    return plan.table


def _together(round_: Round) -> ServingPlan:
    """Return who is served what where the pieces of a sitting are tasted at once, held alike.

    With one taster nothing averages the order out: of several draws the first is taken in which
    the order of serving says little of the order of baking.
    """
    bakes = round_.plan.table
    bakes["part"] = _parts_of_days(round_)
    per_sitting = round_.sitting or RICH_SITTING
    few = len(round_.tasters) <= FEW
    whole = _whole_sitting(round_, bakes)
    if whole and round_.sitting is None:
        per_sitting = max(per_sitting, whole)
    reference = _reference_of_days(bakes) if few and per_sitting > 2 else {}
    scored = bakes[~bakes["bake"].isin(reference.values())]
    tasters, never = round_.tasters, {name: set(own) for name, own in kept_from(round_).items()}
    if set(bakes["part"]) != set(bakes["day"]):
        # Parts of days are no days: who stays away on some is kept from what is baked on them
        for one in tasters:
            away = bakes.loc[~bakes["day"].isin(one.days), "bake"] if one.days else []
            if len(away):
                never[one.name] = never.get(one.name, set()) | set(away)
        tasters = tuple(map(_always, tasters))
    drawn = []
    for turn in range(MOST_DRAWN if len(round_.tasters) == 1 else 1):
        plan = serving_plan(
            tasters,
            scored["bake"],
            per_sitting=per_sitting,
            days=dict(zip(scored["bake"], scored["part"], strict=True)),
            avoid=never,
            reference=reference or None,
            repeats=1 if few and per_sitting > 2 else 0,
            seed=round_.seed + turn * _NEXT_DRAW,
        )
        drawn.append((_follows_baking(plan.table, bakes), turn, plan))
        if drawn[-1][0] <= LIKE_BAKING:
            break
    return min(drawn, key=lambda one: one[:2])[2]


def _whole_sitting(round_: Round, bakes: pd.DataFrame) -> int:
    """Return how many pieces one sitting for all bakes has; 0 where they are too many for one.

    Split over sittings, the bakes of one or two tasters fall into halves that never meet.
    """
    small = len(round_.tasters) <= FEW and len(bakes) <= WHOLE_SITTING
    return len(bakes) + 1 if small and bakes["part"].nunique() == 1 else 0


def _follows_baking(serving: pd.DataFrame, bakes: pd.DataFrame) -> float:
    """Return how closely the order of serving follows that of baking at the worst sitting.

    The rank correlation (Spearman 1904), either way round; of two pieces it says nothing.
    """
    baked = {bake: at for at, bake in enumerate(bakes["bake"])}
    worst = 0.0
    for _, own in serving[serving["place"] > 0].groupby(["taster", "sitting"]):
        order = own["bake"].map(baked).rank()
        if len(own) > 2 and order.nunique() > 1:
            worst = max(worst, abs(float(order.corr(own["place"].rank()))))
    return worst


def _parts_of_days(round_: Round) -> list[Any]:
    """Return the part of its day at which each bake is tasted: what keeps long enough together."""
    days = [int(day) for day in round_.plan.rows["day"]]
    if not round_.steps:
        return days
    parts = parts_of_days(round_)
    part = {row["bake"]: int(row["part"]) for row in parts.to_dict("records")}
    several = set(parts.loc[parts["part"] > 1, "day"])
    return [
        (f"{day}, part {part[bake]}" if day in several else day)
        for bake, day in zip(round_.plan.rows["bake"], days, strict=True)
    ]


def _fresh(round_: Round) -> ServingPlan:
    """Return who is served what where each piece is tasted as it is ready, in baking order."""
    bakes = round_.plan.table
    if round_.steps:
        made = timetable(round_)
        last = made.tasks.groupby("bake")["end"].max()
        bakes = bakes.assign(end=bakes["bake"].map(last)).sort_values(["day", "end"], kind="stable")
    plan = serving_plan(
        round_.tasters,
        bakes["bake"],
        per_sitting=max(2, int(bakes.groupby("day").size().max())),
        days=dict(zip(bakes["bake"], bakes["day"], strict=True)),
        avoid=kept_from(round_),
        seed=round_.seed,
    )
    at = {bake: place for place, bake in enumerate(bakes["bake"])}
    table = plan.table.assign(at=plan.table["bake"].map(at))
    table = table.sort_values(["taster", "sitting", "at"], kind="stable").drop(columns="at")
    table["place"] = table.groupby(["taster", "sitting"]).cumcount() + 1
    table = in_serving_order(table, [one.name for one in round_.tasters])
    return replace(plan, table=table)


def write_notes(round_: Round, serving: pd.DataFrame) -> None:
    """Write what is to be known of servings that were mended, as of those drawn first."""
    bakes = round_.plan.table.assign(part=_parts_of_days(round_))
    samples = serving[serving["kind"] == SAMPLE]
    part_of = _parts_that_meet(samples, dict(zip(bakes["bake"], bakes["part"], strict=True)))
    of_sitting = {int(at): part_of[own.iloc[0]] for at, own in samples.groupby("sitting")["bake"]}
    bridges = {
        of_sitting[int(row.sitting)]: str(row.bake)
        for row in serving[serving["kind"] == REFERENCE].itertuples(index=False)
        if int(row.sitting) in of_sitting
    }
    bridges = bridges if set(bridges) == set(of_sitting.values()) else {}
    scored = [bake for bake in bakes["bake"] if bake in set(samples["bake"])]
    scored = [bake for bake in scored if bake not in bridges.values()]
    known = {*scored, *bridges.values()}
    kept = {name: set(own) & known for name, own in kept_from(round_).items()}
    tasters = [one for one in round_.tasters if one.name in set(serving["taster"])]
    if not tasters or not scored:
        return  # a round may name nobody, its servings being all that is known
    request = check_request(
        [_always(one) for one in tasters],
        scored,
        per_sitting=max(3, int(serving.groupby(["taster", "sitting"]).size().max())),
        sittings=None,
        days={bake: part_of[bake] for bake in scored},
        avoid={one.name: kept.get(one.name, set()) for one in tasters},
        reference=bridges or None,
        warm_up=None,
        reference_named=False,
        repeats=0,
        seed=round_.seed,
    )
    plan = finished(serving, tuple(sorted(of_sitting.items())), request)
    write_text(round_.folder / SERVING_NOTES, "\n".join(_told(round_, plan)) + "\n")


def _parts_that_meet(samples: pd.DataFrame, part_of: Mapping[str, Any]) -> dict[str, Any]:
    """Return the part of each bake, parts that a sitting was drawn from together being one.

    A change of the day's timetable divides the day otherwise than when the servings were drawn.
    """
    joined = {part: (part,) for part in part_of.values()}
    for _, own in samples.groupby("sitting")["bake"]:
        parts = {one for bake in own for one in joined[part_of[bake]]}
        meet = tuple(one for one in dict.fromkeys(part_of.values()) if one in parts)
        joined |= dict.fromkeys(meet, meet)
    words = {
        part: parts[0] if len(parts) == 1 else in_words(parts) for part, parts in joined.items()
    }
    return {bake: words[part] for bake, part in part_of.items()}


def _entered(round_: Round, serving: pd.DataFrame) -> bool:
    """Say whether anything was entered for pieces that were served."""
    entries = gather(round_, serving, sources(round_)).entries
    return any(kind == TASTINGS for kind, _, _ in entries)


def _is_safe(round_: Round, serving: pd.DataFrame) -> bool:
    """Say whether nobody would be served what they avoid; else it was taken away to draw anew."""
    try:
        check_served(round_, serving)
    except TastingError:
        return False
    return True


def _reference_of_days(bakes: pd.DataFrame) -> dict[Day, str]:
    """Return one reference bake for each part of a day; none unless each has one, and bakes."""
    references = bakes[bakes["role"] == Role.REFERENCE].groupby("part")["bake"].first()
    others = bakes[~bakes["bake"].isin(references)]
    parts = set(bakes["part"])
    found: dict[Day, str] = {part: str(bake) for part, bake in references.items()}
    return found if parts == set(found) == set(others["part"]) else {}


def _when_tasted(round_: Round) -> str:
    if round_.taste == FRESH:
        return (
            "Each piece is tasted as it is ready, all at the same age: the order of tasting is the "
            "order of baking, which was drawn by chance. Nothing comes back under a second code, "
            "as a piece would have to wait for it."
        )
    return (
        "The pieces of a sitting are tasted at once, held alike until the last of them is ready; "
        "the order of serving is not the order of baking."
    )


def hidden_repeats(round_: Round) -> str:
    """Return what a hidden repeat is and what it is for; empty where none is served."""
    few = 0 < len(round_.tasters) <= FEW and any(one.per == "tasting" for one in round_.measures)
    if not few or round_.taste == FRESH or (round_.sitting or RICH_SITTING) <= 2:
        return ""
    return (
        "At each sitting a taster gets one bake again, under another code (a hidden repeat): it "
        "shows how steady a taster is."
    )


def _told(round_: Round, plan: ServingPlan) -> list[str]:
    """Return what is to be known of a serving plan, the limits of a small panel included."""
    names = in_words(taster.name for taster in round_.tasters)
    told = [_when_tasted(round_)]
    told += [] if round_.taste == FRESH else [plan.sentence]
    told += _with_reasons(round_, plan)
    told += [] if round_.taste == FRESH else _on_sittings(round_, plan)
    if len(round_.tasters) <= FEW:
        told.append(f"Whatever is found is the liking of {names}, and of nobody else.")
        told += [said for said in [hidden_repeats(round_)] if said]
    cooks = [taster.name for taster in round_.tasters if taster.cooks]
    if cooks:
        do = "cooks and tastes" if len(cooks) == 1 else "cook and taste"
        told.append(
            f"{in_words(cooks)} {do}: let somebody else label the plates from the key in "
            f"{CODES}, which stays closed until the scores are in. Alone, blind yourself as "
            "page 2 of it shows: codes under the plates, shuffled, tasted before looking. A score "
            'given with the bake known is marked blind "no" and kept apart; one of which nothing '
            "is said does not count as blind."
        )
    return told


def _with_reasons(round_: Round, plan: ServingPlan) -> list[str]:
    """Return the notes of a serving plan; who is never served what, with the reason."""
    kept = dict(plan.request.avoid)
    told = kept_words(round_, kept)
    known = {never_served(name, bakes): told.get(name, "") for name, bakes in kept.items()}
    return [known.get(note) or note for note in plan.notes]


def _on_sittings(round_: Round, plan: ServingPlan) -> list[str]:
    """Return what a sitting asks of so few tasters: all at once, or why not and how to mend it."""
    bakes = round_.plan.table.assign(part=_parts_of_days(round_))
    pieces = _whole_sitting(round_, bakes)
    if not pieces:
        return []
    if plan.table["sitting"].nunique() > 1:
        return [
            "Bakes of different sittings compare badly with one taster or two. To taste all at "
            f"one sitting, plan again and write sitting = {pieces} into round.toml before the "
            "sheets are written."
        ]
    most = int(plan.table.groupby("taster").size().max())
    if most <= RICH_SITTING:
        return []
    return [
        f"All {most} pieces are tasted at one sitting, so that every bake is compared with every "
        "other: take small bites, rinse between them, and pause half way. For shorter sittings, "
        f"which compare less well, plan again and write sitting = {RICH_SITTING} into round.toml "
        "before the sheets are written."
    ]


# -- A serving plan when the round changes midway: codes and places already served stay.


@dataclass(frozen=True, eq=False)
class Mended:
    """Who is served what once a round has changed.

    Parameters
    ----------
    table : DataFrame
        As `serving.csv` holds it.
    said : tuple of str
        What changed, in sentences.
    retired : tuple of (str, int, str)
        Taster, sitting and code of servings taken off; such a code is not given out again.
    stood : mapping
        Where a serving stood that moved, [sitting, place] by "taster code".
    """

    table: pd.DataFrame
    said: tuple[str, ...] = ()
    retired: tuple[tuple[str, int, str], ...] = ()
    stood: Mapping[str, list[int]] = field(default_factory=dict)


def mended(
    before: Round,
    after: Round,
    serving: pd.DataFrame,
    entered: Iterable[tuple[str, str]],
    *,
    leaves: Sequence[str] = (),
    held: int | None = None,
    lost: Iterable[str] = (),
) -> Mended:
    """Return who is served what after a change of plan or of tasters.

    Parameters
    ----------
    before, after : Round
    serving : DataFrame
        As it was drawn.
    entered : iterable of (taster, code)
        Pieces that something was entered for.
    leaves : sequence of str
        Who tastes no more.
    held : int, optional
        The last sitting that was held, where nothing was entered for it yet.
    lost : iterable of str
        Bakes that can not be served.
    """
    serving = serving.copy()
    if serving.empty:
        return Mended(serving)
    known = set(entered)
    last = max(_last_held(serving, known), held or 0)
    rng = np.random.default_rng(after.seed + len(serving))
    old = list(map(list, after.plan.details.get("retired", ())))
    gone = {(int(sitting), str(code)) for _, sitting, code in old}
    said: list[str] = []
    serving, retired, told = _without(serving, known, leaves, last)
    said += told
    gone |= {(sitting, code) for _, sitting, code in retired}
    places = _places(serving)
    serving, told = _on_their_day(before.plan, after.plan, serving, known, last)
    said += told
    newcomers = [one.name for one in after.tasters if one.name not in set(serving["taster"])]
    newcomers = [name for name in newcomers if name not in leaves]
    if newcomers:
        serving, told = _joined(after, serving, newcomers, last, gone, set(lost), rng)
        said += told
    lost = set(lost)
    serving = _served_anew(before, after, serving, known, last, gone, rng, newcomers, lost)
    serving, off, told = _without_lost(serving, known, lost, last)
    retired += off
    said += told
    now = _places(serving)
    stood = {
        f"{taster} {code}": list(at)
        for (taster, code), at in places.items()
        if (taster, code) in now and now[taster, code] != at
    }
    serving = serving.sort_values(["taster", "sitting", "place"], kind="stable", ignore_index=True)
    check_served(after, serving)
    return Mended(serving, tuple(said), tuple(retired), stood)


def _without_lost(
    serving: pd.DataFrame, entered: set[tuple[str, str]], lost: set[str], last: int
) -> tuple[pd.DataFrame, list[tuple[str, int, str]], list[str]]:
    """Return the servings without those of bakes that can not be served, unless scored before."""
    keys = zip(serving["taster"].astype(str), serving["code"].astype(str), strict=True)
    off = serving["bake"].isin(lost).to_numpy() & ~np.array([key in entered for key in keys])
    if not off.any() or off.all():
        return serving, [], []
    retired = [
        (str(row.taster), int(row.sitting), str(row.code))
        for row in serving[off].itertuples(index=False)
    ]
    gone = list(dict.fromkeys(serving.loc[off, "bake"].astype(str)))
    serving = _closed_up(serving[~off], last)
    said = f"{in_words(gone)} can not be served: taken off the ballots and the key to the codes."
    return serving.reset_index(drop=True), retired, [said]


def _closed_up(serving: pd.DataFrame, last: int) -> pd.DataFrame:
    """Return the servings with no place left out after the sittings that were held.

    What stood on the table keeps its place: ballots that were filled in name it.
    """
    serving = serving.copy()
    coming = (serving["place"] > 0) & (serving["sitting"] > last)
    places = serving[coming].groupby(["taster", "sitting"])["place"]
    serving.loc[coming, "place"] = places.rank().astype(int)
    return serving


def _last_held(serving: pd.DataFrame, entered: set[tuple[str, str]]) -> int:
    keys = zip(serving["taster"].astype(str), serving["code"].astype(str), strict=True)
    held = [
        sitting for key, sitting in zip(keys, serving["sitting"], strict=True) if key in entered
    ]
    return int(max(held, default=0))


def _places(serving: pd.DataFrame) -> dict[tuple[str, str], tuple[int, int]]:
    return {
        (str(row.taster), str(row.code)): (int(row.sitting), int(row.place))
        for row in serving.itertuples(index=False)
    }


def _without(
    serving: pd.DataFrame, entered: set[tuple[str, str]], leaves: Sequence[str], last: int
) -> tuple[pd.DataFrame, list[tuple[str, int, str]], list[str]]:
    """Return the servings without those still to come of whom leaves."""
    keys = list(zip(serving["taster"].astype(str), serving["code"].astype(str), strict=True))
    stays = np.array([key in entered for key in keys]) | (serving["sitting"] <= last).to_numpy()
    off = serving["taster"].isin(leaves).to_numpy() & ~stays
    retired = [
        (str(row.taster), int(row.sitting), str(row.code))
        for row in serving[off].itertuples(index=False)
    ]
    said = []
    for name in leaves:
        count = sum(taster == name for taster, _, _ in retired)
        kept = bool((stays & (serving["taster"] == name).to_numpy()).any())
        said.append(
            f"{name} tastes no more: {count} piece{'' if count == 1 else 's'} taken off."
            + (" What was served so far stays, and its scores count." if kept else "")
        )
    return serving[~off].reset_index(drop=True), retired, said


def _on_their_day(
    before: Plan,
    after: Plan,
    serving: pd.DataFrame,
    entered: set[tuple[str, str]],
    last: int,
) -> tuple[pd.DataFrame, list[str]]:
    """Return the servings with each bake that moved to another day at a sitting of that day."""
    old = before.rows.set_index("bake")["day"]
    new = after.rows.set_index("bake")["day"]
    moved = [bake for bake in old.index if bake in new.index and old[bake] != new[bake]]
    said = []
    days: dict[int, set[int]] = {}
    for sitting, rows in serving.groupby("sitting"):
        days[int(sitting)] = {int(new[bake]) for bake in rows["bake"] if bake in new.index}
    # The whole sitting moves with its bakes where all of them do
    alone = serving["sitting"].map(lambda one: len(days[int(one)]) > 1)
    off = serving["bake"].isin(moved) & alone
    aside, serving = serving[off], _closed_up(serving[~off], last)
    fresh: dict[int, int] = {}
    for row in aside.to_dict("records"):
        day, taster = int(new[row["bake"]]), str(row["taster"])
        to = _open_sitting(serving, entered, taster, new, day, last, fresh)
        here = (serving["taster"] == taster) & (serving["sitting"] == to)
        row |= {"sitting": to, "place": int(here.sum()) + 1}
        serving = pd.concat([serving, pd.DataFrame([row])], ignore_index=True)
        code = row["code"]
        said.append(f"{taster} tastes {code} at sitting {to}, on day {day}, code unchanged.")
    return serving, said


def _open_sitting(
    serving: pd.DataFrame,
    entered: set[tuple[str, str]],
    taster: str,
    day_of: pd.Series,
    day: int,
    last: int,
    fresh: dict[int, int],
) -> int:
    """Return the shortest sitting of a day for which a taster has entered nothing, or a new one."""
    own = serving[serving["taster"] == taster]
    sizes = {}
    for sitting, rows in own.groupby("sitting"):
        held = any((taster, str(code)) in entered for code in rows["code"])
        # What is tasted again may come from another day: the sitting's day is its other bakes'
        its = {int(day_of[bake]) for bake in rows["bake"] if bake in day_of.index}
        if day in its and not held and int(sitting) > last:
            sizes[int(sitting)] = len(rows)
    if sizes:
        return min(sizes, key=lambda one: sizes[one])
    return fresh.setdefault(day, int(serving["sitting"].max()) + 1)


def _joined(
    after: Round,
    serving: pd.DataFrame,
    newcomers: Sequence[str],
    last: int,
    gone: set[tuple[int, str]],
    lost: set[str],
    rng: np.random.Generator,
) -> tuple[pd.DataFrame, list[str]]:
    """Return the servings with those of whom comes new, from the next sitting on."""
    samples = serving[serving["kind"] == SAMPLE]
    of_bake, of_sitting = _parts(samples)
    there = [one for one in after.tasters if one.name in set(serving["taster"])]
    joins = [one for one in after.tasters if one.name in newcomers]
    references = _references(serving, of_sitting)
    scored = [bake for bake in dict.fromkeys(samples["bake"]) if bake not in references.values()]
    known = {*scored, *references.values()}
    kept = {name: set(bakes) & known for name, bakes in kept_from(after).items()}
    avoid: dict[str, set[str]] = {
        one.name: kept.get(one.name, set())
        for one in (*there, *joins)
        if one.avoids or one.also_avoids or kept.get(one.name)
    }
    days_of = after.plan.rows.set_index("bake")["day"]
    request = check_request(
        [_always(one) for one in there],
        scored,
        per_sitting=int(serving.groupby(["taster", "sitting"]).size().max()),
        sittings=None,
        days={bake: of_bake[bake] for bake in scored},
        avoid={name: bakes for name, bakes in avoid.items() if name not in newcomers},
        reference=references or None,
        warm_up=None,
        reference_named=False,
        repeats=int((serving["kind"] == REPEAT).any()),
        seed=after.seed,
    )
    drawn = finished(
        serving,
        tuple(sorted(of_sitting.items())),
        request,
        retired=tuple(sorted(gone)),
    )
    for one in joins:
        away = {bake for bake in scored if one.days and int(days_of[bake]) not in one.days}
        avoid[one.name] = avoid.get(one.name, set()) | away | (lost & known)
    new = replan_servings(
        drawn,
        served=serving.loc[serving["sitting"] <= last, "code"],
        next_sitting=last + 1,
        joins=[_always(one) for one in joins],
        avoid={one.name: sorted(avoid[one.name]) for one in joins},
        seed=int(rng.integers(10**9)),
    )
    said = []
    for one in joins:
        own = new.table[new.table["taster"] == one.name]
        first = f" from sitting {int(own['sitting'].min())} on" if len(own) else ""
        count = f"{len(own)} piece{'' if len(own) == 1 else 's'}"
        said.append(f"{one.name} tastes{first}: {count}, under codes of their own.")
        missed = sorted({*scored} - set(own["bake"]) - avoid[one.name])
        if missed:
            said.append(f"{one.name} can not taste {in_words(missed)}: those sittings are over.")
    return new.table[list(SERVING_COLUMNS)].reset_index(drop=True), said


def _always(taster: Taster) -> Taster:
    return replace(taster, days=())


def _parts(samples: pd.DataFrame) -> tuple[dict[str, int], dict[int, int]]:
    """Return the part of a round that each bake and sitting is of: bakes that meet at sittings."""
    part: dict[int, int] = {int(one): int(one) for one in samples["sitting"].unique()}
    for _, rows in samples.groupby("bake"):
        meet = {part[int(one)] for one in rows["sitting"]}
        part = {one: min(meet) if of in meet else of for one, of in part.items()}
    bakes = {str(row.bake): part[int(row.sitting)] for row in samples.itertuples(index=False)}
    return bakes, part


def _references(serving: pd.DataFrame, part: Mapping[int, int]) -> dict[Day, str]:
    """Return the reference bake of each part, where every part has one at its sittings."""
    rows = serving[serving["kind"] == REFERENCE]
    found: dict[Day, str] = {
        part[int(row.sitting)]: str(row.bake)
        for row in rows.itertuples(index=False)
        if int(row.sitting) in part
    }
    return found if set(found) == set(part.values()) else {}


def _served_anew(
    before: Round,
    after: Round,
    serving: pd.DataFrame,
    entered: set[tuple[str, str]],
    last: int,
    gone: set[tuple[int, str]],
    rng: np.random.Generator,
    newcomers: Sequence[str],
    lost: set[str],
) -> pd.DataFrame:
    """Return the servings with the bakes that came in, at a place by chance in their sitting.

    A bake made again goes to those whom the lost one was meant for, any other to all who come;
    so does one that was said to be lost and is not.
    """
    day_of = after.plan.rows.set_index("bake")["day"]
    again = after.plan.details.get("rebaked", {})
    never = kept_from(after)
    fresh: dict[int, int] = {}
    # What went wrong when the round was last replanned may have been mended since
    stood = [
        bake
        for bake, (status, _) in before.plan.details.get("stands", {}).items()
        if status in LOST
    ]
    for bake in dict.fromkeys([*again, *after.plan.details.get("made besides", ()), *stood]):
        if bake in set(serving["bake"]) or bake in lost:
            continue
        meant = scored_servings(serving)
        for one in after.tasters:
            taster, day = one.name, int(day_of[bake])
            came = set(meant.loc[meant["taster"] == taster, "bake"])
            wanted = bool(came)
            # Nobody is served any more what was taken off: then all who come had it in view
            if bake in again and again[bake] in set(meant["bake"]):
                wanted = again[bake] in came or taster in newcomers
            if not wanted or bake in never.get(taster, ()) or (one.days and day not in one.days):
                continue
            sitting = _open_sitting(serving, entered, taster, day_of, day, last, fresh)
            taken = [*zip(serving["sitting"], serving["code"], strict=True), *gone]
            code = draw_codes([sitting], seed=rng, taken=taken)[0]
            here = (serving["taster"] == taster) & (serving["sitting"] == sitting)
            place = int(rng.integers(1, int(here.sum()) + 2))
            serving.loc[here & (serving["place"] >= place), "place"] += 1
            row = [taster, sitting, place, bake, code, SAMPLE]
            serving.loc[len(serving)] = dict(zip(SERVING_COLUMNS, row, strict=True))
    return serving


# -- What was written into round.toml by hand after the servings were drawn, and changes nothing.


def unheeded(round_: Round) -> list[str]:
    """Return what stands in `round.toml` and is not followed, with the command that takes it on.

    Servings are drawn once: a taster, a day or the size of a sitting that was written in by hand
    afterwards would be passed over in silence.
    """
    serving = read_serving(round_)
    told = _changed_idea(round_)
    if len(serving):
        told += _unheeded_tasters(round_, serving)
        most = int(serving[serving["place"] > 0].groupby(["taster", "sitting"]).size().max())
        if round_.sitting is not None and most > round_.sitting:
            told.append(
                f"sitting = {round_.sitting} in round.toml is not followed: sittings of up to "
                f"{most} pieces were drawn before, and stay as they are."
            )
    for factor in round_.plan.factors:
        if isinstance(factor, Numeric):
            told += _beyond(round_, factor)
    return told


def _changed_idea(round_: Round) -> list[str]:
    """Say so where the idea was changed after it was planned, and what was planned still stands."""
    idea, planned = round_.folder / IDEA, [round_.folder / one for one in (PLAN, SETTINGS)]
    if not all(one.is_file() for one in (idea, *planned)):
        return []
    if idea.stat().st_mtime <= max(one.stat().st_mtime for one in planned) + _COPIED:
        return []
    return [
        f"{IDEA} was changed after this plan was made, and everything here is of the plan as it "
        "is. To plan the changed idea: trials plan FOLDER, which says what to do once scores are in"
    ]


def _unheeded_tasters(round_: Round, serving: pd.DataFrame) -> list[str]:
    told, drawn = [], set(serving["taster"])
    day_of = round_.plan.rows.set_index("bake")["day"]
    for one in round_.tasters:
        if one.name not in drawn:
            told.append(
                f"{one.name} stands among the tasters in round.toml and is served nothing: who "
                "tastes what was drawn before. To plan it: trials replan FOLDER "
                f'--joins "{one.name}"'
            )
            continue
        days = {int(day_of[bake]) for bake in serving.loc[serving["taster"] == one.name, "bake"]}
        if one.days and days - set(one.days):
            told.append(
                f"{one.name} comes on day {in_words(map(str, one.days))} as round.toml says, and "
                f"is served pieces of day {in_words(map(str, sorted(days - set(one.days))))} all "
                "the same: they were drawn before. Leave those rows empty."
            )
    # A round may name nobody, its servings being all that is known
    gone = sorted(drawn - {one.name for one in round_.tasters}) if round_.tasters else []
    return told + [
        f"{name} no longer stands among the tasters in round.toml, and is served pieces all the "
        f'same. Put the name back, then: trials replan FOLDER --leaves "{name}"'
        for name in gone
    ]


def _beyond(round_: Round, factor: Numeric) -> list[str]:
    done = set(round_.plan.details.get("stands", {}))
    rows = round_.plan.rows
    outside = [
        str(bake)
        for bake, value in zip(rows["bake"], rows[factor.name], strict=True)
        if not is_blank(value) and not factor.low <= value <= factor.high
    ]
    left = [bake for bake in outside if bake not in done]
    if not left:
        return []
    return [
        f"{factor.name} runs from {factor.show(factor.low)} to {factor.show(factor.high)} in "
        f"round.toml, and {in_words(left)} {'is' if len(left) == 1 else 'are'} planned outside: "
        "the plan was made before. To move such bakes: trials replan FOLDER --limit "
        f'"{factor.name}={factor.low:g}..{factor.high:g}"'
    ]
