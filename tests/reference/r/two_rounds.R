# Two rounds of one development, the same factors in both. Round fixed; bake and taster random.
#
# R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2, Matrix 1.5-3. Run in this folder:
# Rscript two_rounds.R
# (all of them: ./remake.sh). Data invented, see make_inputs.py.
# Reads two_rounds_input.csv;
# writes two_rounds_output.csv, _tests.csv, _variance.csv.

source("joined_rounds.R")

joined("two_rounds",
  factors = list(
    oven = numeric_factor(160, 180, "\u00b0C"),
    sesame = numeric_factor(4, 12, "%"),
    fat = kinds("butter", "lard")
  ),
  terms = c("oven", "sesame", "fat", "oven:sesame", "oven:fat", "sesame:fat"),
  fixed = "round",
  random = c("bake", "taster")
)
