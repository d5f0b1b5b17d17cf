"""Who tastes, and what is never put in front of them.

A blind code hides what is in a sample, so the kitchen has to know it for the taster. Words are
compared with too much care rather than too little: when in doubt the sample is not served.
"""

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import lru_cache
from typing import Any

from trials.base.arguments import checked_types
from trials.base.errors import TastingError
from trials.base.words import InWords, in_words
from trials.recipe.avoided import (
    BUCKWHEAT,
    DIETS,
    GROUPS,
    groups_of,
    is_buckwheat,
    only_sounds,
    plain,
    words_of,
)
from trials.recipe.ingredients import ASKS, MEANS, Ingredients, shipped

LONGEST_NAME = 60  # letters; a name has to fit on a label

# What people write around the thing they mean.
_AROUND = frozenset(
    {"product", "allergy", "allergic", "allergen", "intolerance", "intolerant", "diet", "food"}
    | {"no", "any", "all", "of", "with", "in", "the", "a", "an", "from", "made", "trace"}
)
_NEAR = 0.6  # how like a known name must be to be offered (the library's own usual value)
_NOTHING = {"none", "nothing", "no", "nil", "n/a", "-", "–"}
_COMPOUND = 5  # letters from which a known word inside a longer one is recognised: wheatgerm


@checked_types(
    TastingError,
    avoids=str | Iterable[str],
    also_avoids=str | Iterable[str],
    days=int | Iterable[int],
)
@dataclass(frozen=True)
class Taster(InWords):
    """One person who tastes, and what they never eat.

    Parameters
    ----------
    name : str
        As it stands on the ballot, at most 60 letters.
    avoids : iterable of str, or str
        Allergens and ingredients that are never served to this person; a text is one of them. A
        diet (``"vegan"``, ``"vegetarian"``, ``"halal"``) may stand here too. A round refuses what
        it does not know; see :func:`check_avoided`.
    also_avoids : iterable of str, or str
        What no table of ingredients can know: it is kept from this person wherever the formula
        names it, and stands in capitals on the sheet of codes for the kitchen to check by hand.
    days : tuple of int, or int
        The days this person comes; every day when left out.
    cooks : bool
        True for a cook who tastes too: the key to the codes is then sealed, and every score says
        whether it was blind.

    Raises
    ------
    TastingError
        When the name is blank, too long or has signs that can not be printed, when one of the
        things avoided is blank, or a day is no whole number from 1 up.

    Examples
    --------
    >>> Taster("Ida", avoids=["milk", "hazelnut"])
    Taster(name='Ida', avoids=('milk', 'hazelnut'))
    >>> Taster("Bo", "milk", also_avoids="my aunt's pickle").also_avoids
    ("my aunt's pickle",)
    """

    name: str
    avoids: Sequence[str] = ()
    also_avoids: Sequence[str] = field(default=(), repr=False, kw_only=True)
    days: Sequence[int] = field(default=(), repr=False, kw_only=True)
    cooks: bool = field(default=False, repr=False, kw_only=True)

    def __post_init__(self) -> None:
        object.__setattr__(self, "name", _checked_name(self.name))
        for kept_from in ("avoids", "also_avoids"):
            things = _checked_avoids(getattr(self, kept_from), self.name)
            object.__setattr__(self, kept_from, things)
        object.__setattr__(self, "days", _checked_days(self.days, self.name))
        object.__setattr__(self, "cooks", bool(self.cooks))


def taster_record(taster: Taster) -> dict[str, Any]:
    """Return a taster as plain data for a settings file; see :func:`taster_from`.

    Examples
    --------
    >>> taster_record(Taster("Ida", days=[2]))
    {'name': 'Ida', 'avoids': [], 'days': [2]}
    """
    record: dict[str, Any] = {"name": taster.name, "avoids": list(taster.avoids)}
    if taster.also_avoids:
        record["also_avoids"] = list(taster.also_avoids)
    if taster.days:
        record["days"] = list(taster.days)
    if taster.cooks:
        record["cooks"] = True
    return record


def taster_from(record: Mapping[str, Any]) -> Taster:
    """Return the taster that :func:`taster_record` wrote.

    Examples
    --------
    >>> taster_from({"name": "Ida", "days": [2]}).days
    (2,)
    """
    return Taster(
        record["name"],
        record.get("avoids", ()),
        also_avoids=record.get("also_avoids", ()),
        days=record.get("days", ()),
        cooks=record.get("cooks", False),
    )


