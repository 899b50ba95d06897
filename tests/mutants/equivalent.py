"""Mutants that no test can notice, and why: they change how a verdict is reached, not which."""

EQUIVALENT: dict[str, str] = {
    "areas 44: 1 -> 2": "the line of a region is itself and the root, so that its last but one is the region",
}
