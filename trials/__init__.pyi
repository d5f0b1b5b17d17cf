"""What `import trials` gives: each name, where it lives, and below what it takes."""

from trials import design as design
from trials.analysis.answers import fit as fit
from trials.analysis.as_categories import as_categories as as_categories
from trials.analysis.comparing import compare as compare
from trials.analysis.comparing import controlled as controlled
from trials.analysis.contrasts import simple_effects as simple_effects
from trials.analysis.counted import Counted as Counted
from trials.analysis.counted import word_table as word_table
from trials.analysis.diagnostics import diagnostics as diagnostics
from trials.analysis.failing import failing as failing
from trials.analysis.question import evidence as evidence
from trials.analysis.results import Findings as Findings
from trials.analysis.surface import canonical as canonical
from trials.analysis.surface import peak_region as peak_region
from trials.analysis.surface import steepest as steepest
from trials.analysis.tasters import agreement_on as agreement_on
from trials.analysis.tasters import describe_tasters as describe_tasters
from trials.base.errors import TrialsError as TrialsError
from trials.base.version import __version__ as __version__
from trials.core.factors import Categorical as Categorical
from trials.core.factors import Component as Component
from trials.core.factors import Numeric as Numeric
from trials.core.measures import Measure as Measure
from trials.core.plan import Plan as Plan
from trials.deciding.choosing import recommend as recommend
from trials.deciding.next_bakes import next_round as next_round
from trials.deciding.rehearsal import rehearse as rehearse
from trials.deciding.replanning import replan as replan
from trials.deciding.replanning import write_next as write_next
from trials.deciding.story import tell as tell
from trials.design.aliasing import aliases as aliases
from trials.design.crossings import crossing_factors as crossing_factors
from trials.design.crossings import parent_settings as parent_settings
from trials.design.crossings import with_parents as with_parents
from trials.design.power import power as power
from trials.design.propose import propose as propose
from trials.design.quality import quality as quality
from trials.doors import demo as demo
from trials.doors import forms as forms
from trials.doors.server import serve_ballots as serve_ballots
from trials.doors.sharing import bundle as bundle
from trials.doors.workplace import workplace as workplace
from trials.recipe import crossing as crossing
from trials.recipe import instruments as instruments
from trials.recipe import lamination as lamination
from trials.recipe.card import card as card
from trials.recipe.crossing import cross as cross
from trials.recipe.formula import Formula as Formula
from trials.rounds.amounts import shopping_list as shopping_list
from trials.rounds.bench import read_side_test as read_side_test
from trials.rounds.bench import side_test as side_test
from trials.rounds.diary import add_photo as add_photo
from trials.rounds.diary import write_note as write_note
from trials.rounds.kitchen import Batch as Batch
from trials.rounds.kitchen import Heat as Heat
from trials.rounds.kitchen import Kitchen as Kitchen
from trials.rounds.kitchen import Prices as Prices
from trials.rounds.kitchen import Step as Step
from trials.rounds.round import Round as Round
from trials.rounds.scores import check as check
from trials.rounds.scores import scores as scores
from trials.rounds.timetable import timetable as timetable
from trials.show import pictures as pictures
from trials.show.album import album as album
from trials.show.page import report as report
from trials.show.page import story as story
from trials.show.sheets import write_sheets as write_sheets
from trials.tasting import difference as difference
from trials.tasting.panel import Taster as Taster
from trials.tasting.panel_size import panel_size as panel_size
from trials.tasting.replanning import replan_servings as replan_servings
from trials.tasting.serving import serving_plan as serving_plan

