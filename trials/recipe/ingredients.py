"""Ingredients.

What they are made of per 100 g, what bakers call them, what they may not be served with.
"""

import difflib
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import pandas as pd

from trials.base.errors import FormulaError, Place, SheetError
from trials.base.files import read_csv
from trials.base.words import in_words, number, tidy_number

# -- What bakers call the ingredients of the shipped table.
#
# One everyday name stands for one row where bakers mean one thing ("butter" is the unsalted one);
# a name that bakers use for several things is answered with a question, never with a guess.


# Everyday name -> the table's own name. Instant yeast has no row of its own: the dried yeast that
# the table has differs from it in activity, hardly in composition (common practice, no source).
MEANS = {
    "all-purpose flour": "wheat flour, all-purpose",
    "plain flour": "wheat flour, all-purpose",
    "white flour": "wheat flour, all-purpose",
    "all purpose flour": "wheat flour, all-purpose",
    "bread flour": "wheat flour, bread",
    "strong flour": "wheat flour, bread",
    "cake flour": "wheat flour, cake",
    "self-rising flour": "wheat flour, self-rising",
    "self-raising flour": "wheat flour, self-rising",
    "wholemeal flour": "wheat flour, wholemeal (whole-grain)",
    "whole wheat flour": "wheat flour, wholemeal (whole-grain)",
    "whole-wheat flour": "wheat flour, wholemeal (whole-grain)",
    "light rye flour": "rye flour, light",
    "medium rye flour": "rye flour, medium",
    "dark rye flour": "rye flour, dark",
    "rice flour": "rice flour, white",
    "corn flour": "corn flour, whole-grain",
    "masa harina": "masa harina (corn flour, masa)",
    "cornmeal": "cornmeal, degermed",
    "polenta": "cornmeal, degermed",
    "corn starch": "cornstarch",
    "buckwheat": "buckwheat flour",
    "chickpea flour": "chickpea flour (besan)",
    "besan": "chickpea flour (besan)",
    "semolina flour": "semolina",
    "rolled oats": "oats",
    "gluten": "vital wheat gluten",
    "soy flour": "soy flour, full-fat, raw",
    "almond flour": "almonds, blanched (proxy: almond flour)",
    "ground almonds": "almonds, blanched (proxy: almond flour)",
    "almond meal": "almonds, blanched (proxy: almond flour)",
    "blanched almonds": "almonds, blanched (proxy: almond flour)",
    "almonds": "almonds, whole",
    "flaked almonds": "almonds, blanched (proxy: almond flour)",
    "ground hazelnuts": "hazelnuts",
    "chopped hazelnuts": "hazelnuts",
    "ground walnuts": "walnuts",
    "chopped walnuts": "walnuts",
    "potato flakes": "potato flakes, dry",
    "butter": "butter, unsalted",
    "unsalted butter": "butter, unsalted",
    "salted butter": "butter, salted",
    "clarified butter": "butter oil, anhydrous (ghee / clarified butter)",
    "ghee": "butter oil, anhydrous (ghee / clarified butter)",
    "butter oil": "butter oil, anhydrous (ghee / clarified butter)",
    "european butter": "cultured butter, European style 82 % fat",
    "cultured butter": "cultured butter, European style 82 % fat",
    "margarine": "margarine, 80 % fat, stick, salted",
    "shortening": "shortening, household vegetable",
    "rapeseed oil": "canola (rapeseed) oil",
    "canola oil": "canola (rapeseed) oil",
    "sugar": "sugar, granulated",
    "white sugar": "sugar, granulated",
    "granulated sugar": "sugar, granulated",
    "caster sugar": "sugar, granulated",
    "brown sugar": "sugar, brown",
    "powdered sugar": "sugar, powdered",
    "icing sugar": "sugar, powdered",
    "confectioners' sugar": "sugar, powdered",
    "light corn syrup": "corn syrup, light",
    "dark corn syrup": "corn syrup, dark",
    "treacle": "molasses",
    "golden syrup": "golden syrup (partly inverted)",
    "rice syrup": "rice syrup (brown)",
    "invert sugar": "invert sugar syrup",
    "glucose syrup": "glucose syrup DE 42",
    "egg": "egg, whole, raw",
    "eggs": "egg, whole, raw",
    "whole egg": "egg, whole, raw",
    "egg white": "egg white, raw",
    "egg whites": "egg white, raw",
    "egg yolk": "egg yolk, raw",
    "egg yolks": "egg yolk, raw",
    "milk": "milk, whole 3.25 %",
    "whole milk": "milk, whole 3.25 %",
    "skim milk": "milk, skim",
    "skimmed milk": "milk, skim",
    "buttermilk": "buttermilk, cultured low-fat",
    "cream": "cream, heavy whipping 37 %",
    "heavy cream": "cream, heavy whipping 37 %",
    "whipping cream": "cream, heavy whipping 37 %",
    "yogurt": "yogurt, plain, whole",
    "yoghurt": "yogurt, plain, whole",
    "greek yogurt": "yogurt, Greek, plain, nonfat",
    "ricotta": "ricotta, whole milk",
    "skim milk powder": "milk powder, nonfat",
    "condensed milk": "sweetened condensed milk",
    "cocoa nibs": "unsweetened chocolate (proxy: cocoa nibs)",
    "unsweetened chocolate": "unsweetened chocolate (proxy: cocoa nibs)",
    "dutched cocoa": "cocoa powder, alkalised",
    "natural cocoa": "cocoa powder, natural",
    "table salt": "salt",
    "fine salt": "salt",
    "bicarbonate": "baking soda",
    "bicarbonate of soda": "baking soda",
    "sodium bicarbonate": "baking soda",
    "baking powder": "baking powder, double-acting (SAS)",
    "instant yeast": "yeast, active dry",
    "dry yeast": "yeast, active dry",
    "dried yeast": "yeast, active dry",
    "active dry yeast": "yeast, active dry",
    "fresh yeast": "yeast, compressed fresh",
    "compressed yeast": "yeast, compressed fresh",
    "cider vinegar": "vinegar, cider",
    "vanilla": "vanilla extract",
    "ground cinnamon": "cinnamon, ground",
    "ground ginger": "ginger, ground",
    "ground cardamom": "cardamom, ground",
    "ground nutmeg": "nutmeg, ground",
    "ground cloves": "cloves, ground",
    "black pepper": "pepper, black",
    "anise": "anise seed",
    "fennel": "fennel seed",
    "poppy seeds": "poppy seed",
    "sesame seed": "sesame seed, whole, dried",
    "sesame seeds": "sesame seed, whole, dried",
    "peanut butter": "peanut butter, smooth, no salt",
    "coconut": "coconut, desiccated, unsweetened",
    "desiccated coconut": "coconut, desiccated, unsweetened",
    "coconut milk": "coconut milk, canned",
    "oat milk": "oat drink",
    "soy milk": "soy drink",
    "soya milk": "soy drink",
    "soya drink": "soy drink",
    "almond milk": "almond drink",
    "soy yogurt": "soy yoghurt",
    "soya yoghurt": "soy yoghurt",
    "soya yogurt": "soy yoghurt",
    "beer": "beer, regular",
    "red wine": "wine, red table",
    "rum": "rum / vodka / spirits, 80 US proof (40 % vol)",
    "vodka": "rum / vodka / spirits, 80 US proof (40 % vol)",
    "brandy": "rum / vodka / spirits, 80 US proof (40 % vol)",
    "whisky": "whiskey, 86 US proof",
    "apple sauce": "applesauce, unsweetened",
    "banana": "banana, raw (mash)",
    "mango": "mango, raw (puree)",
    "raspberries": "raspberries, raw (puree)",
    "dates": "dates, medjool",
    "carrot": "carrot, raw",
    "onions": "onion, raw",
    "spring onions": "spring onion, raw",
    "scallion": "spring onion, raw",
    "scallions": "spring onion, raw",
    "crisp fried onions": "fried onions",
    "crispy onions": "fried onions",
    "potatoes": "potato, raw",
    "coffee powder": "instant coffee powder",
    "pumpkin": "pumpkin puree, canned",
    "psyllium": "psyllium husk",
    "raisins": "raisins, seedless",
    "sultanas": "raisins, seedless",
    "currants": "currants, dried",
    "dried cranberries": "cranberries, dried, sweetened",
    "dried apricots": "apricots, dried",
    "dried figs": "figs, dried",
    "apple": "apple, raw",
    "apples": "apple, raw",
    "blueberries": "blueberries, raw",
    "courgette": "courgette, raw",
    "zucchini": "courgette, raw",
    "cheddar": "cheese, cheddar",
    "parmesan": "cheese, parmesan, hard",
    "mozzarella": "cheese, mozzarella",
    "sunflower seeds": "sunflower seed kernels",
    "pumpkin seeds": "pumpkin seed kernels",
    "linseeds": "linseed",
    "flaxseed": "linseed",
    "caraway": "caraway seed",
    "caraway seeds": "caraway seed",
    "allspice": "allspice, ground",
    "mixed spice": "mixed spice, ground",
    "lemon zest": "lemon peel, raw",
    "orange zest": "orange peel, raw",
    "lime zest": "lime peel, raw",
    "potato": "potato, raw",
    "boiled potato": "potato, boiled",
    "mashed potato": "potato, boiled",
    "mashed sweet potato": "sweet potato, baked",
    "baked sweet potato": "sweet potato, baked",
    "cooked sweet potato": "sweet potato, baked",
    "rosemary": "rosemary, fresh",
    "plain yoghurt": "yogurt, plain, whole",
    "plain yogurt": "yogurt, plain, whole",
    "natural yoghurt": "yogurt, plain, whole",
    "natural yogurt": "yogurt, plain, whole",
    "whole-milk yoghurt": "yogurt, plain, whole",
    "whole-milk yogurt": "yogurt, plain, whole",
    "porridge oats": "oats",
    "dark brown sugar": "sugar, brown",
    "light brown sugar": "sugar, brown",
    "sea salt": "salt",
    "double cream": "cream, double 48 %",
}

