"""`python -m spa_ops.launch VERB`: what the Makefile, the build and the containers call."""

import sys
from collections.abc import Callable

from spa_ops.launch import checking, run, serving, upgrade
from spa_ops.launch.refusals import LaunchRefused


def _upgrade() -> int:
    print(upgrade.upgrade(run.default_data_dir()))
    return 0


VERBS: dict[str, Callable[[list[str]], int]] = {
    "run": lambda _: run.run(),
    "demo": lambda _: run.demo(),
    "test": checking.test,
    "check": lambda _: checking.check(),
    "bench": checking.bench,
    "upgrade-data": lambda _: _upgrade(),
    "prepare-database": lambda _: serving.prepare_database(),
    "prepare-queue": lambda _: serving.prepare_queue(),
    "healthy": lambda words: serving.healthy(" ".join(words)),
}


def main(words: list[str]) -> int:
    verb, rest = (words[0], words[1:]) if words else ("", [])
    if verb not in VERBS:
        print(f"Say one of: {', '.join(VERBS)}.", file=sys.stderr)
        return 2
    try:
        return VERBS[verb](rest)
    except LaunchRefused as refusal:
        print(refusal, file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
