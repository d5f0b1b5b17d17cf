# Two rounds whose variance of bakes is estimated as exactly zero; it stays in the Kenward-Roger
# information. Round fixed; bake and taster random.
#
# R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2, Matrix 1.5-3. Run in this folder:
# Rscript bake_at_zero.R
# (all of them: ./remake.sh). Data invented, see make_inputs.py.
# Reads bake_at_zero_input.csv;
# writes bake_at_zero_output.csv, _tests.csv, _variance.csv.

source("joined_rounds.R")

joined("bake_at_zero",
  factors = list(
    hydration = numeric_factor(88, 104, "%"),
    fat = kinds("butter", "lard")
  ),
  terms = c("hydration", "fat", "hydration:fat"),
  fixed = "round",
  random = c("bake", "taster")
)
