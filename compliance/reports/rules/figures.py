"""The figures of the dashboard, judged on evidence entries alone. Pure.

A figure counts how many of the things that happened were as they must be, and names the entries
that say so and those that say otherwise. Nothing recorded is nothing counted: what should have
happened and was never recorded needs the schedule of duties, which is not judged here.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

PASSES = frozenset({"proceed", "proceed_with_care"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """One entry as judging needs it: its number in the chain, its kind, when, and its facts."""

    n: int
    kind: str
    occurred_at: datetime
    facts: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """`of` things were judged; the entries in `met` say they were right, those in `not_met` not."""

    name: str
    says: str
    basis: str
    met: tuple[int, ...]
    not_met: tuple[int, ...]

    @property
    def of(self) -> int:
        return len(self.met) + len(self.not_met)

    @property
    def basis_points(self) -> int | None:
        """Met per ten thousand; None where nothing was judged: no record is not a full score."""
        return len(self.met) * 10_000 // self.of if self.of else None


def _instant(text: str) -> datetime:
    return datetime.fromisoformat(text)


def _figure(name: str, says: str, basis: str, judged: Iterable[tuple[int, bool]]) -> Figure:
    pairs = list(judged)
    return Figure(
        name=name,
        says=says,
        basis=basis,
        met=tuple(n for n, good in pairs if good),
        not_met=tuple(n for n, good in pairs if not good),
    )


def screened_before_start(entries: Sequence[Seen], local_day: Callable[[datetime], date]) -> Figure:
    """Lines that started after a verdict of the same local day that let them, or an override."""
    verdicts: dict[str, Seen] = {}
    overridden: set[str] = set()
    judged: list[tuple[int, bool]] = []
    for entry in entries:
        line = entry.facts.get("line_id", "")
        if entry.kind == "line.screened":
            verdicts[line] = entry
            overridden.discard(line)
        elif entry.kind == "line.overridden":
            overridden.add(line)
        elif entry.kind == "line.started" and entry.facts["first"]:
            verdict = verdicts.get(line)
            good = (
                verdict is not None
                and verdict.facts["screened_on"] == str(local_day(entry.occurred_at))
                and (
                    verdict.facts["verdict"] in PASSES
                    or line in overridden
                    or entry.facts["overridden"]
                )
            )
            judged.append((entry.n, good))
    return _figure(
        "screened_before_start",
        "Lines started after screening of the same day let them",
        "16 TAC 83.102(b) for what is looked for; asking anew each day is house policy",
        judged,
    )


def cleared_before_use(entries: Sequence[Seen]) -> Figure:
    """Kits opened for a client with every implement in them cleared."""
    return _figure(
        "cleared_before_use",
        "Kits opened with every implement cleared",
        "16 CCR 979 (older text); Wyo. barber rules ch. 2 s. 2-2",
        ((e.n, bool(e.facts["cleared"])) for e in entries if e.kind == "kit.opened"),
    )


def soaked_inside_window(entries: Sequence[Seen]) -> Figure:
    """Implements immersed in a bath as strong as its label asks and inside its use window."""
    struck = {e.facts["event_id"] for e in entries if e.kind == "implement.event_struck"}
    baths: dict[str, Seen] = {
        e.facts["solution_id"]: e for e in entries if e.kind == "solution.mixed"
    }
    ended = {
        e.facts["solution_id"]: _instant(e.facts["ended_at"])
        for e in entries
        if e.kind == "solution.ended"
    }

    def inside(entry: Seen) -> bool:
        bath = baths.get(entry.facts["agent_id"] or "")
        if bath is None or bath.facts["pour"] != "ok":
            return False
        end = min(
            _instant(bath.facts["discard_at"]),
            ended.get(
                entry.facts["agent_id"], datetime.max.replace(tzinfo=entry.occurred_at.tzinfo)
            ),
        )
        return entry.occurred_at < end

    return _figure(
        "soaked_inside_window",
        "Implements immersed in a solution inside its use window",
        "16 TAC 83.101(a)(3) and the like; the strictest of label, board and house",
        (
            (e.n, inside(e))
            for e in entries
            if e.kind == "implement.reprocessed"
            and e.facts["event"] == "immersed"
            and e.facts.get("event_id") not in struck
        ),
    )


def turnovers_on_time(entries: Sequence[Seen], within: timedelta) -> Figure:
    """Turnovers after a client that began within the location's minutes."""
    return _figure(
        "turnovers_on_time",
        f"Turnovers begun within {int(within.total_seconds()) // 60} minutes of leaving",
        "house policy: no rule publishes minutes of turnover",
        (
            (e.n, e.occurred_at - _instant(e.facts["due_since"]) <= within)
            for e in entries
            if e.kind == "room.turnover_begun" and e.facts.get("visit_id")
        ),
    )


def open_flags(entries: Sequence[Seen]) -> tuple[int, ...]:
    """The entries of flags that were raised and have not cleared."""
    cleared = {e.facts["flag_id"] for e in entries if e.kind == "room.flag_cleared"}
    return tuple(
        e.n for e in entries if e.kind == "room.flag_raised" and e.facts["flag_id"] not in cleared
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Lapsing:
    """A licence that ends soon or has ended, with the entry that recorded it last."""

    n: int
    subject_id: str
    valid_through: date
    lapsed: bool


def lapsing(entries: Sequence[Seen], key: str, today: date, within_days: int) -> list[Lapsing]:
    """Of the newest entry per `key`, those whose `valid_through` is near or past, soonest first."""
    newest = {e.facts[key]: e for e in entries}
    found = []
    for subject, entry in newest.items():
        text = entry.facts.get("valid_through") or entry.facts.get("licence_valid_through")
        if text is None:
            continue
        through = date.fromisoformat(text)
        if through <= today + timedelta(days=within_days):
            found.append(
                Lapsing(
                    n=entry.n, subject_id=subject, valid_through=through, lapsed=through < today
                )
            )
    return sorted(found, key=lambda x: (x.valid_through, x.subject_id))
