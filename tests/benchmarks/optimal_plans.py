"""Optimal plans against the reference run, and the time they take beside pyDOE3's.

Run by ``python -m tests.benchmarks.optimal_plans``; writes results/optimal_plans.md. pyDOE3's
``optimal_design`` gets shuffled candidates again and again for at most a minute; a plan that can
not judge the whole model counts as not reached.
"""

import multiprocessing
import queue
import time
import warnings
from concurrent.futures import ThreadPoolExecutor
from itertools import product
from pathlib import Path

import numpy as np
from pyDOE3.doe_optimal import optimal_design

from tests.design.attainable import cases, factors_of, planned, share_reached
from trials.core.terms import basis, model_terms

RESULT = Path(__file__).parent / "results" / "optimal_plans.md"
CAP = 60.0
ENOUGH = 99.5


def value_of(case: dict[str, str], settings: np.ndarray) -> float | None:
    """The criterion of independent bakes; None when the model can not be estimated."""
    factors = factors_of(case)
    columns = basis(model_terms(case["model"], factors), factors)
    X = columns.rows(settings)
    eigen = np.linalg.eigvalsh(X.T @ X)
    if eigen[0] < 1e-10 * eigen[-1]:
        return None
    if case["criterion"] == "D":
        return 100 * float(np.exp(np.log(eigen).mean())) / len(X)
    return float(np.trace(np.linalg.inv(X.T @ X) @ columns.moments()))


def shuffled(case: dict[str, str], answer: "multiprocessing.Queue") -> None:
    """Ask pyDOE3 with one shuffle after another, telling each plan that is better."""
    number, kinds = int(case["factors"]), int(case["kinds"])
    levels = 2 if case["model"] in ("main", "interactions") else 3
    grid = np.array(list(product(*[range(3)] * kinds, *[np.linspace(-1, 1, levels)] * number)))
    factors = factors_of(case)
    columns = basis(model_terms(case["model"], factors), factors)
    # Kinds can not be said to pyDOE3: it gets the columns of the model instead, all but the mean
    points = columns.rows(grid)[:, 1:] if kinds else grid
    degree = 1 if kinds or case["model"] == "main" else 2
    # The methods that came nearest in the reference run
    method = "detmax" if case["criterion"] == "D" else "modified_fedorov"
    rng, best = np.random.default_rng(1), 0.0
    warnings.simplefilter("ignore")  # it inverts singular matrices by the thousand
    while True:
        order = rng.permutation(len(grid))
        design, _ = optimal_design(
            points[order], int(case["bakes"]), degree, case["criterion"], method
        )
        rows = [np.abs(points - row).sum(axis=1).argmin() for row in design]
        value = value_of(case, grid[rows])
        share = share_reached(case, value) if value else 0.0
        if share > best:
            best = share
            answer.put(best)


def beside(case: dict[str, str]) -> str:
    """What pyDOE3 reached and when."""
    if case["loads"]:
        return "can not be asked"
    answer: multiprocessing.Queue = multiprocessing.Queue()
    process = multiprocessing.Process(target=shuffled, args=(case, answer), daemon=True)
    begun, best = time.monotonic(), 0.0
    process.start()
    while best < ENOUGH and (left := CAP - (time.monotonic() - begun)) > 0:
        try:
            best = answer.get(timeout=left)
        except queue.Empty:
            break
    spent = time.monotonic() - begun
    process.kill()
    process.join()
    if best >= ENOUGH:
        return f"{best:.1f}% in {spent:.1f} s"
    return f"not reached in {CAP:.0f} s" + (
        f" (best {best:.1f}%)" if best else " (singular or none)"
    )


def main() -> None:
    lines = [
        "# Optimal plans",
        "",
        "Made by `python -m tests.benchmarks.optimal_plans`. Value: 100 |X'WX/n|^(1/p) for D, mean",
        "variance over the region for I. Share: of the reference run's best "
        "(tests/reference/attainable_plans.csv);",
        "above 100 is better than it. One call, seed 1, processor seconds. pyDOE3 1.6.2: shuffled",
        f"candidates until {ENOUGH}% or {CAP:.0f} s, two cases at a time, each on its own core.",
        "It is offered three settings a factor where a case has 21 (194 481 candidates).",
        "",
        "| case | criterion | columns | bakes | loads (ratio) | value | reference | share | time "
        "| pyDOE3 |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    rows = [ours(case) for case in cases()]
    with ThreadPoolExecutor(2) as pool:
        for row, answer in zip(rows, pool.map(beside, cases()), strict=True):
            lines.append(f"{row} {answer} |")
            print(lines[-1], flush=True)
    RESULT.write_text("\n".join(lines) + "\n", encoding="utf-8")


def ours(case: dict[str, str]) -> str:
    """What one call reaches and when."""
    begun = time.process_time()
    plan = planned(case)
    spent = time.process_time() - begun
    value = plan.details["value"]
    factors = factors_of(case)
    size = basis(model_terms(case["model"], factors), factors).size
    loads = f"{case['loads']} ({case['variance_ratio']})" if case["loads"] else ""
    return (
        f"| {case['case']}: {case['factors']} numbers, {case['kinds']} kinds, {case['model']} "
        f"| {case['criterion']} | {size} | {case['bakes']} | {loads} | {value:.4f} "
        f"| {case['value']} | {share_reached(case, value):.2f}% | {spent:.2f} s |"
    )


if __name__ == "__main__":
    main()
