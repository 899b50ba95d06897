"""Several processes that begin at the same moment and are timed as one."""

import multiprocessing
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from typing import Any

#: How long one process may take to get ready, or to do one run.
PATIENCE_SECONDS = 120


@dataclass(frozen=True, slots=True)
class Done:
    """What one process did in one run."""

    done: int
    refused: int


#: Gets ready once with `prepare(*arguments)`, then does runs: `work(state, run)`.
Prepare = Callable[..., Any]
Work = Callable[[Any, int], Done]


class Crew:
    """Processes that live through all runs, so that starting them is never timed."""

    def __init__(self, prepare: Prepare, work: Work, arguments: list[tuple[Any, ...]]) -> None:
        context = multiprocessing.get_context("spawn")
        self.processes, self.pipes = [], []
        for given in arguments:
            here, there = context.Pipe()
            process = context.Process(
                target=_member, args=(there, prepare, work, given), daemon=True
            )
            process.start()
            self.processes.append(process)
            self.pipes.append(here)
        for pipe in self.pipes:
            _answer(pipe)

    def run(self, number: int) -> tuple[float, list[Done]]:
        """Let all do run `number`; seconds until the last was ready, and what each did."""
        started = time.perf_counter()
        for pipe in self.pipes:
            pipe.send(number)
        done = [_answer(pipe) for pipe in self.pipes]
        return time.perf_counter() - started, done

    def dismiss(self) -> None:
        for pipe in self.pipes:
            pipe.send(None)
        for process in self.processes:
            process.join(PATIENCE_SECONDS)


def _answer(pipe: Connection) -> Any:
    if not pipe.poll(PATIENCE_SECONDS):
        raise TimeoutError("a process of the benchmark does not answer")
    found = pipe.recv()
    if isinstance(found, Exception):
        raise found
    return found


def _member(pipe: Connection, prepare: Prepare, work: Work, arguments: tuple[Any, ...]) -> None:
    try:
        state = prepare(*arguments)
        pipe.send(None)
        while (number := pipe.recv()) is not None:
            pipe.send(work(state, number))
    except Exception as error:  # told to the parent, which stops everything
        pipe.send(RuntimeError(f"{type(error).__name__}: {error}"))
