"""Formulas for the checks: random ones, and our own (invented) drop doughnut and ginger snap."""

from hypothesis import strategies as st

from trials.recipe.formula import Formula

FLOURS = ("bread flour", "buckwheat flour", "medium rye flour")
OTHERS = ("water", "milk", "egg", "butter", "lard", "sugar", "honey", "salt", "instant yeast")

percents = st.floats(0.05, 150, allow_nan=False)


@st.composite
def amounts(draw, most_flours=3):
    fewest = min(most_flours, 1)
    flours = st.lists(st.sampled_from(FLOURS), min_size=fewest, max_size=most_flours, unique=True)
    names = draw(flours) + draw(st.lists(st.sampled_from(OTHERS), max_size=9, unique=True))
    return {name: draw(percents) for name in names}


@st.composite
def formulas(draw):
    parts = {"dough": draw(amounts())}
    if draw(st.booleans()):
        parts["filling"] = draw(amounts(most_flours=0))
    if draw(st.booleans()):
        parts["sponge"] = draw(amounts())
    return Formula("random", {part: held for part, held in parts.items() if held})


def drop_doughnut():
    batter = {"bread flour": 75, "buckwheat flour": 25, "water": 68, "egg": 30, "butter": 12}
    return Formula(
        "buckwheat drop doughnut",
        {**batter, "sugar": 8, "salt": 1.6, "instant yeast": 1.2},
        origin="own, invented for the checks",
    )


def ginger_snap():
    dough = {"all-purpose flour": 80, "medium rye flour": 20, "butter": 45, "sugar": 40}
    return Formula(
        "rye ginger snap",
        {**dough, "molasses": 15, "egg": 12, "ground ginger": 2, "baking soda": 1, "salt": 1},
    )