def check_panel(tasters: Iterable[Taster | str]) -> tuple[Taster, ...]:
    """Return the tasters, having seen that there is one of each.

    Examples
    --------
    >>> [taster.name for taster in check_panel(["Ida", Taster("Bo", avoids=["egg"])])]
    ['Ida', 'Bo']
    """
    if isinstance(tasters, (str, Taster)):
        tasters = [tasters]
    panel = tuple(Taster(item) if isinstance(item, str) else item for item in tasters)
    if not panel:
        raise TastingError("No taster is named. Name at least one person who tastes.")
    seen: dict[str, str] = {}
    for taster in panel:
        if not isinstance(taster, Taster):
            raise TastingError(
                f"{taster!r} is not a taster. Write a name, or Taster(name, avoids=(...))."
            )
        key = name_in_files(plain(taster.name))
        if key in seen:
            raise TastingError(
                f'Tasters "{seen[key]}" and "{taster.name}" are too alike to keep apart: their '
                "ballots would have one name. Give one of them a second name or a letter."
            )
        seen[key] = taster.name
    return panel


def name_in_files(name: str) -> str:
    """Return a taster's name as every system can store it; two tasters never share one.

    Examples
    --------
    >>> name_in_files("Bo & Ida / Øst"), name_in_files("🙂")
    ('Bo-Ida-Øst', 'taster')
    """
    return re.sub(r"[^\w]+", "-", name).strip("-") or "taster"


def check_avoided(
    tasters: Iterable[Taster], table: Ingredients | None = None, served: Iterable[str] = ()
) -> None:
    """Refuse what a taster avoids and nothing knows: a slip of the pen would be served.

    Parameters
    ----------
    tasters : iterable of Taster
    table : Ingredients, optional
        With the baker's own rows; the shipped table when left out.
    served : iterable of str
        What else may be on the plate, in words: a coating that is a level of a factor.

    Examples
    --------
    >>> check_avoided([Taster("Ida", ["tree nuts", "lard"])])
    >>> check_avoided([Taster("Ida", ["mlik"])])
    Traceback (most recent call last):
    trials.base.errors.TastingError: Ida avoids "mlik", which is no ingredient, ... is "milk" ...
    """
    held = [taster for taster in tasters if taster.avoids]
    if not held:
        return
    names = _known_names(table or shipped()) | {plain(text) for text in served}
    words = frozenset().union(*(words_of(name) for name in names)) | _AROUND
    for taster in held:
        for thing in taster.avoids:
            named = words_of(thing) - _AROUND
            if not named or not all(_is_known(word, words) for word in named):
                raise TastingError(_unknown(taster.name, thing, names, words))


def _is_known(word: str, words: frozenset[str]) -> bool:
    """Say whether a word is known, or is made of one that is and of more (wheatgerm, milkfat)."""
    if word in words:
        return True
    for members in GROUPS.values():
        for member in members:
            rest = word.replace(member, "", 1)
            if rest != word and (rest in words or min(len(member), len(rest) + 1) >= _COMPOUND):
                return True
    return False


@lru_cache(maxsize=8)
def _known_names(table: Ingredients) -> frozenset[str]:
    """Return everything that can be avoided by name: groups, diets, ingredients, allergens."""
    groups = {*GROUPS, *DIETS, *(word for members in GROUPS.values() for word in members)}
    rows = {row.name for row in table.rows} | {one for row in table.rows for one in row.allergens}
    return frozenset(map(plain, {*groups, *rows, *MEANS, *ASKS}))


def _unknown(taster: str, thing: str, names: frozenset[str], words: frozenset[str]) -> str:
    if plain(thing) in _NOTHING:
        return f'{taster} avoids "{thing}"; when that means nothing at all, write avoids = [].'
    near = get_close_matches(plain(thing), sorted(names), n=3, cutoff=_NEAR)
    for word in sorted(words_of(thing) - words) if not near else ():
        near += get_close_matches(word, sorted(words), n=1, cutoff=_NEAR)
    quoted = [f'"{name}"' for name in near]
    meant = f"; is {in_words(quoted, 'or')} meant?" if near else "."
    return (
        f'{taster} avoids "{thing}", which is no ingredient, group or allergen of the table or the '
        f"formula{meant} Something that they can not know goes into also_avoids: it then stands "
        "in capitals on the sheet of codes, for you to check by hand."
    )


def may_taste(taster: Taster, allergens: Iterable[str], ingredients: Iterable[str]) -> bool:
    """Say whether a sample may be put in front of a taster; no when in doubt.

    Examples
    --------
    >>> may_taste(Taster("Ida", avoids=["milk"]), ["wheat"], ["butter", "flour"])
    False
    >>> may_taste(Taster("Bo", avoids=["sesame"]), ["wheat", "milk"], ["butter", "flour"])
    True
    """
    return not why_not(taster, allergens, ingredients)


