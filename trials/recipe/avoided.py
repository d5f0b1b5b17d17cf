"""What some must not eat: the words for it, and what a text that nobody weighs may bring.

A brush of butter or a topping of sesame stands in no formula. Words are read with too much care
rather than too little: when in doubt a text brings what it sounds like.
"""

import re
import unicodedata
from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Any

from trials.recipe.ingredients import Ingredient, Ingredients

# Each group: words that all stand for one thing to avoid. The names of the groups follow the nine
# US and fourteen EU allergens (Regulation (EU) 1169/2011, Annex II); pork, alcohol and meat are
# added for belief and diet. The kitchen words in each group are common practice, no source.
GROUPS: dict[str, frozenset[str]] = {
    name: frozenset(words.split())
    for name, words in {
        "gluten": "gluten wheat rye barley oat spelt emmer einkorn kamut khorasan triticale farro"
        " semolina durum bulgur couscous seitan malt flour bread breadcrumb sourdough",
        "milk": "milk dairy lactose casein whey butter buttermilk ghee cream creme cheese yoghurt"
        " yogurt quark curd kefir mascarpone ricotta skyr custard caramel",
        "egg": "egg yolk albumen albumin meringue mayonnaise custard marzipan",
        "peanut": "peanut groundnut arachis nut",
        "tree nuts": "nut treenut almond hazelnut walnut cashew pecan pistachio macadamia brazil"
        " praline marzipan nougat gianduja frangipane filbert chestnut",
        "soy": "soy soya soybean tofu miso tempeh edamame lecithin",
        "sesame": "sesame tahini halva gomasio",
        "fish": "fish anchovy cod salmon tuna sardine gelatine gelatin",
        "crustaceans": "crustacean shellfish shrimp prawn crab lobster crayfish krill seafood",
        "molluscs": "mollusc mollusk shellfish mussel oyster clam squid octopus scallop snail"
        " seafood",
        "celery": "celery celeriac",
        "mustard": "mustard",
        "sulphites": "sulphite sulfite sulphur sulfur wine raisin sultana apricot",
        "lupin": "lupin lupine",
        "pork": "pork lard bacon ham gelatine gelatin pig",
        "meat": "meat pork lard bacon ham beef tallow suet dripping gelatine gelatin chicken duck",
        "alcohol": "alcohol rum brandy wine beer spirit liqueur kirsch vodka whisky whiskey cider"
        " bourbon cognac sherry port marsala extract",
        "honey": "honey",
    }.items()
}
DIETS: dict[str, frozenset[str]] = {
    "vegan": frozenset({"milk", "egg", "fish", "crustaceans", "molluscs", "pork", "meat", "honey"}),
    "vegetarian": frozenset({"fish", "crustaceans", "molluscs", "pork", "meat"}),
    "halal": frozenset({"pork", "alcohol"}),
    "kosher": frozenset({"pork", "crustaceans", "molluscs"}),
    "coeliac": frozenset({"gluten"}),
    "celiac": frozenset({"gluten"}),
    "pregnant": frozenset({"alcohol"}),
    "animal": frozenset({"milk", "egg", "fish", "crustaceans", "molluscs", "pork", "meat"}),
}


@lru_cache(4096)  # a panel and a shelf hold few words, and each is asked of for every plate
def groups_of(text: str) -> frozenset[str]:
    """Return the groups a text may stand for, compounds such as "wheatgerm" included."""
    found: set[str] = set()
    for word in words_of(text):
        found |= DIETS.get(word, frozenset())
        found |= {name for name in GROUPS if word_brings(name, word)}
    return frozenset(found)


def plain(text: str) -> str:
    """Return a text in lower case, without accents."""
    bare = unicodedata.normalize("NFKD", str(text)).casefold()
    return " ".join("".join(c for c in bare if not unicodedata.combining(c)).split())


@lru_cache(4096)
def words_of(text: str) -> frozenset[str]:
    """Return the words of a text in lower case, without accents and plural endings."""
    words = {_singular(word) for word in re.findall(r"\w+", plain(text))} - {"free", "and", "or"}
    return frozenset(words - _STATES or words)


# How a thing is, which many things are: raw egg is egg, and no raw lemon
_STATES = frozenset({"raw", "cooked", "fresh", "whole", "plain"})


def _singular(word: str) -> str:
    if len(word) > 4 and word.endswith("ies"):
        return word[:-3] + "y"
    return word[:-1] if len(word) > 3 and word.endswith("s") and not word.endswith("ss") else word


# -- What is done by hand, in words, and what it brings into a bake.


