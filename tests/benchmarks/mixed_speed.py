"""How long a mixed model takes, and how that grows with the scores.

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python -m tests.benchmarks.mixed_speed

Writes ``results/mixed_speed.md``. Panels: every taster scores every bake, 12 columns of settings,
random bakes and tasters. The best of several repeats: the machine may be busy with other work.
"""

import platform
from time import perf_counter

import numpy as np

from tests.benchmarks.null_rounds import RESULTS
from tests.reference import mixed_models as published
from trials.analysis.mixed import RandomTerm, fit_mixed
from trials.analysis.small_sample import small_sample
from trials.base.files import write_text

# seconds for fit and Kenward-Roger in R 4.2.2 (lme4 1.1-31, lmerTest 3.1-3, pbkrtest 0.5.2),
# measured on a like machine on another day; blank where it was not run
R_SECONDS = {270: 0.18, 1000: 2.8, 2000: 13.0, 5000: 200.0}
PANELS = ((50, 20), (100, 20), (100, 50), (200, 100))


def panel(bakes: int, tasters: int) -> tuple[np.ndarray, np.ndarray, list[RandomTerm]]:
    rng = np.random.default_rng(bakes * tasters)
    bake, taster = (axis.ravel() for axis in np.indices((bakes, tasters)))
    settings = np.column_stack([np.ones(bakes), rng.choice([-1.0, 1.0], (bakes, 11))])
    y = 0.5 * rng.normal(size=bakes)[bake] + rng.normal(size=tasters)[taster]
    y += 1.2 * rng.normal(size=bake.size)
    return y, settings[bake], [RandomTerm("bake", bake), RandomTerm("taster", taster)]


def seconds(y: np.ndarray, X: np.ndarray, terms: list[RandomTerm]) -> tuple[float, float]:
    """Seconds of REML, and of Kenward-Roger with every coefficient and a joint test."""
    fits, adjustments = [], []
    for _ in range(15):
        start = perf_counter()
        fit = fit_mixed(y, X, terms)
        middle = perf_counter()
        small = small_sample(fit)
        small.estimates(np.eye(X.shape[1]))
        small.test(np.eye(X.shape[1])[1:])
        fits.append(middle - start)
        adjustments.append(perf_counter() - middle)
    return min(fits), min(adjustments)


def report() -> str:
    problems = [("cake, 15 replicates x 3 recipes", *published.cake())]
    problems += [(f"{b} bakes x {t} tasters", *panel(b, t)) for b, t in PANELS]
    lines = [
        "# Time of a mixed model",
        "",
        f"Python {platform.python_version()}, numpy {np.__version__}, one thread; seconds.",
        "Growth: the power of the number of scores with which the time rose from the row above.",
        "Each time is the best of 15. R (lme4, lmerTest, pbkrtest): a like machine, another day.",
        "",
        "| problem | scores | random levels | REML | Kenward-Roger | both | growth | R, both |",
        "|---|---|---|---|---|---|---|---|",
    ]
    before = None
    for name, y, X, terms in problems:
        fit, adjustment = seconds(y, X, terms)
        both, scores = fit + adjustment, len(y)
        growth = ""
        if before and before[0] != 270:
            growth = f"{np.log(both / before[1]) / np.log(scores / before[0]):.1f}"
        before = (scores, both)
        levels = sum(term.levels for term in terms)
        cells = [name, scores, levels, f"{fit:.4f}", f"{adjustment:.4f}", f"{both:.4f}", growth]
        lines.append("| " + " | ".join(map(str, [*cells, R_SECONDS.get(scores, "")])) + " |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    text = report()
    write_text(RESULTS / "mixed_speed.md", text)
    print(text)
