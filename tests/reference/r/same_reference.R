# Reference bakes in both rounds at one setting: their factor columns are silenced, and one column
# of their own takes their level up. Round fixed; bake and taster random.
#
# R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2, Matrix 1.5-3. Run in this folder:
# Rscript same_reference.R
# (all of them: ./remake.sh). Data invented, see make_inputs.py.
# Reads same_reference_input.csv;
# writes same_reference_output.csv, _tests.csv, _variance.csv.

source("joined_rounds.R")

joined("same_reference",
  factors = list(
    oven = numeric_factor(160, 180, "\u00b0C"),
    sesame = numeric_factor(4, 12, "%"),
    fat = kinds("butter", "lard")
  ),
  terms = c("oven", "sesame", "fat", "oven:sesame"),
  fixed = "round",
  random = c("bake", "taster"),
  own_reference = TRUE
)