# Everyday name -> the rows it could mean, where no word of their names would find them.
ASKS = {
    "flour": (
        "wheat flour, bread",
        "wheat flour, all-purpose",
        "wheat flour, cake",
        "wheat flour, wholemeal (whole-grain)",
    ),
    "cornflour": ("cornstarch", "corn flour, whole-grain"),
    "spirits": ("rum / vodka / spirits, 80 US proof (40 % vol)", "whiskey, 86 US proof"),
    "cocoa": ("cocoa powder, natural", "cocoa powder, alkalised"),
    "rye": ("rye flour, light", "rye flour, medium", "rye flour, dark"),
    "soda": ("baking soda", "baking powder, double-acting (SAS)"),
}

# A word of a name that the table does not have -> the everyday name of what comes nearest to it
# (common practice, no source): offered, never taken.
_LIKE = {
    "muscovado": "brown sugar",
    "demerara": "brown sugar",
    "turbinado": "brown sugar",
    "jaggery": "brown sugar",
    "panela": "brown sugar",
    "maida": "all-purpose flour",
    "atta": "wholemeal flour",
    "spud": "potatoes",
    "oleo": "margarine",
    "bicarb": "baking soda",
}


# -- What ingredients are made of, per 100 g, and what they may not be served with.
#
# The shipped table `ingredients.csv` is read from public food-composition data; each row names its
# source. A baker's own rows are put beside it or in place of a row.