_ABSENT = frozenset(
    {"without", "no", "none", "off", "0"}
)  # kinds that say that a thing is not there
_LONGEST = 6  # words; the longest name of the table that a text could hold


def done_by_hand(settings: Mapping[str, Any]) -> list[str]:
    """Return what settings that change no formula bring into a bake, in words.

    A kind brings itself and what it is a kind of; a step, a name with an empty text, its name.
    Several kinds may stand in a list. Numbers (heats, times) bring nothing.

    Examples
    --------
    >>> done_by_hand({"topping": "sesame", "wash": "none", "oven": 190, "brush with egg": ""})
    ['topping', 'sesame', 'brush with egg']
    """
    things = []
    for name, value in settings.items():
        several = isinstance(value, Iterable) and not isinstance(value, str)
        for one in value if several else [value]:
            if isinstance(one, str) and one.strip().casefold() not in _ABSENT:
                things += [name, one]
    return [one for one in dict.fromkeys(things) if one.strip()]


def ingredients_in(texts: Iterable[str], table: Ingredients) -> list[Ingredient]:
    """Return the ingredients of a table that texts name, the longest names first.

    Examples
    --------
    >>> from trials.recipe.ingredients import shipped
    >>> [one.name for one in ingredients_in(["dry griddle, brushed with melted butter"], shipped())]
    ['butter, unsalted']
    """
    found = []
    own = {_bare(row.name): row for row in table.rows}
    for text in texts:
        words = _bare(text).split()
        at = 0
        while at < len(words):
            for end in range(min(len(words), at + _LONGEST), at, -1):
                name = " ".join(words[at:end])
                row = own.get(name) or (table.find(name) if name in table else None)
                if row is not None:
                    found.append(row)
                    break
            else:
                end = at + 1
            at = end
    return list(dict.fromkeys(found))


def _bare(text: str) -> str:
    """Return the words of a text alone: no accents, no marks between them."""
    return " ".join(re.findall(r"\w+", plain(text)))


def avoidable_in(texts: Iterable[str], table: Ingredients) -> list[str]:
    """Return the allergens, and what else some never eat, that texts may bring, in words.

    Examples
    --------
    >>> from trials.recipe.ingredients import shipped
    >>> avoidable_in(["dry griddle, brushed with melted butter", "sesame"], shipped())
    ['milk', 'sesame']
    """
    read = list(texts)
    named = {one for text in read for one in _said_groups(text)}
    named |= {one for row in ingredients_in(read, table) for one in row.allergens}
    return sorted(named)


def _said_groups(text: str) -> set[str]:
    """Return the groups that a text may bring; one that says "vegan" brings none by that word."""
    return {name for name in GROUPS for word in words_of(text) if word_brings(name, word)}


def word_brings(group: str, word: str) -> bool:
    """Say whether a word stands for something of a group, compounds such as wheatgerm included."""
    return any(
        member == word or (len(member) >= 4 and member in word and not only_sounds(member, word))
        for member in GROUPS[group]
    )


def only_sounds(member: str, word: str) -> bool:
    """Say whether a word holds the letters of another and nothing of it.

    Only what is certain stands here: "butternut" is a nut too, "coconut" is called one on labels.

    Examples
    --------
    >>> only_sounds("nut", "doughnut"), only_sounds("wheat", "wholewheat")
    (True, False)
    """
    return member in _ONLY_SOUNDS.get(word, ())


_ONLY_SOUNDS: dict[str, tuple[str, ...]] = {
    "portion": ("port",),
    "support": ("port",),
    "doughnut": ("nut", "nuts"),
    "nutmeg": ("nut",),
    "eggplant": ("egg",),
    "graham": ("ham",),
    "boiled": ("oil",),
    "broiled": ("oil",),
    "coat": ("oat",),
    "coated": ("oat",),
    "coating": ("oat",),
}

BUCKWHEAT = "buckwheat"
# What may stand beside the word where nothing else is in: noodles and mixes often hold wheat
_OF_BUCKWHEAT = words_of(
    "buckwheat flour groat kasha meal grain kernel flake bran hull hulled whole wholegrain "
    "wholemeal light dark medium fine coarse roasted toasted raw ground stoneground organic"
)


def is_buckwheat(text: str) -> bool:
    """Say whether a text names buckwheat and nothing else; it is no wheat, whatever it sounds like.

    It is often ground beside wheat, so that its label has to be read.

    Examples
    --------
    >>> [is_buckwheat(one) for one in ("dark buckwheat flour", "buckwheat noodles", "wheat flour")]
    [True, False, False]
    """
    words = words_of(text)
    return BUCKWHEAT in words and words <= _OF_BUCKWHEAT
