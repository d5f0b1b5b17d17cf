# Reference bakes in both rounds, at different settings: they are bakes like any other and speak
# by their settings. Round fixed; bake and taster random.
#
# R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2, Matrix 1.5-3. Run in this folder:
# Rscript moved_reference.R
# (all of them: ./remake.sh). Data invented, see make_inputs.py.
# Reads moved_reference_input.csv;
# writes moved_reference_output.csv, _tests.csv, _variance.csv.

source("joined_rounds.R")

joined("moved_reference",
  factors = list(
    oven = numeric_factor(160, 180, "\u00b0C"),
    sesame = numeric_factor(4, 12, "%"),
    fat = kinds("butter", "lard")
  ),
  terms = c("oven", "sesame", "fat", "oven:sesame"),
  fixed = "round",
  random = c("bake", "taster")
)
