"""What `trials.pictures` gives: each name, where it lives, and below what it takes."""

from trials.show.bakes import failure_map as failure_map
from trials.show.bakes import influence as influence
from trials.show.bakes import residuals as residuals
from trials.show.bakes import story as story
from trials.show.effects import effects as effects
from trials.show.effects import half_normal as half_normal
from trials.show.effects import interactions as interactions
from trials.show.plans import chance_by_bakes as chance_by_bakes
from trials.show.plans import plan_efficiency as plan_efficiency
from trials.show.plans import plan_error_sources as plan_error_sources
from trials.show.plans import plan_errors as plan_errors
from trials.show.plans import plan_leverage as plan_leverage
from trials.show.plans import plan_map as plan_map
from trials.show.plans import plan_predictions as plan_predictions
from trials.show.plans import plan_relations as plan_relations
from trials.show.surfaces import contours as contours
from trials.show.surfaces import frontier as frontier
from trials.show.surfaces import good_region as good_region
from trials.show.tasters import places as places
from trials.show.tasters import tasters as tasters
from trials.show.timetable import bake_day as bake_day

# What each takes
# bake_day(made, day=None)
# chance_by_bakes(plans, *, effect, term=None, tasters=6, sd_bake=None, sd_tasting=None,
#     sd_load=None, sd_day=None, model=None, ax=None)
# contours(findings, pairs=None, at=None, *, ax=None)
# effects(findings, *, ax=None)
# failure_map(found, *, ax=None)
# frontier(findings, measures, *, exclude=None, failure=None, failure_limit=0.1, weights=None,
#     limits=None, ax=None)
# good_region(found, *, ax=None)
# half_normal(findings, *, ax=None)
# influence(found, *, ax=None)
# interactions(findings, pairs=None, *, ax=None)
# places(found, *, ax=None)
# plan_efficiency(plan, model=None, *, ax=None)
# plan_error_sources(plan, model=None, *, ax=None)
# plan_errors(plan, model=None, *, ax=None)
# plan_leverage(plan, model=None, *, ax=None)
# plan_map(plan, pairs=None)
# plan_predictions(plans, model=None, *, tasters=6, sd_bake=None, sd_tasting=None, ax=None)
# plan_relations(plan, model=None, *, ax=None)
# residuals(found)
# story(told, *, ax=None)
# tasters(found)
