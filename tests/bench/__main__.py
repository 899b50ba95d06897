"""`python -m tests.bench NAME ...`: run benchmarks by name, or all of them."""

import sys
from importlib import import_module
from pathlib import Path

KNOWN = sorted(file.stem for file in Path(__file__).parent.glob("[a-z]*.py"))


def main(names: list[str]) -> int:
    unknown = [name for name in names if name not in KNOWN]
    if unknown:
        print(f"There is no benchmark {unknown[0]!r}; there are: {', '.join(KNOWN)}.")
        return 2
    for name in names or KNOWN:
        import_module(f"tests.bench.{name}").main()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
