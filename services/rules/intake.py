"""The questions before a visit and how they are answered in a form; and how long a link lasts. Pure.

Names of fields: `q-<question>` (yes, no, ask), and for each thing that a yes may mean
`k-<question>-<kind>` with `-details`, `-when`, `-day`, `-month`, `-year`, `-ago`, `-still`, `-where`.
What a page without styles would show all at once counts only where its question was answered yes.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from clients.rules.model import AboutClient, Question, Reach, RuleSet
from spa_ops.kernel.problems import InvalidInput

#: House policy.
AFTER_START, LONGEST = timedelta(days=1), timedelta(days=14)
MOST_NOTE, MOST_NAME = 1000, 200
CHOICES = {"yes": "yes", "no": "no", "ask": "not_answered"}
STILL = {"yes": True, "no": False, "": None}
#: How a client may say when; the last part names the field that holds it.
WHEN = {
    "": "",
    "day": "day",
    "month": "month",
    "year": "year",
    "days_ago": "ago",
    "weeks_ago": "ago",
    "months_ago": "ago",
    "planned": "",
}
_PARTS = ("", "-details", "-when", "-day", "-month", "-year", "-ago", "-still", "-where")
_PLAIN = ("changed", "consent", "birth_date", "guardian_name", "guardian_relation", "note")


def ends_at(created_at: datetime, visit_starts_at: datetime) -> datetime:
    """When a link ends: a day after the visit's start as now planned, and after 14 days at most."""
    return min(visit_starts_at + AFTER_START, created_at + LONGEST)


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedKind:
    """One thing that a yes may mean; `alone` when the question means nothing else."""

    key: str
    kind: str
    title: str
    details: tuple[str, ...]
    lasts: bool
    may_be_planned: bool
    has_place: bool
    alone: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedQuestion:
    """One question of the page."""

    key: str
    id: str
    text: str
    kinds: tuple[AskedKind, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """What is asked of one client: `changes_only` of one who answered before.

    `guardian`: "" not asked, "needed" of a minor, "if_minor" where the age is not known.
    """

    questions: tuple[AskedQuestion, ...]
    regions: tuple[str, ...]
    known: frozenset[str]
    changes_only: bool
    ask_birth_date: bool
    guardian: str


@dataclass(slots=True)
class Told:
    """What a filled-in form says: raw declarations as a consultation takes them, and their fields."""

    changed: str = ""
    answers: list[dict[str, str]] = field(default_factory=list)
    declarations: list[dict[str, Any]] = field(default_factory=list)
    #: For each declaration the field of the whole, and that of its time.
    declared_at: list[str] = field(default_factory=list)
    timed_at: list[str] = field(default_factory=list)
    birth_date: date | None = None
    guardian: dict[str, str] | None = None
    note: str = ""


def form_for(
    *,
    rule_set: RuleSet,
    lines: Sequence[tuple[str, str]],
    changes_only: bool,
    born: date | None,
    adult_from: date,
) -> Form:
    """The form for lines of (method, area); who was born after `adult_from` is a minor."""
    bearing = [rule_set.bearing_on(method, area) for method, area in lines]
    wanted = {q.id for b in bearing for q in b.questions}
    kinds = {kind for b in bearing for kind in b.by_kind}
    local = {
        kind
        for b in bearing
        for kind, rules in b.by_kind.items()
        if any(r.reach is not Reach.BODY and isinstance(r.trigger, AboutClient) for r in rules)
    }
    return Form(
        questions=tuple(
            _asked(rule_set, q, kinds, local) for q in rule_set.questions if q.id in wanted
        ),
        regions=tuple(a for a in sorted(rule_set.tree.within) if rule_set.tree.nearby[a] == rule_set.tree.touching[a]),
        # A line that was dropped meanwhile leaves answers behind: known words, and no fault.
        known=frozenset(_known(rule_set)),
        changes_only=changes_only,
        ask_birth_date=born is None,
        guardian="if_minor" if born is None else "needed" if born > adult_from else "",
    )  # fmt: skip


def _asked(
    rule_set: RuleSet, question: Question, bearing: set[str], local: set[str]
) -> AskedQuestion:
    shown = sorted(k for k in question.kinds & bearing if rule_set.kinds[k].told)
    kinds = (rule_set.kinds[name] for name in shown)
    return AskedQuestion(
        key=f"q-{question.id}",
        id=question.id,
        text=question.text,
        kinds=tuple(
            AskedKind(
                key=f"k-{question.id}-{k.id}",
                kind=k.id,
                title=k.title,
                details=tuple(sorted(k.details)),
                lasts=k.lasts_until is not None,
                may_be_planned=k.may_be_planned,
                has_place=k.id in local,
                alone=len(question.kinds) == 1,
            )
            for k in kinds
        ),
    )


def _known(rule_set: RuleSet) -> Iterator[str]:
    yield from _PLAIN
    for question in rule_set.questions:
        yield f"q-{question.id}"
        for kind in question.kinds:
            yield from (f"k-{question.id}-{kind}{part}" for part in _PARTS)


def told_from(
    form: Form, sent: Mapping[str, Sequence[str]], *, today: date, adult_from: date
) -> Told:
    """What was sent in for `form`; raises InvalidInput whose pointers are `/<field>`."""
    reading = _Reading(form, sent)
    told = reading.read(today, adult_from)
    if reading.faults:
        raise InvalidInput(*reading.faults)
    return told


class _Reading:
    def __init__(self, form: Form, sent: Mapping[str, Sequence[str]]) -> None:
        self.form, self.sent, self.told = form, sent, Told()
        self.faults: list[dict[str, str]] = []

    def wrong(self, name: str, message: str, code: str = "invalid") -> None:
        self.faults.append({"pointer": f"/{name}", "code": code, "message": message})

    def one(self, name: str) -> str:
        return (list(self.sent.get(name, ())) or [""])[-1].strip()

    def word(self, name: str, words: Iterable[str], message: str) -> str:
        found = self.one(name)
        if found not in words:
            self.wrong(name, message)
            return ""
        return found

    def read(self, today: date, adult_from: date) -> Told:
        for name in sorted(set(self.sent) - self.form.known):
            self.wrong("", f"{name[:60]} is not a question of this page", "unknown")
        for name, values in self.sent.items():
            if any("\x00" in value for value in values):
                self.wrong(name if name in self.form.known else "", "has a character that cannot be kept")  # fmt: skip
        if self.form.changes_only:
            message = "Say whether something has changed"
            self.told.changed = self.word("changed", ("yes", "no"), message)
        if self.told.changed != "no":
            for question in self.form.questions:
                self._question(question)
        self._person(today, adult_from)
        self.told.note = self._text("note", MOST_NOTE)
        if self.one("consent") != "yes":
            self.wrong("consent", "Tick this if you agree; without it the answers are not kept and nothing is sent", "required")  # fmt: skip
        return self.told

    def _question(self, question: AskedQuestion) -> None:
        words = (*CHOICES, "") if self.form.changes_only else tuple(CHOICES)
        chosen = self.word(question.key, words, "Choose yes, no, or to be asked in the room")
        if not chosen:
            return
        self.told.answers.append({"question": question.id, "answer": CHOICES[chosen]})
        if chosen == "yes":
            named = [k for k in question.kinds if k.alone or self.one(k.key)]
            if not named:
                self.wrong(question.kinds[0].key if question.kinds else question.key, "Tick what it is, or choose to be asked in the room", "required")  # fmt: skip
            for kind in named:
                self._kind(kind)

    def _kind(self, kind: AskedKind) -> None:
        raw: dict[str, Any] = {"kind": kind.kind, "details": list(self.sent.get(f"{kind.key}-details", ()))}  # fmt: skip
        when = self._when(kind)
        if when:
            raw["when"] = when
        if kind.lasts:
            raw["still"] = STILL[self.word(f"{kind.key}-still", STILL, "Choose one")]
        where = self.word(
            f"{kind.key}-where", ("", *self.form.regions), "Choose a part of the body"
        )
        raw["areas"] = [where] if where else []
        self.told.declarations.append(raw)
        self.told.declared_at.append(kind.key)
        part = WHEN.get(self.one(f"{kind.key}-when"))
        self.told.timed_at.append(f"{kind.key}-{part or 'when'}")

    def _when(self, kind: AskedKind) -> dict[str, Any]:
        form = self.word(f"{kind.key}-when", WHEN, "Choose how you can say when")
        if form in {"", "planned"}:
            return {"planned": True} if form else {}
        name = f"{kind.key}-{WHEN[form]}"
        text = self.one(name)
        if not text:
            self.wrong(name, "Fill this in, or choose that you don't know when", "required")
        elif WHEN[form] in {"day", "month"}:
            return {"on" if form == "day" else "month": text}
        elif text.isascii() and text.isdigit() and len(text) < 6:
            return {"year" if form == "year" else f"about_{form}": int(text)}
        else:
            self.wrong(name, "Must be a whole number")
        return {}

    def _person(self, today: date, adult_from: date) -> None:
        needed = self.form.guardian == "needed"
        if self.form.ask_birth_date:
            try:
                born = date.fromisoformat(self.one("birth_date"))
            except ValueError:
                self.wrong("birth_date", "Give the date of birth as year, month and day")
            else:
                self.told.birth_date, needed = born, born > adult_from
                if born > today:
                    self.wrong("birth_date", "Must not lie in the future")
        if not self.form.guardian:
            return
        name = self._text("guardian_name", MOST_NAME)
        relation = self._text("guardian_relation", MOST_NAME)
        for field_name, text in (("guardian_name", name), ("guardian_relation", relation)):
            if not text and (needed or name or relation):
                self.wrong(field_name, "Needed for a client under 18", "required")
        if name or relation:
            self.told.guardian = {"name": name, "relation": relation}

    def _text(self, name: str, most: int) -> str:
        text = self.one(name)
        if len(text) > most:
            self.wrong(name, f"Must be no longer than {most} characters")
        return text
