"""What `trials.design` gives: each name, where it lives, and below what it takes."""

from trials.design.blend import extreme_vertices as extreme_vertices
from trials.design.blend import simplex_centroid as simplex_centroid
from trials.design.blend import simplex_lattice as simplex_lattice
from trials.design.exchange import add_bakes as add_bakes
from trials.design.exchange import optimal as optimal
from trials.design.factorial import fold_over as fold_over
from trials.design.factorial import fractional_factorial as fractional_factorial
from trials.design.factorial import full_factorial as full_factorial
from trials.design.midway import add as add
from trials.design.midway import best_extra as best_extra
from trials.design.midway import drop as drop
from trials.design.midway import repeat as repeat
from trials.design.midway import still_tells as still_tells
from trials.design.power import tasters_or_bakes as tasters_or_bakes
from trials.design.screening import conference_screening as conference_screening
from trials.design.screening import plackett_burman as plackett_burman
from trials.design.side_by_side import variants as variants
from trials.design.squares import graeco_latin_square as graeco_latin_square
from trials.design.squares import latin_square as latin_square
from trials.design.surface import box_behnken as box_behnken
from trials.design.surface import central_composite as central_composite

# What each takes
# add(plan, settings, *, day=None)
# add_bakes(plan, bakes, *, model=None, criterion='D', seed=None, days=None, loads=None,
#     variance_ratio=1.0, exclude=None, references=0, starts=None, settings=None)
# best_extra(plan, *, model=None, tasters=6, variance_ratio=1.0)
# box_behnken(factors, *, centre_bakes=None, days=1, references=0, seed=None)
# central_composite(factors, *, axial='face', centre_bakes=None, days=1, references=0, seed=None)
# conference_screening(factors, *, centre_bakes=0, days=1, references=0, seed=None)
# drop(plan, bakes, why='')
# extreme_vertices(factors, *, constraints=(), points=('vertices', 'faces', 'centre'),
#     replicates=1, days=1, references=0, seed=None)
# fold_over(plan, *, factors=None, half=None, pair=None, seed=None)
# fractional_factorial(factors, *, bakes=None, resolution=None, days=1, loads=None,
#     centre_bakes=0, references=0, seed=None)
# full_factorial(factors, *, replicates=1, centre_bakes=0, days=1, loads=None, references=0,
#     seed=None)
# graeco_latin_square(factors, *, replicates=1, references=0, seed=None)
# latin_square(factors, *, replicates=1, references=0, seed=None)
# optimal(factors, *, model, bakes, criterion='I', days=None, loads=None, variance_ratio=1.0,
#     exclude=None, keep=None, references=0, seed=None, starts=None, replicates=0, potential=None,
#     settings=None, continuous=False)
# plackett_burman(factors, *, bakes=None, centre_bakes=0, days=1, references=0, seed=None)
# repeat(plan, bakes, *, day=None)
# simplex_centroid(factors, *, replicates=1, days=1, references=0, seed=None)
# simplex_lattice(factors, degree=2, *, replicates=1, days=1, references=0, seed=None)
# still_tells(before, after, *, tasters=6, tasters_left=None, worth_noticing=0.7, sd_bake=None)
# tasters_or_bakes(plan, *, sd_bake=None, sd_tasting=None, sd_load=None, sd_day=None, tasters=1,
#     repeats=1, model=None, alpha=0.05)
# variants(kinds, *, repeats=3, reference=True, within=(), days=1, name='variant', seed=None)