def why_not(
    taster: Taster, allergens: Iterable[str], ingredients: Iterable[str]
) -> tuple[str, ...]:
    """Return why a sample is kept from a taster: one reason a line, none when it may be served.

    Examples
    --------
    >>> why_not(Taster("Ida", avoids=["gluten"]), ["wheat"], [])
    ('Ida avoids gluten; the sample contains wheat.',)
    """
    if not (taster.avoids or taster.also_avoids):
        return ()
    contents = dict.fromkeys([*_as_words(allergens), *_as_words(ingredients)])
    if not contents and taster.avoids:
        return (f"{taster.name} avoids {', '.join(taster.avoids)}; nothing is said of what is in.",)
    return tuple(
        f"{taster.name} avoids {avoided}; the sample contains {thing}."
        for avoided, thing in _clashes(taster, contents)
    )


def _clashes(taster: Taster, contents: Iterable[str]) -> list[tuple[str, str]]:
    """Return what a taster avoids of a sample, each with the thing that holds it."""
    things = list(contents)
    return [
        (avoided, thing)
        for avoided in (*taster.avoids, *taster.also_avoids)
        for thing in things
        if _overlap(avoided, thing)
    ]


def named_for(
    tasters: Iterable[Taster], allergens: Iterable[str], ingredients: Iterable[str]
) -> tuple[str, ...]:
    """Return what a notice of a sample names so that it says whatever keeps it from a taster.

    The allergens that it is known to hold, and what else any taster avoids of it: by the word of
    the taster where that is in, else by the group that holds both.

    Examples
    --------
    >>> named_for([Taster("Ida", ["sesame", "vegan"])], ["gluten"], ["sesame bun", "lard"])
    ('gluten', 'meat', 'pork', 'sesame')
    """
    known = list(dict.fromkeys(_as_words(allergens)))
    things = [one for one in _as_words(ingredients) if one not in known]
    named = set(known)
    for taster in tasters:
        for avoided, thing in _clashes(taster, things):
            shared = groups_of(avoided) & groups_of(thing)
            named |= {avoided} if _same_word(avoided, thing) else shared
    return tuple(sorted(named))


def bakes_to_avoid(
    tasters: Iterable[Taster], contents: Mapping[str, tuple[Iterable[str], Iterable[str]]]
) -> dict[str, frozenset[str]]:
    """Return for each taster the bakes that are kept from them.

    Examples
    --------
    >>> contents = {"B01": (["milk"], ["butter"]), "B02": ([], ["lard"])}
    >>> bakes_to_avoid([Taster("Ida", avoids=["milk"])], contents)
    {'Ida': frozenset({'B01'})}
    """
    return {
        taster.name: frozenset(
            bake
            for bake, (allergens, ingredients) in contents.items()
            if not may_taste(taster, allergens, ingredients)
        )
        for taster in tasters
    }


def avoided_things(taster: Taster) -> list[str]:
    """Return what a taster avoids that a table can tell of a bake: no diets, nothing by hand.

    Examples
    --------
    >>> avoided_things(Taster("Ida", avoids=["nuts", "vegan"], also_avoids=["kiwi"]))
    ['nuts']
    """
    return [one for one in dict.fromkeys(taster.avoids) if not words_of(one) & DIETS.keys()]


def never_served(name: str, bakes: Iterable[str] | Mapping[str, Iterable[str]]) -> str:
    """Return the sentence that says what is kept from a taster, and why where that is known.

    Examples
    --------
    >>> never_served("Ida", ["B03", "B01"])
    'Ida is never served B01, B03.'
    >>> never_served("Ida", {"butter: milk": ["B03", "B01"], "lard": ["B02"]})
    'Ida is never served B01, B03 (butter: milk); B02 (lard).'
    """
    if isinstance(bakes, Mapping):
        told = [f"{', '.join(sorted(own))} ({why})" for why, own in bakes.items()]
        return f"{name} is never served {'; '.join(told)}."
    return f"{name} is never served {', '.join(sorted(bakes))}."


def clashing(taster: Taster, allergens: Iterable[str], ingredients: Iterable[str]) -> list[str]:
    """Return what of a sample a taster avoids, by the words of the taster.

    Examples
    --------
    >>> clashing(Taster("Ida", avoids=["gluten", "milk"]), ["wheat"], ["bread flour"])
    ['gluten']
    """
    contents = [*_as_words(allergens), *_as_words(ingredients)]
    return list(dict.fromkeys(avoided for avoided, _ in _clashes(taster, contents)))


