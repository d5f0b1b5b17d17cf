"""The pages of questions that `trials new` writes, each an invented idea that can be planned."""

SHORT = '''\
# One recipe, varied: write yours in place of this invented one, and change what else is not so.
# This page is enough for a first round; trials new --all OTHER has more.

# The recipe: its name, a colon, and all that goes in, in grams (weigh an egg: about 50).
formula = """
rye ginger snap: 160 g bread flour, 40 g medium rye flour, 100 g butter, 90 g sugar,
30 g molasses, 16 g water, 4 g ginger, 2 g baking soda, 2 g salt"""
bakes = 8                   # how many can you afford? The reference bakes come on top
days = 2                    # over how many days?
references = 2              # your recipe, half-way in a heat or time: do days differ? 0 for none
taste = "together"          # a sitting's pieces at once, held alike; "fresh": each warm, when ready

# What varies, as far as you would dare and still serve it. One line each, two to four for 8 bakes:
factors = [
  { name = "oven", low = 165, high = 185, unit = "°C" },    # what you set: a heat, a time
  { name = "sugar", low = 70, high = 100, unit = "g" },     # grams of what the recipe has
  { name = "fat", levels = ["butter", "lard"] },            # one thing in another's place
  # { name = "tin", levels = ["dark", "light"] },
]

# Who tastes, and what must they never be served? [] for nothing. Alone? Keep one line.
tasters = [
  { name = "Ada", avoids = [], cooks = true },    # cooks too: the sheets show how to taste blind
  { name = "Ben", avoids = ["sesame"] },
]

# What a bake goes through, in minutes (or the name of a factor that sets them).
steps = [
  { name = "mix and shape", minutes = 15, needs = ["hands"] },
  { name = "bake", minutes = 14, needs = ["oven"] },
  { name = "cool", minutes = 20 },                # a rest needs nothing
]
'''

