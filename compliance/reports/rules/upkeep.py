"""Figures of what is kept up between clients: lists, equipment, hand-overs, sterilisers. Pure.

What was done is judged by its own entry. What was not done leaves none: there the due check that was
raised for it is judged, and counts at the time it was due.
"""

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from compliance.reports.rules.figures import Judged, Seen, Terms, instant

Judge = Callable[[Sequence[Seen], Terms], Iterator[Judged]]
#: A hand-over is to be accepted within this of being given: house policy, no rule publishes a time.
ACCEPTED_WITHIN = timedelta(hours=12)
NOT_DONE, LATE = "not_done", "late"


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """A due check: raised, and cleared unless it is open still."""

    subject_id: str
    due_at: datetime
    raised: Seen
    cleared: Seen | None

    @property
    def cleared_at(self) -> datetime | None:
        return instant(self.cleared.facts["cleared_at"]) if self.cleared else None

    @property
    def no_longer_asked(self) -> bool:
        """It went away before it was due, without having been done."""
        facts = self.cleared.facts if self.cleared else {}
        return facts.get("outcome") == "gone" and not facts["late"]

    def judged(self, *why: str) -> Judged:
        return Judged(n=(self.cleared or self.raised).n, at=self.due_at, why=why)


def checks_of(entries: Sequence[Seen], kind: str) -> list[Check]:
    """The due checks of a kind, as the last entry of each leaves it."""
    raised: dict[str, Seen] = {}
    cleared: dict[str, Seen] = {}
    for entry in entries:
        if entry.facts.get("kind") != kind:
            continue
        if entry.kind == "due_check.raised":
            raised[entry.facts["due_check_id"]] = entry
            # What had been cleared and is to be done after all is open again.
            cleared.pop(entry.facts["due_check_id"], None)
        elif entry.kind == "due_check.cleared":
            cleared[entry.facts["due_check_id"]] = entry
    return [
        Check(
            subject_id=entry.facts["subject_id"],
            due_at=instant(entry.facts["due_at"]),
            raised=entry,
            cleared=cleared.get(check_id),
        )
        for check_id, entry in raised.items()
    ]


def missed_by_day(checks: Iterable[Check], terms: Terms) -> Iterator[tuple[Check, str]]:
    """The checks that were not done on the local day on which they were due, each with late or not done."""
    for check in checks:
        # What is due when a day ends is due on that day.
        last_day = terms.local_day(check.due_at - timedelta(microseconds=1))
        at = check.cleared_at
        if check.no_longer_asked or terms.local_day(at or terms.until) <= last_day:
            continue
        done = check.cleared is not None and check.cleared.facts["outcome"] == "done"
        yield check, LATE if done else NOT_DONE


def lists_kept(kind: str) -> Judge:
    """Lists of a kind that were done by when they were due, with nothing blank, undone or contradicted.

    One that was signed off is judged as it stood then; one that nobody signed off by its due check.
    """

    def judge(entries: Sequence[Seen], terms: Terms) -> Iterator[Judged]:
        mine = [e for e in entries if e.facts.get("kind") == kind]
        signed = [e for e in mine if e.kind == "check_list.signed_off"]
        for e in signed:
            words = (LATE, "blank", NOT_DONE, "contradicted")
            due_at = e.facts.get("due_at")
            at = instant(due_at) if due_at else e.occurred_at
            yield Judged(n=e.n, at=at, why=tuple(word for word in words if e.facts[word]))
        dues = {instant(e.facts["due_at"]) for e in signed if e.facts.get("due_at")}
        ends = {e.occurred_at for e in signed}
        for check in checks_of(entries, f"{kind}_list"):
            if check.due_at in dues or check.cleared_at in ends or check.no_longer_asked:
                continue
            if check.cleared is None:
                if check.due_at < terms.until:
                    yield check.judged(NOT_DONE)
            elif check.cleared.facts["outcome"] != "done":
                yield check.judged(NOT_DONE)
            else:
                yield check.judged(*([LATE] if check.cleared.facts["late"] else []))

    return judge


def equipment_kept(
    *kinds: str, events: frozenset[str] = frozenset(), missed: str = "care_missed"
) -> Judge:
    """What was logged of pieces of these kinds without a flaw, and days that went by without what was due.

    `events`: only these are judged; empty: everything that is logged. `missed`: what to call such a day.
    """

    def judge(entries: Sequence[Seen], terms: Terms) -> Iterator[Judged]:
        for e in _standing(entries):
            if e.facts["kind"] in kinds and (not events or e.facts["event"] in events):
                yield Judged(n=e.n, at=e.occurred_at, why=tuple(e.facts.get("flaws") or ()))
        for check, _ in missed_by_day(_checks_of_pieces(entries, kinds, terms), terms):
            yield check.judged(missed)

    return judge


