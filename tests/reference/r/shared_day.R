# Three rounds on two days, the first two on one: they share its block. Day fixed; bake and taster
# random.
#
# R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2, Matrix 1.5-3. Run in this folder:
# Rscript shared_day.R
# (all of them: ./remake.sh). Data invented, see make_inputs.py.
# Reads shared_day_input.csv;
# writes shared_day_output.csv, _tests.csv, _variance.csv.

source("joined_rounds.R")

joined("shared_day",
  factors = list(
    hydration = numeric_factor(88, 104, "%"),
    fat = kinds("butter", "lard")
  ),
  terms = c("hydration", "fat", "hydration:fat"),
  fixed = "day",
  random = c("bake", "taster")
)