SHIPPED = Path(__file__).with_name("ingredients.csv")
GRAMS = ("water", "fat", "sugar", "protein", "starch", "salt", "alcohol")
NEEDED = ("name", "group", "water_g")
# What a row may sum to: each of seven rounded values, or a label's, can be a little high.
MOST_GRAMS = 101.0
# Remarks in the allergen column that name no allergen.
_REMARKS = {"eu", "highly refined exempt in some laws", "check local rule"}
_LABEL, _POSSIBLE = "check label", " possible"
# What blends of a group often hold besides, by their label (common practice, no source)
_OFTEN = {"fat": ("milk",)}


@dataclass(frozen=True)
class Ingredient:
    """One ingredient: grams per 100 g, group, allergens and where the figures come from.

    Parameters
    ----------
    name : str
        The table's own name.
    group : str
        flour, starch, nut, fat, sugar, egg, dairy ...: what counts as flour, and whose water
        counts for hydration, follow from it.
    water, fat, sugar, protein, starch, salt, alcohol : float
        Grams per 100 g.
    allergens : tuple of str
        A prompt, not a declaration: the label of the pack in hand prevails. "check label" and
        "... possible" among them say that the label may name more.
    density : float or None
        Grams per millilitre, where the table gives a volume.
    source, verified, note : str
        Where the figures were read; verified is yes, proxy (a near ingredient stands in), no
        (from memory) or own.
    label : bool
        Whether the label of a pack may name more than is known here.

    Examples
    --------
    >>> butter = shipped().find("butter")
    >>> butter.name, butter.water, butter.allergens
    ('butter, unsalted', 17.94, ('milk',))
    """

    name: str
    group: str
    water: float
    fat: float = 0.0
    sugar: float = 0.0
    protein: float = 0.0
    starch: float = 0.0
    salt: float = 0.0
    alcohol: float = 0.0
    allergens: tuple[str, ...] = ()
    density: float | None = None
    source: str = ""
    verified: str = "own"
    note: str = ""
    label: bool = False

    def __post_init__(self) -> None:
        # "possible" counts as there, since the taster must be safe
        said = [one.strip().casefold() for one in self.allergens]
        unsure = any(one == _LABEL or one.endswith(_POSSIBLE) for one in said)
        named = (one.removesuffix(_POSSIBLE) for one in said if one != _LABEL)
        object.__setattr__(self, "allergens", tuple(dict.fromkeys(filter(None, named))))
        object.__setattr__(self, "label", bool(self.label or unsure))
        for what in GRAMS:
            grams = getattr(self, what)
            if not 0 <= grams <= 100:
                raise FormulaError(
                    f'"{self.name}" has {tidy_number(grams)} g {what} per 100 g; '
                    "0 to 100 was expected."
                )
        total = sum(getattr(self, what) for what in GRAMS)
        if total > MOST_GRAMS:
            raise FormulaError(
                f'"{self.name}": {in_words(GRAMS)} sum to {tidy_number(total)} g per 100 g; '
                "at most 100 g was expected. Give grams per 100 g."
            )
        if self.density is not None and not 0 < self.density < 25:
            raise FormulaError(
                f'"{self.name}" has the density {tidy_number(self.density)}; grams per '
                "millilitre were expected (water is 1)."
            )

    @property
    def may_hold_more(self) -> tuple[str, ...]:
        """What the label of a pack may name, as far as that can be guessed.

        Examples
        --------
        >>> shipped().find("margarine").may_hold_more, shipped().find("miso").may_hold_more
        (('milk',), ('soy', 'gluten'))
        """
        return (_OFTEN.get(self.group) or self.allergens) if self.label else ()

    def to_dict(self) -> dict[str, Any]:
        """Return plain data; what is empty is left out."""
        found = {field.name: getattr(self, field.name) for field in fields(self)}
        found["allergens"] = list(self.allergens)
        return {key: value for key, value in found.items() if value not in (None, "", [], 0.0)} | {
            "water": self.water
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> "Ingredient":
        """Rebuild an ingredient from plain data."""
        known = {field.name for field in fields(cls)}
        unknown = [key for key in data if key not in known]
        if unknown or not {"name", "group", "water"} <= set(data):
            raise FormulaError(
                f"an ingredient row has {in_words(data)}; name, group and water were expected, "
                f"and of the others {in_words(sorted(known))}."
            )
        return cls(**{**data, "allergens": tuple(data.get("allergens", ()))})


@dataclass(frozen=True, repr=False)
class Ingredients:
    """A table of ingredients that is asked by the names bakers use.

    Parameters
    ----------
    rows : tuple of Ingredient
        Their names differ in more than case.
    """

    rows: tuple[Ingredient, ...]

    def __post_init__(self) -> None:
        seen: dict[str, str] = {}
        for row in self.rows:
            if not row.name.strip():
                raise FormulaError("an ingredient has no name; give each row its name.")
            key = row.name.casefold()
            if key in seen:
                raise FormulaError(
                    f'"{seen[key]}" and "{row.name}" differ at most in capitals; '
                    "each ingredient may have one row."
                )
            seen[key] = row.name

    def __repr__(self) -> str:
        return f"Ingredients of {len(self.rows)} rows, {len(self.own)} of them your own"

    @cached_property
    def _by_name(self) -> dict[str, Ingredient]:
        return {row.name.casefold(): row for row in self.rows}

    @cached_property
    def _by_head(self) -> dict[str, list[Ingredient]]:
        heads: dict[str, list[Ingredient]] = {}
        for row in self.rows:
            head = re.split(r"[,(]", row.name)[0].strip().casefold()
            heads.setdefault(head, []).append(row)
        return heads

    @property
    def own(self) -> tuple[Ingredient, ...]:
        """The rows that are not the shipped table's."""
        return () if self is shipped() else tuple(row for row in self.rows if row not in shipped())

    @property
    def table(self) -> pd.DataFrame:
        """The rows as a table, one row per ingredient, grams per 100 g."""
        names = [field.name for field in fields(Ingredient)]
        rows = [[getattr(row, name) for name in names] for row in self.rows]
        return pd.DataFrame(rows, columns=names)

    def __contains__(self, row: object) -> bool:
        """Say whether an ingredient, or a name that can be found, is in the table."""
        if isinstance(row, Ingredient):
            return self._by_name.get(row.name.casefold()) == row
        return isinstance(row, str) and len(self._candidates(row)) == 1

    def find(self, name: str) -> Ingredient:
        """Return the ingredient a name means, in any capitals."""
        candidates = self._candidates(name) if isinstance(name, str) else []
        if len(candidates) == 1:
            return candidates[0]
        if not candidates:
            candidates = self._with_words(str(name))
        if len(candidates) > 1:
            some = [f'"{row.name}"' for row in candidates[:8]]
            more = f" ({len(candidates)} in all)" if len(candidates) > 8 else ""
            raise FormulaError(
                f'"{name}" could be {in_words(some, "or")}{more}. Which one? Give its whole name.'
            )
        raise FormulaError(
            f'"{name}" is not in the ingredient table.{self._near(str(name), candidates)} '
            "Give another name, or add a row of your own (name, group, water_g ...)."
        )

    def nearest(self, name: str) -> str | None:
        """Return what is near a name that no row could be meant by; None where one could be.

        Examples
        --------
        >>> shipped().nearest("bread flour"), shipped().nearest("carot")
        (None, ' Near "carot": "carrot".')
        """
        if self._candidates(name) or len(self._with_words(name)) > 1:
            return None
        near = self._near(name, self._with_words(name))
        return near.replace(" Near names", f' Near "{name}"')

    def source(self, name: str) -> str:
        """Return where the figures of an ingredient come from."""
        return self.find(name).source or "own row, no source given"

    def with_rows(self, rows: "pd.DataFrame | str | Path") -> "Ingredients":
        """Return the table with a baker's own rows; a row of a known name takes its place.

        Examples
        --------
        >>> rows = pd.DataFrame({"name": ["acorn flour"], "group": "flour", "water_g": 9})
        >>> shipped().with_rows(rows).find("acorn flour").group
        'flour'
        """
        if isinstance(rows, pd.DataFrame):
            found = _read_rows(rows.reset_index(drop=True), "your ingredient rows", 2)
        else:
            found = _read_rows(read_csv(rows), Path(rows).name, 0)
        return self.with_ingredients(found)

    def with_ingredients(self, rows: tuple[Ingredient, ...]) -> "Ingredients":
        """Return the table with further ingredients, a known name's row being replaced."""
        if not rows:
            return self
        new = {row.name.casefold() for row in Ingredients(rows).rows}
        return Ingredients(tuple(row for row in self.rows if row.name.casefold() not in new) + rows)

    def _candidates(self, name: str) -> list[Ingredient]:
        key = " ".join(name.casefold().split())
        if key in self._by_name:
            return [self._by_name[key]]
        meant = ASKS.get(key, (MEANS[key],) if key in MEANS else ())
        found = [self._by_name[own.casefold()] for own in meant if own.casefold() in self._by_name]
        found = found or self._by_head.get(key, [])
        one = _singular(key)
        return found if found or one == key else self._candidates(one)

    def _with_words(self, name: str) -> list[Ingredient]:
        words = set(re.findall(r"\w+", name.casefold()))
        if not words:
            return []
        return [row for row in self.rows if words <= set(re.findall(r"\w+", row.name.casefold()))]

    def _near(self, name: str, candidates: list[Ingredient]) -> str:
        """Return the nearest three: what is like it, a slip of spelling, then shared words."""
        key = " ".join(name.casefold().split())
        known = [one for one in MEANS if MEANS[one].casefold() in self._by_name]
        known += list(self._by_name)
        words = _words(key)
        held = {one: words & _words(one) for one in known}
        often = Counter(word for one in known for word in _words(one))
        close = difflib.get_close_matches(key, known, n=len(_LIKE), cutoff=_SLIP)
        shared = sorted(
            (one for one in known if held[one]),
            key=lambda one: (
                -sum(1 / often[word] for word in sorted(held[one])),
                -difflib.SequenceMatcher(None, key, one).ratio(),
            ),
        )
        rows = [row.name.casefold() for row in candidates or self._with_words(name)]
        found = [*rows, *(_LIKE[word] for word in sorted(words) if word in _LIKE), *close, *shared]
        found = found or difflib.get_close_matches(key, known, n=_NAMED, cutoff=0.6)
        near: dict[str, str] = {}  # a row once, by the name that came first
        for one in found:
            row = MEANS.get(one, one).casefold()
            if row in self._by_name:
                near.setdefault(row, one if one in MEANS else self._by_name[row].name)
        quoted = [f'"{one}"' for one in list(near.values())[:_NAMED]]
        return f" Near names: {in_words(quoted)}." if quoted else ""


_SLIP = 0.8  # of the letters alike, from which a name is taken for misspelt
_NAMED = 3  # near names that are offered


def _words(name: str) -> set[str]:
    """Return the words of a name, without the s of several."""
    return {_singular(word) for word in re.findall(r"[^\W\d_]{3,}", name.casefold())}


def _singular(word: str) -> str:
    return re.sub(r"(?<=o)es$|(?<=[^s])s$", "", word)


@lru_cache(maxsize=1)
def shipped() -> Ingredients:
    """Return the table that comes with the package.

    References
    ----------
    USDA National Nutrient Database for Standard Reference, release 26 (2013): 119 of the rows.
    Two rows are stand-ins and 58 are from memory; column verified says which.

    Examples
    --------
    >>> len(shipped().rows)
    179
    """
    return Ingredients(_read_rows(read_csv(SHIPPED), SHIPPED.name, 0))


def _read_rows(table: pd.DataFrame, file: str, first_row: int) -> tuple[Ingredient, ...]:
    missing = [name for name in NEEDED if name not in table.columns]
    if missing:
        raise SheetError(
            f"{in_words(missing)} missing; the columns {in_words(NEEDED)} were expected.",
            Place(file),
        )
    return tuple(
        _read_row(row, Place(file, row=int(position) + first_row))
        for position, row in zip(table.index, table.to_dict("records"), strict=True)
    )


def _read_row(row: Mapping[Any, Any], place: Place) -> Ingredient:
    text = {key: "" if pd.isna(value) else str(value).strip() for key, value in row.items()}
    if text["name"] == "" or text["group"] == "" or text["water_g"] == "":
        raise SheetError("each ingredient needs its name, group and water_g.", place)
    grams: dict[str, Any] = {what: _grams(text, f"{what}_g", place) or 0.0 for what in GRAMS}
    try:
        return Ingredient(
            name=text["name"],
            group=text["group"].casefold(),
            allergens=_allergens(text.get("allergens", "")),
            density=_grams(text, "density_g_ml", place),
            source=text.get("source", ""),
            verified=text.get("verified", "") or "own",
            note=text.get("note", ""),
            **grams,
        )
    except FormulaError as error:
        raise FormulaError(error.message, place) from None


def _grams(text: Mapping[str, str], column: str, place: Place) -> float | None:
    if not text.get(column):
        return None
    value = number(text[column])
    if value is None:
        where = Place(place.file, row=place.row, column=column)
        raise SheetError(f"{text[column]!r} is not a number of grams.", where)
    return value


def _allergens(text: str) -> tuple[str, ...]:
    """Split what a cell says."""
    words = (word.strip().casefold() for word in re.split(r"[;,/()]", text))
    return tuple(word for word in words if word and word not in _REMARKS)