def sharps_boxes_kept(entries: Sequence[Seen], terms: Terms) -> Iterator[Judged]:
    """Boxes that were replaced on the local day on which they were called full, and dates that were missed."""
    log = [e for e in _standing(entries) if e.facts["kind"] == "sharps_box"]
    log.sort(key=lambda e: (e.occurred_at, e.n))
    full = [e for e in log if e.facts["event"] == "full"]
    for e in full:
        ends = (
            x.occurred_at
            for x in log
            if x.facts["equipment_id"] == e.facts["equipment_id"]
            and x.facts["event"] in {"replaced", "opened"}
            and x.occurred_at > e.occurred_at
        )
        at = next(ends, None)
        if terms.local_day(at or terms.until) > terms.local_day(e.occurred_at):
            yield Judged(n=e.n, at=e.occurred_at, why=(LATE if at else NOT_DONE,))
        elif at:
            yield Judged(n=e.n, at=e.occurred_at)
    # What is due of a full box is due from that entry on: it was judged just now.
    told = {(e.facts["equipment_id"], e.occurred_at) for e in full}
    checks = _checks_of_pieces(entries, ("sharps_box",), terms)
    rest = [check for check in checks if (check.subject_id, check.due_at) not in told]
    for check, _ in missed_by_day(rest, terms):
        yield check.judged("out_of_date")


def _standing(entries: Sequence[Seen]) -> list[Seen]:
    struck = {e.facts["entry_id"] for e in entries if e.kind == "equipment.entry_struck"}
    return [
        e for e in entries if e.kind == "equipment.logged" and e.facts["entry_id"] not in struck
    ]


def _checks_of_pieces(
    entries: Sequence[Seen], kinds: Collection[str], terms: Terms
) -> Iterator[Check]:
    for check in checks_of(entries, "equipment"):
        if terms.pieces.get(check.subject_id) in kinds:
            yield check


def hand_overs_accepted(entries: Sequence[Seen], terms: Terms) -> Iterator[Judged]:
    """Hand-overs that somebody of the next shift accepted by name, in time."""
    accepted = {
        e.facts["hand_over_id"]: e.occurred_at for e in entries if e.kind == "hand_over.accepted"
    }
    for e in entries:
        if e.kind != "hand_over.given":
            continue
        at = accepted.get(e.facts["hand_over_id"])
        if (at or terms.until) - e.occurred_at > ACCEPTED_WITHIN:
            yield Judged(n=e.n, at=e.occurred_at, why=(LATE if at else "not_accepted",))
        elif at:
            yield Judged(n=e.n, at=e.occurred_at)


def spore_tests_on_time(entries: Sequence[Seen], terms: Terms) -> Iterator[Judged]:
    """Spore tests taken by the day they were due; those of a steriliser that is out of use are not asked for."""
    outages = {
        (e.facts["steriliser_id"], instant(e.facts["since"]))
        for e in entries
        if e.kind == "steriliser.out_of_use"
    }
    asked = (c for c in checks_of(entries, "spore_test") if (c.subject_id, c.due_at) not in outages)
    missed = list(missed_by_day(asked, terms))
    # A late test is told by its check alone, as one thing.
    late = {(check.subject_id, check.cleared_at) for check, _ in missed}
    for e in entries:
        if e.kind == "spore_test.taken":
            at = instant(e.facts["taken_at"])
            if (e.facts["steriliser_id"], at) not in late:
                yield Judged(n=e.n, at=at)
    for check, word in missed:
        yield check.judged(word)


def spore_tests_good(entries: Sequence[Seen], _: Terms) -> Iterator[Judged]:
    """Spore tests that were read and showed no growth; a corrected one by its corrected result."""
    corrected = {
        e.facts["test_id"]: e.facts["result"] for e in entries if e.kind == "spore_test.corrected"
    }
    for e in entries:
        if e.kind == "spore_test.read":
            result = corrected.get(e.facts["test_id"], e.facts["result"])
            why = () if result == "good" else (str(result),)
            yield Judged(n=e.n, at=instant(e.facts["read_at"]), why=why)


_DECIDES = {
    "steriliser.load_released": (),
    "steriliser.load_failed": ("failed",),
    "steriliser.load_recalled": ("recalled",),
}


def loads_standing(entries: Sequence[Seen], _: Terms) -> Iterator[Judged]:
    """Loads of sterilisers that were decided: released, and not failed or recalled since."""
    found: dict[str, Judged] = {}
    before: dict[str, Judged] = {}
    for e in entries:
        if e.kind == "steriliser.load_vouched_for":
            # The test that took it back had not failed: it counts as it did before.
            was = before.get(e.facts["load_id"])
            if was is None:
                found.pop(e.facts["load_id"], None)
            else:
                found[e.facts["load_id"]] = was
            continue
        if e.kind not in _DECIDES:
            continue
        load = e.facts["load_id"]
        found[load] = Judged(n=e.n, at=e.occurred_at, why=_DECIDES[e.kind])
        if e.kind != "steriliser.load_recalled":
            before[load] = found[load]
    yield from found.values()
