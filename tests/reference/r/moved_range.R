# The second round moves the range of the oil: 160 to 175, then 170 to 185. Effects over the
# union, 160 to 185. Round fixed; bake and taster random.
#
# R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2, Matrix 1.5-3. Run in this folder:
# Rscript moved_range.R
# (all of them: ./remake.sh). Data invented, see make_inputs.py.
# Reads moved_range_input.csv;
# writes moved_range_output.csv, _tests.csv, _variance.csv.

source("joined_rounds.R")

joined("moved_range",
  factors = list(
    oil = numeric_factor(160, 185, "\u00b0C"),
    rest = numeric_factor(20, 60, "min"),
    glaze = kinds("none", "sugar")
  ),
  terms = c("oil", "rest", "glaze", "oil:rest"),
  fixed = "round",
  random = c("bake", "taster")
)
