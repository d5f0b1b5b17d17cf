# Five rounds of one day each: round random, as are bake and taster; no fixed block.
#
# R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2, Matrix 1.5-3. Run in this folder:
# Rscript five_rounds.R
# (all of them: ./remake.sh). Data invented, see make_inputs.py.
# Reads five_rounds_input.csv;
# writes five_rounds_output.csv, _tests.csv, _variance.csv.

source("joined_rounds.R")

joined("five_rounds",
  factors = list(
    hydration = numeric_factor(88, 104, "%"),
    fat = kinds("butter", "lard")
  ),
  terms = c("hydration", "fat", "hydration:fat"),
  fixed = NULL,
  random = c("round", "bake", "taster")
)
