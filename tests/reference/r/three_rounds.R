# Three rounds of 8, 4 and 4 bakes, some settings repeated, a taster missing in the third. Round
# fixed; bake and taster random.
#
# R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2, Matrix 1.5-3. Run in this folder:
# Rscript three_rounds.R
# (all of them: ./remake.sh). Data invented, see make_inputs.py.
# Reads three_rounds_input.csv;
# writes three_rounds_output.csv, _tests.csv, _variance.csv.

source("joined_rounds.R")

joined("three_rounds",
  factors = list(
    hydration = numeric_factor(88, 104, "%"),
    rest = numeric_factor(20, 60, "min"),
    fat = kinds("butter", "lard", "oil")
  ),
  terms = c("hydration", "rest", "fat", "hydration:rest", "hydration:fat"),
  fixed = "round",
  random = c("bake", "taster")
)