ALL = """\
# An idea for a round of test bakes. Change the answers, keep the words in front of them.
# Text behind a # is for reading only.

name = "rye ginger snap, first round"   # what are you working on?
bakes = 16                  # how many bakes can you afford, reference bakes apart?
days = 2                    # over how many days?
# seed = 7                  # the same number gives the same plan; drawn when left out
# later = 4                 # how many more in a second round?
# doughs = 8                # the most doughs you can mix? Else plan divides them over the cooking
# loads = 4                 # how many oven heats or oil fills, if bakes share them?
#                           # Several kinds of them: loads = { load = 4, dough = 4 }
references = 2              # reference bakes, on top: they see days drift; one day can do without
taste = "together"          # the pieces of a sitting at once, held alike; "fresh": each as it is
                            # ready, so that the order of tasting is the order of baking
aim = "interactions"        # "screen": find what matters; "interactions": see what works
                            # together; "optimise": tune

# What do you want to vary, and how far would you dare and still serve it?
[[factors]]
kind = "numeric"            # or "categorical", which has levels; may be left out
name = "oven"
low = 165
high = 190
unit = "°C"
# hard_to_change = true     # several bakes share one oven heat: it is judged less surely then

[[factors]]
kind = "numeric"
name = "hydration"
low = 16
high = 24
unit = "%"
changes = ["total", "hydration"]

[[factors]]
kind = "numeric"
name = "rye"
low = 0
high = 40
unit = "%"
changes = ["flour share", "medium rye flour"]

[[factors]]
kind = "categorical"
name = "fat"
levels = ["butter", "lard"]
changes = ["swap", "butter"]

# A setting that exists for some kinds only, or that sounds as if it were weighed:
# [[factors]]
# kind = "numeric"
# name = "oil temperature"
# low = 165
# high = 185
# unit = "°C"
# centre = 172              # of middle and reference bakes; half-way when left out
# step = 5                  # the finest step that you can set
# settings = [165, 175, 185]  # or the only settings there are
# only_when = ["cooking", ["fried"]]   # a factor of kinds, and those of them
# peak = true               # you know that the best amount lies inside the limits
# raises = ["sweetness"]    # measures that more of it surely raises
# lowers = ["bitterness"]   # and lowers, while the bakes leave it open
# by_hand = true            # nothing is weighed for it, and that is meant
# What a factor may change: ["percent", "sugar"], in percent of the flour; ["grams", "sugar"], in
# grams (unit "g") of a recipe in grams, all else staying the same grams; ["swap", "butter"];
# ["total", "hydration"], all water together; ["flour share", "rye flour"].
# A third word names the part of the formula: ["percent", "sugar", "soak"].

# Which settings must never go together? (Take the # away to leave such bakes out.)
# [[exclude]]
# oven = [185, 190]
# hydration = [22, 24]

# What is scored or measured?
[[measures]]
name = "liking"
scale = "hedonic 9"         # also "number", "passed", "just about right 5", "ranking", "words"
goal = "higher"
worth_noticing = 0.7        # what difference would change your mind?
# scale = "ranking"         # Which would you eat again? 1 for the first, within a sitting; with
#                           # goal = "higher" the first place is best, and the ranking decides
# anchors = ["dry", "wet"]  # what the ends of a scale mean
# words = ["nutty", "greasy"]   # for the scale "check all": what may be ticked

[[measures]]
name = "snap"
scale = ["intensity", 0, 10]

[[measures]]
name = "bake loss"
scale = "number"
unit = "%"
per = "bake"                # once per bake, not once per taster

# Who tastes, and what must they never be served?
[[tasters]]
name = "Taster 1"
avoids = []

[[tasters]]
name = "Taster 2"
avoids = ["sesame"]         # an ingredient, an allergen, or a diet ("vegan")
# cooks = true              # the cook tastes too: the sheets show how to do so blind, alone too
# days = [2]                # comes on some days only
# also_avoids = ["jackfruit"]   # what no table knows: printed in capitals, checked by hand

# The formula, in baker's percentages: all flour together is 100; grams of a batch will do. It may
# be a text at the top of the file too: formula = "pizza: 500 g bread flour, 300 g water, 10 g salt"
# An ingredient that the table does not have can stand in a file ingredients.csv beside this one:
# name, group, water_g, fat_g ... (grams in 100 g).
[formula]
name = "rye ginger snap"

# origin = "own"            # where it comes from
# also_flour = ["oats"]     # what counts as flour too
# aside = ["frying oil", "soak"]   # parts that are no dough: weighed, but in no total
# only_when = { soak = ["cooking", ["baked"]] }   # parts that some bakes alone have

[formula.parts.dough]
"bread flour" = 80
"medium rye flour" = 20
butter = 50
sugar = 45
molasses = 15
water = 8
ginger = 2
"baking soda" = 1
salt = 1

# From here on all may be left out.

# How much of each bake: dough = 500, or the number of pieces and what one weighs, in grams. When
# nothing is said: a recipe in grams as it is written; one in percent, 500 g of dough.
[batch]
pieces = 30
piece = 14
scales = [1, 0.1]           # what your scales show, in grams
# loss = 3                  # percent lost in the bowl and on the bench
# dough = 500               # instead of pieces
# smallest = 400            # grams of the least dough that you can mix well

# What a bake goes through, in order, for the timetable. A rest needs nothing.
[[steps]]
name = "mix"
minutes = 12                # or the name of a factor in minutes
needs = ["hands"]

# per = "day"               # done once for all: per day, per load, per dough
# wait = 5                  # the most minutes the next step may keep it waiting
# only_when = ["cooking", ["fried"]]

[[steps]]
name = "chill"
minutes = 40

[[steps]]
name = "roll and cut"
minutes = 8
needs = ["hands"]

[[steps]]
name = "bake"
minutes = 14
needs = ["oven"]

[kitchen]
start = "9:00"
until = "18:00"
things = { hands = 1, oven = 1 }   # hands are people; one of them stays with hot oil
# safe = 120                # minutes from leaving the heat to the last safe bite
# fresh = 60                # minutes from ready within which you want it tasted, if sooner
# oil_fill = 1500           # grams of frying oil in a fresh fill

[[kitchen.heats]]           # what is heated, and the factor that sets it
thing = "oven"
factor = "oven"
up = 10                     # degrees a minute, not minutes; time yours once
down = 3
# setting = 180             # without a factor: always the same
# room = 20                 # where it starts in the morning
# between_loads = 10        # minutes for a fresh fill
# between_bakes = 3         # minutes until the heat is back
# only_when = ["cooking", ["fried"]]

# What a kilogram costs.
# [prices]
# currency = "EUR"
# per_kilogram = { butter = 9.5, "bread flour" = 1.2 }

# Two parents crossed: the [formula] above is the first. trials new --cross writes such an idea.
# cross = ["fat", "leavening", "cooking"]   # stands at the top of the file
# parents = 1               # how many of the bakes are of each parent; at the top too
# [second]                  # the other parent, written as [formula] is
# [[process]]               # what no formula holds: each parent's choice
# name = "cooking"
# first = "oven"
# second = "dry griddle"
# also = ["shallow-fry"]    # further kinds to try; unit and hard_to_change as for a factor
# heat = ["210 °C", "medium", "175 °C"]   # of each, printed on the sheets
# minutes = [18, 14, 12]    # of each: the cooking, after the [[steps]] that are written
"""

CROSS = '''\
# Two recipes crossed: write yours in place of this invented pair, and change what else is not so.

# A recipe: its name, a colon, and all that goes in, in grams (weigh an egg: about 50).
formula = """
buckwheat scone: 180 g all-purpose flour, 120 g buckwheat flour, 84 g butter,
180 g buttermilk, 24 g sugar, 15 g baking powder, 4.5 g salt"""
second = """
griddle bread: 300 g all-purpose flour, 210 g buttermilk, 36 g lard, 6 g salt"""

# What is crossed; all else stays as in the first. In a word: kind of fat, fat (its amount too),
# flour, water, sugar, salt, leavening, lamination, cooking, soak, share (of the whole); or an
# ingredient.
cross = ["kind of fat", "leavening", "cooking"]
bakes = 8                   # in all, the two bakes below among them
parents = 1                 # one bake of each side. The second recipe itself is not baked, unless
                            # cross = ["share", "cooking"]: its bake has of it what is crossed
days = 2

# taste = "together"        # a sitting's pieces at once, held alike; "fresh": each warm, when ready

[[process]]                 # how each recipe is cooked: the first, the second
name = "cooking"
first = "oven"
second = "dry griddle"
heat = ["210 °C", "medium"]
minutes = [18, 14]

[[tasters]]
name = "Ada"
avoids = []                 # what must they never be served? as in ["sesame", "milk"]
cooks = true                # cooks too: the sheets show how to taste blind all the same

[[tasters]]
name = "Ben"
avoids = ["sesame"]

# [batch]
# dough = 500               # grams of dough for each bake; else the first recipe as it is written
'''

QUESTIONS = {"short": SHORT, "all": ALL, "cross": CROSS}
