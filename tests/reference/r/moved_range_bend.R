# moved_range with a bend of the oil: over both rounds it has four settings, in each only two.
#
# R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2, Matrix 1.5-3. Run in this folder:
# Rscript moved_range_bend.R
# (all of them: ./remake.sh). Data invented, see make_inputs.py.
# Reads moved_range_input.csv;
# writes moved_range_bend_output.csv, _tests.csv, _variance.csv.

source("joined_rounds.R")

joined("moved_range_bend",
  factors = list(
    oil = numeric_factor(160, 185, "\u00b0C"),
    rest = numeric_factor(20, 60, "min"),
    glaze = kinds("none", "sugar")
  ),
  terms = c("oil", "rest", "glaze", "oil:rest", "oil^2"),
  fixed = "round",
  random = c("bake", "taster"),
  input = "moved_range"
)
