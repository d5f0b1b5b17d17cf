# The second round does not vary sugar: it stands at 11 in all its bakes. Round fixed; bake and
# taster random.
#
# R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2, Matrix 1.5-3. Run in this folder:
# Rscript dropped_factor.R
# (all of them: ./remake.sh). Data invented, see make_inputs.py.
# Reads dropped_factor_input.csv;
# writes dropped_factor_output.csv, _tests.csv, _variance.csv.

source("joined_rounds.R")

joined("dropped_factor",
  factors = list(
    hydration = numeric_factor(88, 104, "%"),
    rest = numeric_factor(20, 60, "min"),
    sugar = numeric_factor(8, 14, "%")
  ),
  terms = c("hydration", "rest", "sugar", "hydration:rest", "hydration:sugar"),
  fixed = "round",
  random = c("bake", "taster")
)