# What each takes
# Batch(dough=None, pieces=None, piece=None, loss=0.0, scales=(1.0, 0.1), smallest=None)
# Categorical(name, levels, hard_to_change=False, changes=None, unit='', only_when=None,
#     by_hand=False)
# Categorical.code(values)
# Categorical.read(value)
# Categorical.show(value)
# Component(name, low=0.0, high=1.0, changes=None, group=None, unit='', only_when=None)
# Component.code(values)
# Component.decode(coded)
# Component.read(value)
# Component.show(value)
# Counted(response, measure, factors, table, bakes, details, answers, sentences, notes, method)
# Counted.shown()
# Counted.summary()
# Findings(response, factors, terms, effects, tests, variance, ranking, residuals, engine,
#     margin=None, measure=None, spread=<factory>, to_settle=<factory>, failed=<factory>,
#     sentences=(), notes=(), method='', averaged=None, told=None, spoken=<factory>,
#     level_df=<factory>, evidence=None, bakes=<factory>, judge=None, again=None, asked=<factory>)
# Findings.bakes_scored()
# Findings.expected(table)
# Findings.means(by)
# Findings.predict(settings)
# Findings.rows(table)
# Findings.summary()
# Findings.to_statsmodels()
# Formula(name, parts, origin='', ingredients=None, also_flour=(), aside=('frying oil', 'soak',
#     'syrup', 'dip', 'coating'), only_when=<factory>)
# Formula.from_dict(data, ingredients=None)
# Formula.grams(*, dough=None, flour=None, pieces=None, piece=None, loss=0.0)
# Formula.halved(part)
# Formula.of_mix(mix, name=None, origin=None)
# Formula.part(name)
# Formula.swap(old, new, match=None, *, part=None)
# Formula.to_dict()
# Formula.totals(part=None, of='flour')
# Formula.weight_as_written()
# Formula.with_flour_share(flour, share, *, part=None)
# Formula.with_grams(ingredient, amount, *, part=None)
# Formula.with_percent(ingredient, percent, *, part=None)
# Formula.with_total(total, percent, *, by=None, part=None)
# Formula.with_totals(percents)
# Formula.without(name, *, part=None)
# Formula.written(ingredient, part=None)
# Heat(thing, factor='', setting=180.0, room=20.0, up=6.0, down=1.5, between_loads=0.0,
#     between_bakes=3.0, only_when=None)
# Heat.minutes(before, after)
# Kitchen(things=<factory>, heats=(), start='9:00', until='18:00', safe=120, fresh=None,
#     oil_fill=0.0)
# Measure(name, scale, unit='', per='tasting', goal=None, worth_noticing=None, words=(),
#     anchors=())
# Measure.entry(text)
# Measure.expects()
# Measure.on_scale(values)
# Measure.read(text)
# Numeric(name, low, high, unit='', centre=None, hard_to_change=False, changes=None, settings=(),
#     step=None, only_when=None, peak=False, by_hand=False, raises=(), lowers=())
# Numeric.code(values)
# Numeric.decode(coded)
# Numeric.read(value)
# Numeric.show(value)
# Plan(factors, rows, family, model, seed=0, reasons=(), excluded=(), details=<factory>)
# Plan.because(*reasons)
# Plan.count(role=None)
# Plan.factor(name)
# Plan.from_table(frame, factors)
# Plan.sentence()
# Prices(per_kilogram, currency)
# Round(folder, plan, measures, formula=None, tasters=(), seed=0, name='', parent='',
#     sitting=None, invented=False, batch=<factory>, steps=(), kitchen=None, prices=None,
#     taste='together')
# Round.create(folder, *, plan, measures, formula=None, tasters=(), seed=None, name='', parent='',
#     sitting=None, invented=False, batch=None, steps=(), kitchen=None, prices=None,
#     taste='together')
# Round.measure(name)
# Round.open(folder)
# Step(name, minutes, needs=(), per='bake', wait=None, only_when=None)
# Step.is_for(settings)
# Taster(name, avoids=(), *, also_avoids=(), days=(), cooks=False)
# add_photo(round_, bake, path)
# agreement_on(findings, factor)
# album(round_, table=None, *, bake=None)
# aliases(plan, order=2)
# as_categories(data, response, factors=None, *, model=None, groups=None, measure=None,
#     link='logit', bootstraps=0, seed=0)
# bundle(round_, path=None, *, names=False, replace=False)
# canonical(findings, at=None)
# card(formula, grams, units='grams', settings=None, scales=(1, 0.1))
# check(round_)
# compare(findings, factor, *, reference=None)
# controlled(findings, *, share=0.05)
# cross(a, b, share, part=None)
# crossing_factors(a, b, process_a=None, process_b=None, *, only=None, share=True, units=None,
#     hard_to_change=None)
# describe_tasters(findings)
# diagnostics(findings)
# evidence(data, factors=None, measures=None, *, held=None, alone=False, outside_range=False)
# failing(data, factors=None, *, response=None, model=None, level=0.95)
# fit(data, response, factors=None, *, model=None, groups=None, measure=None,
#     method='kenward-roger', held=None, alone=False, outside_range=False)
# next_round(round_or_findings, bakes, *, measures=None, exclude=None, action=None,
#     same_day=False, seed=None)
# panel_size(difference, bakes, *, changes=1, tasters=(1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12),
#     repeats=(1, 2), per_sitting=6, sd_bake=None, sd_tasting=None, earlier=None, chance=0.8,
#     level=0.05)
# parent_settings(factors, a, b, process_a=None, process_b=None)
# peak_region(findings, *, at=None, exclude=None, level=0.95)
# power(plan, *, effect, sd_bake=None, sd_tasting=None, sd_load=None, sd_day=None, tasters=1,
#     repeats=1, model=None, alpha=0.05)
# propose(factors, bakes, *, aim='screen', days=1, loads=None, references=0, exclude=None,
#     keep=None, seed=None, tasters=None, worth_noticing=None, alike=None, later=0, doughs=None,
#     bakes_a_dough=1)
# quality(plan, model=None, *, variance_ratio=None)
# read_side_test(test, *, diary=True)
# recommend(findings, measures, *, exclude=None, failure=None, failure_limit=0.1, weights=None,
#     limits=None, enough=None, wobble=None, exact=False)
# rehearse(plan, effects, *, rounds=1, measure=None, mean=6.0, tasters=1, spreads=None,
#     failures=(), rounded=None, seed=None)
# replan(round_, *, record=False, joins=(), leaves=(), add=(), more=0, limits=None, without=None,
#     move=None, held=None)
# replan_servings(plan, *, served, next_sitting, joins=(), leaves=(), avoid=None,
#     extra_sittings=0, seed)
# report(round_, path=None)
# scores(round_, *, actual=True)
# serve_ballots(round_, address='127.0.0.1', port=8765, *, renew=(), tell=<built-in function
#     print>)
# serving_plan(tasters, bakes, *, per_sitting, sittings=None, days=None, avoid=None,
#     reference=None, warm_up=None, reference_named=False, repeats=0, seed)
# shopping_list(round_, batch=None, *, spill=10.0, prices=None)
# side_test(folder, question, things, measure, *, times=3, seed=None)
# simple_effects(findings, factor, at)
# steepest(findings, steps=5, *, reach=1.5, at=None, downhill=None, exact=False)
# story(round_, path=None, *, units='grams')
# tell(rounds, *, units='grams', whole_eggs=False)
# timetable(planned, steps=None, kitchen=None, *, effort=1.0)
# with_parents(plan, parents, *, each=1)
# word_table(table, factor, *, words_in=('note',), least=2)
# workplace(folder='.')
# write_next(round_, bakes, to=None, *, action=None, seed=None)
# write_note(folder, note, *, day=None, bake='', about='', bakes=(), now=None, once=False)
# write_sheets(round_, *, as_pdf=False)