def served_nothing(name: str, holding: Iterable[str] = (), *, alone: bool = False) -> str:
    """Return the sentence for a taster who avoids every bake, and what to do.

    Parameters
    ----------
    name : str
    holding : iterable of str
        What the bakes hold of what they avoid, and where, in words.
    alone : bool
        Whether nobody else tastes: then nobody can be left out.

    Examples
    --------
    >>> served_nothing("Ida", ["almonds, in the formula"])
    'Ida can taste none of the bakes (almonds, in the formula). Leave Ida out of this one.'
    >>> served_nothing("Ida", alone=True)
    'Ida can taste none of the bakes. Bake without it, or name somebody else who tastes: ...'
    """
    why = "; ".join(holding)
    said = f"{name} can taste none of the bakes{f' ({why})' if why else ''}."
    if not alone:
        return f"{said} Leave {name} out of this one."
    return (
        f"{said} Bake without it, or name somebody else who tastes: nobody is served what they "
        "avoid."
    )


# Who avoids these does so for traces too, and buckwheat is often ground beside wheat
_FOR_TRACES = frozenset({"gluten", "coeliac", "celiac", BUCKWHEAT})


# What a row of the table is said to hold, as a word of its own: who avoids peanut may eat a walnut
_TREE_NUTS = re.compile(r"\btree[ -]nuts?\b", re.IGNORECASE)


def _overlap(avoided: str, thing: str) -> bool:
    thing = _TREE_NUTS.sub("treenut", thing)
    if is_buckwheat(thing):
        # No wheat: it is served with a word on its label, except where traces count
        named = words_of(avoided)
        return named <= words_of(thing) or any(one in word for word in named for one in _FOR_TRACES)
    if is_buckwheat(avoided):
        return BUCKWHEAT in words_of(thing)
    return bool(groups_of(avoided) & groups_of(thing)) or _same_word(avoided, thing)


def _same_word(avoided: str, thing: str) -> bool:
    for mine in words_of(avoided):
        for its in words_of(thing):
            shorter, longer = sorted((mine, its), key=len)
            inside = len(shorter) >= 3 and shorter in longer and not only_sounds(shorter, longer)
            if mine == its or inside:
                return True
    return plain(avoided) == plain(thing)


def _as_words(texts: Iterable[str]) -> list[str]:
    items = re.split(r"[,;]", texts) if isinstance(texts, str) else [str(text) for text in texts]
    return [item.strip() for item in items if item.strip()]


def _checked_name(name: object) -> str:
    if not isinstance(name, str) or not name.strip():
        raise TastingError(f"{name!r} is no name for a taster. Write the name as text.")
    tidy = " ".join(unicodedata.normalize("NFC", name).split())
    if len(tidy) > LONGEST_NAME:
        raise TastingError(
            f'The name "{tidy[:20]}..." has {len(tidy)} letters; a label holds {LONGEST_NAME}. '
            "Use a shorter one."
        )
    if not all(sign.isprintable() for sign in tidy):
        raise TastingError(f"The name {tidy!r} has signs that can not be printed. Type it again.")
    return tidy


def _checked_days(days: object, name: str) -> tuple[int, ...]:
    items = (days,) if isinstance(days, int) else days
    if not isinstance(items, Iterable) or isinstance(items, str):
        raise TastingError(f'The days of "{name}" are {days!r}; write a list such as [1, 3].')
    found = tuple(items)
    for day in found:
        if isinstance(day, bool) or not hasattr(day, "__index__") or int(day) < 1:
            raise TastingError(f'A day of "{name}" is {day!r}; write whole numbers from 1 up.')
    return tuple(sorted({int(day) for day in found}))


def _checked_avoids(avoids: object, name: str) -> tuple[str, ...]:
    if isinstance(avoids, str):
        avoids = (avoids,) if avoids else ()
    if avoids is None or not isinstance(avoids, Iterable):
        raise TastingError(
            f'What "{name}" avoids is {avoids!r}; write a list such as ["milk", "hazelnut"], '
            "or nothing."
        )
    items = tuple(avoids)
    for item in items:
        if not isinstance(item, str) or not words_of(item):
            raise TastingError(
                f'One of the things "{name}" avoids is {item!r}. Write each as a word, '
                "or leave it out."
            )
    return tuple(" ".join(item.split()) for item in items)
