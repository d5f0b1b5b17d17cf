"""An invented idea of two factors in percent of the flour, with one cook who tastes alone."""

from pathlib import Path

from trials.base.files import write_text
from trials.rounds.idea import IDEA

GINGER_SNAP = """\
name = "rye ginger snap, first round"   # what are you working on?
bakes = 8                   # how many can you afford? The reference bakes come on top
days = 2                    # over how many days?
references = 2              # reference bakes, always the same, to see days drift
taste = "together"          # a sitting's pieces at once, held alike; "fresh": each as it is ready
[[factors]]                 # what varies, as far as you would dare and still serve it
kind = "numeric"
name = "hydration"
low = 16
high = 24
unit = "%"
changes = ["total", "hydration"]        # in the formula; of one thing: ["percent", "sugar"]
[[factors]]
kind = "categorical"
name = "fat"
levels = ["butter", "lard"]
changes = ["swap", "butter"]            # no such line for an oven, or covered or not

[[measures]]                # what is scored
name = "liking"
scale = "hedonic 9"         # from 1 to 9
goal = "higher"

[[tasters]]
name = "Taster 1"
avoids = ["sesame"]         # what must they never be served? [] for nothing
cooks = true                # the cook tastes too: the sheets show how to do so blind, alone too

[formula]                   # in baker's percentages, all flour being 100; or all of it in grams
name = "rye ginger snap"
[formula.parts]
"bread flour" = 80
"medium rye flour" = 20
butter = 50
sugar = 45
molasses = 15
water = 8
"baking soda" = 1
"""


def begun(folder: Path) -> Path:
    """Write the idea into a folder, as `trials new` writes one; return its file."""
    folder.mkdir(parents=True, exist_ok=True)
    return write_text(folder / IDEA, GINGER_SNAP)
