# Three rounds with six days in all. Round fixed; day within round, bake and taster random.
#
# R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2, Matrix 1.5-3. Run in this folder:
# Rscript five_days.R
# (all of them: ./remake.sh). Data invented, see make_inputs.py.
# Reads five_days_input.csv;
# writes five_days_output.csv, _tests.csv, _variance.csv.

source("joined_rounds.R")

joined("five_days",
  factors = list(
    hydration = numeric_factor(88, 104, "%"),
    rest = numeric_factor(20, 60, "min"),
    fat = kinds("butter", "lard")
  ),
  terms = c("hydration", "rest", "fat", "hydration:rest"),
  fixed = "round",
  random = c("day", "bake", "taster")
)
