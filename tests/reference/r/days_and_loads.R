# Two rounds of two days each, two loads of oil a day. The four days are fixed, which takes the
# rounds with them; load, bake and taster random.
#
# R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2, Matrix 1.5-3. Run in this folder:
# Rscript days_and_loads.R
# (all of them: ./remake.sh). Data invented, see make_inputs.py.
# Reads days_and_loads_input.csv;
# writes days_and_loads_output.csv, _tests.csv, _variance.csv.

source("joined_rounds.R")

joined("days_and_loads",
  factors = list(
    oil = numeric_factor(165, 180, "\u00b0C"),
    hydration = numeric_factor(88, 104, "%"),
    fat = kinds("butter", "lard")
  ),
  terms = c("oil", "hydration", "fat", "oil:hydration"),
  fixed = "day",
  random = c("load", "bake", "taster")
)
