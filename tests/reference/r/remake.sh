#!/usr/bin/env bash
# Run every R script anew, in a folder of its own, and show what differs from the tables here:
# any text, and any number by more than a millionth of it (R's optimiser stops a little elsewhere
# on every machine). Exit status 0: nothing differs. With --write the new tables take the place of
# the old ones.
#
# Needs R with lme4 and pbkrtest. The inputs are remade too where $PYTHON (python3 if not set) has
# numpy and pandas.
set -euo pipefail
cd "$(dirname "$0")"
export LC_ALL=C.UTF-8 OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 PYTHONDONTWRITEBYTECODE=1
new=$(mktemp -d)
trap 'rm -rf "$new"' EXIT
cp ./*.R ./*.py ./*_input.csv ./scenarios.json "$new"
python=${PYTHON:-python3}
if "$python" -c 'import numpy, pandas' 2>/dev/null; then
    (cd "$new" && "$python" make_inputs.py)
else
    echo "$python has no numpy and pandas (set PYTHON): the inputs are taken as they are"
fi
for script in "$new"/*.R; do
    name=$(basename "$script" .R)
    [ "$name" = joined_rounds ] || (cd "$new" && Rscript --vanilla "$name.R")
done
same=0
for input in "$new"/*_input.csv "$new"/scenarios.json; do
    diff -u "$(basename "$input")" "$input" || same=1
done
Rscript --vanilla - "$new" <<'R' || same=1
new <- commandArgs(TRUE)[1]
differs <- FALSE
say <- function(...) {
  cat(..., "\n", sep = "")
  differs <<- TRUE
}
for (name in list.files(new, "_(output|tests|variance)[.]csv$")) {
  if (!file.exists(name)) { say(name, ": was not there"); next }
  old <- read.csv(name, encoding = "UTF-8")
  now <- read.csv(file.path(new, name), encoding = "UTF-8")
  if (!identical(dim(old), dim(now)) || !identical(names(old), names(now))) {
    say(name, ": other rows or columns")
    next
  }
  for (column in names(old)) {
    a <- old[[column]]
    b <- now[[column]]
    off <- if (is.numeric(a)) abs(a - b) > 1e-6 * pmax(abs(a), 1e-3) else a != b
    for (row in which(off)) {
      say(name, ", ", old[row, 1], ", ", column, ": ", format(a[row], digits = 8), " was, ",
        format(b[row], digits = 8), " is")
    }
  }
}
quit(status = as.integer(differs))
R
[ "${1:-}" != --write ] || cp "$new"/*_{input,output,tests,variance}.csv "$new/scenarios.json" .
[ "$same" = 0 ] && echo "the tables are as they were"
exit "$same"
