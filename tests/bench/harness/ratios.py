"""Two measured sides and their ratio: runs are interleaved, and the median run counts."""

import json
import sys
from collections.abc import Callable
from statistics import median

RUNS = 7


def compare(
    *,
    bench: str,
    case: str,
    ours: Callable[[int], float],
    peer: Callable[[int], float],
    unit: str,
    note: str,
    runs: int = RUNS,
) -> dict[str, object]:
    """Measure both sides `runs` times in turn (after one run each that does not count)."""
    found: dict[str, list[float]] = {"ours": [], "peer": []}
    for run in range(runs + 1):
        # Who goes first alternates, so that a slow moment of the machine meets both alike.
        sides = [("ours", ours), ("peer", peer)]
        for name, side in sides if run % 2 else reversed(sides):
            figure = side(run)
            if run:
                found[name].append(figure)
            print(f"{bench} {case} run {run} {name}: {figure:.4g} {unit}", file=sys.stderr)
    our_median, peer_median = median(found["ours"]), median(found["peer"])
    return {
        "bench": bench,
        "case": case,
        "ours": round(our_median, 4),
        "peer": round(peer_median, 4),
        "ratio": round(our_median / peer_median, 3),
        "unit": unit,
        "note": note,
    }


def show(cases: list[dict[str, object]]) -> None:
    """One JSON object per case, as the last lines."""
    sys.stderr.flush()
    for case in cases:
        print(json.dumps(case), flush=True)
