"""What is asked of a serving plan: who, which bakes, how many at once, what is kept from whom."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from trials.errors import TastingError
from trials.tasting.panel import Taster, check_panel

Day = object  # whatever the plan calls its days: 1, 2, "Saturday"
ALL_DAYS = ""  # the name of the one day when no days are told apart


@dataclass(frozen=True)
class ServingRequest:
    """What a serving plan was asked for, checked.

    Parameters
    ----------
    tasters, bakes : tuple of str
    per_sitting : int
        Most scored samples at one sitting: bakes, reference and hidden repeats. A warm-up comes
        on top.
    sittings : tuple of (day, int)
        How many sittings there are on each day.
    days : tuple of (day, tuple of str)
        The bakes of each day, in order.
    avoid : tuple of (taster, frozenset of str)
        The bakes each taster is never served.
    reference, warm_up : tuple of (day, str)
        The reference bake and the warm-up of each day; empty when there is none.
    reference_named : bool
        True when tasters are told which sample is the reference; it then stands first.
    repeats : int
        Hidden repeats for each taster at each sitting.
    seed : int
    comes : tuple of (taster, tuple of days)
        The days of those who do not come every day.
    """

    tasters: tuple[str, ...]
    bakes: tuple[str, ...]
    per_sitting: int
    sittings: tuple[tuple[Day, int], ...]
    days: tuple[tuple[Day, tuple[str, ...]], ...]
    avoid: tuple[tuple[str, frozenset[str]], ...]
    reference: tuple[tuple[Day, str], ...]
    warm_up: tuple[tuple[Day, str], ...]
    reference_named: bool
    repeats: int
    seed: int
    comes: tuple[tuple[str, tuple[Day, ...]], ...] = ()

    @property
    def room(self) -> int:
        """Most bakes at one sitting, when reference and repeats have their places."""
        return self.per_sitting - bool(self.reference) - self.repeats

    def may_have(self, taster: str, bake: str) -> bool:
        """Say whether a bake may be served to a taster."""
        return bake not in dict(self.avoid).get(taster, frozenset())

    def is_there(self, taster: str, day: Day) -> bool:
        """Say whether a taster comes on a day."""
        return day in dict(self.comes).get(taster, (day,))


def check_request(
    tasters: Iterable[Taster | str],
    bakes: Iterable[str],
    *,
    per_sitting: int,
    sittings: int | None,
    days: Mapping[str, Day] | None,
    avoid: Mapping[str, Iterable[str]] | None,
    reference: str | Mapping[Day, str] | None,
    warm_up: str | Mapping[Day, str] | None,
    reference_named: bool,
    repeats: int,
    seed: int,
) -> ServingRequest:
    """Check what is asked of a serving plan; see ``serving_plan`` for the parameters.

    Raises
    ------
    TastingError
        When something is missing, doubled or contradictory.

    Examples
    --------
    >>> check_request(["Ida"], ["B01", "B02"], per_sitting=6, sittings=None, days=None, avoid=None,
    ...     reference=None, warm_up=None, reference_named=False, repeats=0, seed=1).sittings
    (('', 1),)
    """
    panel = check_panel(tasters)
    names = tuple(taster.name for taster in panel)
    ids = _checked_bakes(bakes)
    by_day = _bakes_by_day(ids, days)
    labels = [day for day, _ in by_day]
    references = _for_each_day("reference", reference, labels)
    warm_ups = _for_each_day("warm_up", warm_up, labels)
    _check_reference(references, ids)
    _check_warm_up_day(warm_ups, dict(by_day))
    per_sitting = whole_number("per_sitting", per_sitting, 1)
    repeats = whole_number("repeats", repeats, 0)
    room = per_sitting - bool(references) - repeats
    if room < 1:
        raise TastingError(
            f"A sitting of {per_sitting} has no place for a bake beside the reference and "
            f"{repeats} hidden repeats. Raise per_sitting, or ask for fewer repeats."
        )
    known = {*ids, *dict(references).values(), *dict(warm_ups).values()}
    kept_from = _checked_avoid(panel, avoid, known, set(ids))
    wanted = None if sittings is None else whole_number("sittings", sittings, 1)
    fewest = min(len(of_day) for _, of_day in by_day)
    if wanted is not None and wanted > fewest:
        raise TastingError(
            f"{wanted} sittings are more than the {fewest} bakes of a day. Ask for fewer sittings."
        )
    return ServingRequest(
        tasters=names,
        bakes=ids,
        per_sitting=per_sitting,
        sittings=tuple((day, wanted or -(-len(of_day) // room)) for day, of_day in by_day),
        days=by_day,
        avoid=kept_from,
        reference=references,
        warm_up=warm_ups,
        reference_named=bool(reference_named),
        repeats=repeats,
        seed=whole_number("seed", seed, 0),
        comes=_checked_presence(panel, labels),
    )


def _check_reference(references: tuple[tuple[Day, str], ...], bakes: tuple[str, ...]) -> None:
    for bake in dict(references).values():
        if bake in bakes:
            raise TastingError(
                f'The reference "{bake}" is also one of the bakes. Leave it out of bakes: it is '
                "served to everybody at each sitting."
            )


def _checked_presence(
    panel: tuple[Taster, ...], days: list[Day]
) -> tuple[tuple[str, tuple[Day, ...]], ...]:
    comes = tuple((one.name, one.days) for one in panel if one.days)
    for name, own in comes:
        unknown = [str(day) for day in own if day not in days]
        if unknown:
            raise TastingError(
                f"{name} comes on day {', '.join(unknown)}, and nothing is baked for that day. "
                f"The days are {', '.join(map(str, days)) or 'not named'}."
            )
    for day in days:
        if not any(day in dict(comes).get(one.name, (day,)) for one in panel):
            raise TastingError(
                f"Nobody comes on day {day}, so its bakes would never be tasted. Let one taster "
                "come every day: that person and the reference bridge the days."
            )
    return comes


def check_avoid(
    tasters: Iterable[str], avoid: Mapping[str, Iterable[str]], known: Iterable[str]
) -> dict[str, frozenset[str]]:
    """Check which bakes are kept from whom: known tasters, known bakes.

    Raises
    ------
    TastingError
        When a taster or a bake is not known.

    Examples
    --------
    >>> check_avoid(["Ida"], {"Ida": ["B02"]}, ["B01", "B02"])
    {'Ida': frozenset({'B02'})}
    """
    tasters, known = list(tasters), set(known)
    checked = {}
    for name, bakes in avoid.items():
        if name not in tasters:
            raise TastingError(
                f'avoid speaks of "{name}", who is not a taster. The tasters are '
                f"{', '.join(tasters)}."
            )
        if isinstance(bakes, str):
            bakes = [bakes]
        checked[name] = frozenset(bakes)
        for bake in sorted(checked[name] - known, key=str):
            raise TastingError(
                f'avoid keeps "{bake}" from {name}, and there is no such bake. '
                f"Known are {', '.join(sorted(known))}."
            )
    return checked


def _checked_avoid(
    panel: Iterable[Taster],
    avoid: Mapping[str, Iterable[str]] | None,
    known: set[str],
    bakes: set[str],
) -> tuple[tuple[str, frozenset[str]], ...]:
    panel = list(panel)
    checked = check_avoid([taster.name for taster in panel], avoid or {}, known)
    for taster in panel:
        if taster.avoids and taster.name not in checked:
            raise TastingError(
                f"{taster.name} avoids {', '.join(taster.avoids)}, and nothing says which bakes "
                f"contain it. Give avoid={{'{taster.name}': [...]}} with those bakes, "
                "an empty list when none does."
            )
        mine = checked.get(taster.name, frozenset())
        if mine >= bakes:
            raise TastingError(
                f"{taster.name} can taste none of the bakes. Leave {taster.name} out of this one."
            )
    return tuple((name, bakes) for name, bakes in checked.items() if bakes)


def _checked_bakes(bakes: Iterable[str]) -> tuple[str, ...]:
    if isinstance(bakes, str):
        raise TastingError(f'bakes is the text "{bakes}"; give a list of bakes.')
    ids = tuple(bakes)
    if not ids:
        raise TastingError("There is no bake to serve. Name at least one.")
    for bake in ids:
        if not isinstance(bake, str) or not bake.strip():
            raise TastingError(f"{bake!r} is no name of a bake. Bakes are named by text, as B01.")
    doubled = sorted({bake for bake in ids if ids.count(bake) > 1})
    if doubled:
        raise TastingError(
            f"Bake {', '.join(doubled)} is named more than once. Name each bake once; hidden "
            "repeats are asked for by repeats."
        )
    return ids


def _bakes_by_day(
    bakes: tuple[str, ...], days: Mapping[str, Day] | None
) -> tuple[tuple[Day, tuple[str, ...]], ...]:
    if days is None:
        return ((ALL_DAYS, bakes),)
    missing = [bake for bake in bakes if bake not in days]
    if missing:
        raise TastingError(
            f"days says nothing of {', '.join(missing)}. Give the day of every bake: a bake is "
            "served on its day only."
        )
    grouped: dict[Day, list[str]] = {}
    for bake in bakes:
        grouped.setdefault(days[bake], []).append(bake)
    return tuple((day, tuple(of_day)) for day, of_day in grouped.items())


def _for_each_day(
    what: str, given: str | Mapping[Day, str] | None, days: list[Day]
) -> tuple[tuple[Day, str], ...]:
    if given is None:
        return ()
    if isinstance(given, str):
        given = dict.fromkeys(days, given)
    missing = [str(day) for day in days if day not in given]
    if missing:
        raise TastingError(
            f"{what} names none for day {', '.join(missing)}. Give one bake for each day."
        )
    for day in days:
        if not isinstance(given[day], str) or not given[day].strip():
            raise TastingError(f"{what} is {given[day]!r}; name a bake by text, as C01.")
    return tuple((day, given[day]) for day in days)


def _check_warm_up_day(
    warm_ups: tuple[tuple[Day, str], ...], by_day: Mapping[Day, tuple[str, ...]]
) -> None:
    for day, bake in warm_ups:
        baked = [other for other, bakes in by_day.items() if bake in bakes]
        if baked and day not in baked:
            raise TastingError(
                f'The warm-up "{bake}" is baked on day {baked[0]} and can not be served on day '
                f"{day}. Name one for each day: warm_up={{{baked[0]!r}: {bake!r}, ...}}."
            )


def whole_number(what: str, value: object, least: int) -> int:
    """Return a whole number that was given, or say why it is none.

    Raises
    ------
    TastingError
        When it is not whole or too small.

    Examples
    --------
    >>> whole_number("repeats", 2, 0)
    2
    """
    number = isinstance(value, (int, float, np.integer)) and not isinstance(value, bool)
    if not number or not float(value).is_integer() or value < least:  # type: ignore[arg-type, operator]
        raise TastingError(f"{what} is {value!r}; give a whole number from {least} up.")
    return int(value)  # type: ignore[call-overload]
