"""The figures of the dashboard, judged on evidence entries alone. Pure.

A figure counts how many of the things that happened were as they must be, and names the entries
that say so and those that say otherwise. Nothing recorded is nothing counted: what should have
happened and was never recorded is only seen where a due check was raised for it.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from spa_ops.kernel.intervals import Period

PASSES = frozenset({"proceed", "proceed_with_care"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """One entry as judging needs it: its number in the chain, its kind, when, and its facts."""

    n: int
    kind: str
    occurred_at: datetime
    facts: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One thing that was judged: the entry that tells of it, when it counts, and what was wrong with it."""

    n: int
    at: datetime
    why: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """What judging goes by besides entries: local days, the house's minutes, and until when is told.

    `pieces`: the kind of each piece of equipment that was ever on file.
    """

    local_day: Callable[[datetime], date]
    until: datetime
    turnover_within: timedelta = timedelta(minutes=10)
    pieces: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """How a figure is made: from which kinds of entries, and of whom it is asked at all.

    `asked_of`: a kind of entry without which a location has nothing of that sort, and what its
    `kind` must be then; of a steriliser or a piece that was retired nothing is asked any more.
    """

    name: str
    says: str
    basis: str
    kinds: frozenset[str]
    judge: Callable[[Sequence[Seen], Terms], Iterable[Judged]]
    asked_of: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """What was judged, in the order of the chain: `met` was right, `not_met` was not."""

    name: str
    says: str
    basis: str
    judged: tuple[Judged, ...]

    @property
    def met(self) -> tuple[int, ...]:
        return tuple(one.n for one in self.judged if not one.why)

    @property
    def not_met(self) -> tuple[int, ...]:
        return tuple(one.n for one in self.judged if one.why)

    @property
    def why(self) -> dict[str, int]:
        """What was wrong, and how often; one thing may be wrong in two ways."""
        return dict(sorted(Counter(word for one in self.judged for word in one.why).items()))

    @property
    def of(self) -> int:
        return len(self.judged)

    @property
    def basis_points(self) -> int | None:
        """Met per ten thousand; None where nothing was judged: no record is not a full score."""
        return len(self.met) * 10_000 // self.of if self.of else None


def figure_of(rule: Rule, entries: Iterable[Seen], terms: Terms, period: Period) -> Figure:
    """A figure of what counts in a period; the entries may reach beyond it on both sides."""
    mine = [entry for entry in entries if entry.kind in rule.kinds]
    judged = (one for one in rule.judge(mine, terms) if period.start <= one.at < period.end)
    return Figure(
        name=rule.name,
        says=rule.says.format(minutes=int(terms.turnover_within.total_seconds()) // 60),
        basis=rule.basis,
        judged=tuple(sorted(judged, key=lambda one: one.n)),
    )


def instant(text: str) -> datetime:
    """An instant as entries have it."""
    return datetime.fromisoformat(text)


def _unless(good: bool, why: str) -> tuple[str, ...]:
    return () if good else (why,)


def screened_before_start(entries: Sequence[Seen], terms: Terms) -> Iterator[Judged]:
    """Lines that started after a verdict of the same local day that let them, or an override."""
    verdicts: dict[str, Seen] = {}
    overridden: set[str] = set()
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
                and verdict.facts["screened_on"] == str(terms.local_day(entry.occurred_at))
                and (
                    verdict.facts["verdict"] in PASSES
                    or line in overridden
                    or entry.facts["overridden"]
                )
            )
            yield Judged(n=entry.n, at=entry.occurred_at, why=_unless(good, "not_screened"))


def cleared_before_use(entries: Sequence[Seen], _: Terms) -> Iterator[Judged]:
    """Kits opened for a client with every implement in them cleared."""
    for entry in entries:
        why = _unless(bool(entry.facts["cleared"]), "not_cleared")
        yield Judged(n=entry.n, at=entry.occurred_at, why=why)


#: What may end a bath before what was said when it was mixed, and the fact that says when.
_ENDS = {"solution.ended": "ended_at", "solution.window_shortened": "discard_at"}


def soaked_inside_window(entries: Sequence[Seen], _: Terms) -> Iterator[Judged]:
    """Implements immersed in a bath as strong as its label asks and inside its use window."""
    struck = {e.facts["event_id"] for e in entries if e.kind == "implement.event_struck"}
    baths: dict[str, Seen] = {
        e.facts["solution_id"]: e for e in entries if e.kind == "solution.mixed"
    }
    ended: dict[str, datetime] = {}
    for e in entries:
        if e.kind in _ENDS:
            at, bath = instant(e.facts[_ENDS[e.kind]]), e.facts["solution_id"]
            ended[bath] = min(at, ended.get(bath, at))

    def inside(entry: Seen) -> bool:
        bath = baths.get(entry.facts["agent_id"] or "")
        if bath is None or bath.facts["pour"] != "ok":
            return False
        end = min(
            instant(bath.facts["discard_at"]),
            ended.get(
                entry.facts["agent_id"], datetime.max.replace(tzinfo=entry.occurred_at.tzinfo)
            ),
        )
        return entry.occurred_at < end

    for e in entries:
        immersed = e.kind == "implement.reprocessed" and e.facts["event"] == "immersed"
        if immersed and e.facts.get("event_id") not in struck:
            yield Judged(n=e.n, at=e.occurred_at, why=_unless(inside(e), "outside_window"))


def turnovers_on_time(entries: Sequence[Seen], terms: Terms) -> Iterator[Judged]:
    """Turnovers after a client that began within the location's minutes."""
    for e in entries:
        if e.facts.get("visit_id"):
            in_time = e.occurred_at - instant(e.facts["due_since"]) <= terms.turnover_within
            yield Judged(n=e.n, at=e.occurred_at, why=_unless(in_time, "late"))


def turnovers_not_too_fast(entries: Sequence[Seen], _: Terms) -> Iterator[Judged]:
    """Turnovers that took at least what their steps and the wet time take; early entries do not say."""
    for e in entries:
        if "too_fast" in e.facts:
            yield Judged(n=e.n, at=e.occurred_at, why=_unless(not e.facts["too_fast"], "too_fast"))


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
