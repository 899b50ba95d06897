"""Screening: may this line be done on this client, and otherwise from which day?

Pure. Strictest wins, every reason is kept, what is vague or unknown counts as its worst case, and
silence never proceeds. It advises; the licensed practitioner, the local board, the product label
and the client's doctor decide.

Every rule that meets something declared or found becomes a *hit*: the span of service days on
which it stands. The verdict looks at the hits that stand on the line's day; the earliest date is
the first day after them.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

from clients.rules.cases import (
    Answer,
    Ask,
    Declaration,
    Finding,
    LineToScreen,
    Reason,
    Screening,
    Unclear,
)
from clients.rules.inputs import check_input
from clients.rules.model import (
    Bearing,
    ComesAfter,
    Lift,
    PatchTest,
    Question,
    Rule,
    RuleSet,
    Verdict,
)
from clients.rules.spans import ALWAYS, Observed, Span, as_observed, span_of, unclear_about

_DATED = {Verdict.PATCH_TEST_FIRST, Verdict.WAIT_UNTIL, Verdict.DO_NOT_TREAT}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Hit:
    """A rule set off by something, and the service days on which it stands."""

    rule: Rule
    about: str
    span: Span
    met: bool
    until: date | None = None
    condition: str | None = None
    unclear: frozenset[Unclear] = frozenset()
    #: What set it off, where that was something said or seen.
    thing: Observed | None = None

    @property
    def stands_as(self) -> Verdict:
        """The verdict it still asks for; what is met asks for care and no more."""
        return min(self.rule.verdict, Verdict.PROCEED_WITH_CARE) if self.met else self.rule.verdict

    @property
    def is_dated(self) -> bool:
        """Whether time alone meets it, on `until`."""
        return self.until is not None and not self.met and self.rule.verdict in _DATED


def screen(
    *,
    rule_set: RuleSet,
    lines: Sequence[LineToScreen],
    answers: Mapping[str, Answer],
    declarations: Sequence[Declaration],
    findings: Sequence[Finding],
    today: date,
) -> dict[str, Screening]:
    """The screening of each line, by its key; the lines of one day are judged together.

    `today` is the location's date. Pass as answers of questions asked at every visit only those
    given at this visit, and as findings only what is seen today. Raises InvalidInput with a
    pointer to each unknown word, doubled key or impossible date.
    """
    check_input(
        rule_set=rule_set,
        lines=lines,
        answers=answers,
        declarations=declarations,
        findings=findings,
        today=today,
    )
    case = case_for(
        rule_set=rule_set,
        lines=lines,
        answers=answers,
        declarations=declarations,
        findings=findings,
        today=today,
    )
    return {line.key: case.screening_with_alternatives(line) for line in lines}


def case_for(
    *,
    rule_set: RuleSet,
    lines: Sequence[LineToScreen],
    answers: Mapping[str, Answer],
    declarations: Sequence[Declaration],
    findings: Sequence[Finding],
    today: date,
) -> "Case":
    """The case that `screen` judges, of what was checked when it was kept."""
    observed = _by_kind(as_observed(rule_set, declarations, findings, today))
    return Case(
        rule_set=rule_set,
        lines=lines,
        observed=observed,
        open_questions=_open_questions(rule_set, answers, observed),
        today=today,
    )


def _by_kind(observed: Iterable[Observed]) -> dict[str, list[Observed]]:
    by_kind: dict[str, list[Observed]] = defaultdict(list)
    for thing in observed:
        by_kind[thing.kind.id].append(thing)
    return by_kind


def _open_questions(
    rule_set: RuleSet, answers: Mapping[str, Answer], observed: Mapping[str, list[Observed]]
) -> frozenset[str]:
    """The questions without an answer; a yes is one only with a declaration made today."""
    said = {kind for kind, things in observed.items() if any(thing.said_today for thing in things)}
    return frozenset(
        question.id
        for question in rule_set.questions
        if (answer := answers.get(question.id, Answer.NOT_ANSWERED)) is Answer.NOT_ANSWERED
        or (answer is Answer.YES and question.kinds.isdisjoint(said))
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One client on one day: what is known, and the lines to judge by it."""

    rule_set: RuleSet
    lines: Sequence[LineToScreen]
    observed: Mapping[str, list[Observed]]
    open_questions: frozenset[str]
    today: date
    # Lines alike but for their day share what the client's things set off.
    _alike: dict[tuple[object, ...], list[_Hit]] = field(default_factory=dict, init=False)

    def outcome(self, line: LineToScreen) -> tuple[Verdict, date | None]:
        """The verdict and `earliest_on` that the line's screening has, without its reasons."""
        bearing = self.rule_set.bearing_on(line.method, line.area)
        key = (line.method, line.area, line.patch_test, line.ingredients, line.met)
        if key not in self._alike:
            self._alike[key] = list(self._hits_of_client(line, bearing))
        hits = [*self._alike[key], *self._hits_of_line(line, bearing)]
        standing = [hit for hit in hits if hit.span.contains(line.on)]
        verdicts = [hit.stands_as for hit in standing]
        if self._asks(line):
            verdicts.append(Verdict.ASK_FIRST)
        return max(verdicts, default=Verdict.PROCEED), _earliest(line.on, hits, standing)

    def screening_with_alternatives(self, line: LineToScreen) -> Screening:
        screening = self.screening(line)
        if screening.verdict <= Verdict.ASK_FIRST:
            return screening
        return replace(screening, alternatives=self._alternatives(line))

    def _alternatives(self, line: LineToScreen) -> tuple[str, ...]:
        """The methods that stand in for the line's own and pass today on the same area."""
        methods = (self.rule_set.methods[m] for m in self.rule_set.methods[line.method].instead)
        tries = (
            replace(
                line,
                method=method.id,
                patch_test=line.patch_test if method.uses_product else PatchTest.NOT_NEEDED,
                ingredients=line.ingredients if method.uses_product else frozenset(),
            )
            for method in methods
        )
        return tuple(other.method for other in tries if self._passes(other))

    def _passes(self, line: LineToScreen) -> bool:
        return not self._asks(line) and _passes_on(line.on, self._hits(line))

    def screening(self, line: LineToScreen) -> Screening:
        hits, asks = self._hits(line), self._asks(line)
        # What was left open matters to a reason and not to the outcome: asked where reasons are.
        standing = [self._with_unclear(hit, line) for hit in hits if hit.span.contains(line.on)]
        reasons = _strictest_first([*_reasons(standing), *map(_reason_to_ask, asks)])
        earliest_on = _earliest(line.on, hits, standing)
        return Screening(
            verdict=max((reason.stands_as for reason in reasons), default=Verdict.PROCEED),
            reasons=reasons,
            ask_next=(*map(_ask, asks), *self._open_points(reasons)),
            rules_version=self.rule_set.version,
            rules_digest=self.rule_set.digest,
            earliest_on=earliest_on,
            is_firm=earliest_on is not None and not asks and _passes_on(earliest_on, hits),
            is_vague=any(reason.unclear for reason in reasons),
        )

    def _asks(self, line: LineToScreen) -> list[Question]:
        """The questions that matter for the line and stand open."""
        matter = self.rule_set.questions_for(line.method, line.area)
        return [question for question in matter if question.id in self.open_questions]

    def _hits(self, line: LineToScreen) -> list[_Hit]:
        bearing = self.rule_set.bearing_on(line.method, line.area)
        return [*self._hits_of_client(line, bearing), *self._hits_of_line(line, bearing)]

    def _hits_of_client(self, line: LineToScreen, bearing: Bearing) -> Iterator[_Hit]:
        for kind, things in self.observed.items():
            for rule in bearing.by_kind.get(kind, ()):
                yield from self._hits_by(rule, line, things)

    def _hits_of_line(self, line: LineToScreen, bearing: Bearing) -> Iterator[_Hit]:
        for flag in line.flags:
            yield from (_always(rule, flag, line) for rule in bearing.by_flag.get(flag, ()))
        for rule in bearing.by_patch_test.get(line.patch_test, ()):
            # A test made today can be read after the lead time: a date, not a promise.
            read_on = rule.since.after(self.today) if rule.since else None
            if rule.since and line.patch_test_on:
                read_on = line.patch_test_on
            yield replace(_always(rule, line.patch_test.value, line), until=read_on)
        before = [x for x in self.lines if x.on == line.on and x.position < line.position]
        for rule, trigger in bearing.of_order if before else ():
            if any(self._comes_before(other, line, trigger) for other in before):
                yield _always(rule, "order", line)

    def _hits_by(
        self, rule: Rule, line: LineToScreen, things: Iterable[Observed]
    ) -> Iterator[_Hit]:
        for thing in things:
            span = span_of(rule, line, thing, self.rule_set.tree, self.today)
            if span is None:
                continue
            ends = span.end != date.max
            yield _Hit(
                rule=rule,
                about=thing.kind.id,
                span=span,
                # What is seen today can't be called healed by a look on the same day.
                met=_is_met(rule, line) and not (thing.is_seen and rule.lifted_by is Lift.SIGHT),
                until=span.end if ends and rule.condition is None else None,
                condition=rule.condition or (None if ends else thing.kind.lasts_until),
                thing=thing,
            )

    def _with_unclear(self, hit: _Hit, line: LineToScreen) -> _Hit:
        if hit.thing is None:
            return hit
        unclear = unclear_about(hit.rule, line, hit.thing, self.rule_set.tree, self.today)
        return replace(hit, unclear=unclear) if unclear else hit

    def _comes_before(self, other: LineToScreen, line: LineToScreen, trigger: ComesAfter) -> bool:
        return (
            other.method in trigger.methods
            and other.area in trigger.areas
            and (not trigger.same_area or other.area in self.rule_set.tree.touching[line.area])
        )

    def _open_points(self, reasons: Iterable[Reason]) -> Iterator[Ask]:
        points = {(kind, what) for r in reasons for what in r.unclear for kind in r.about}
        for kind, what in sorted(points):
            title = self.rule_set.kinds[kind].title
            text = self.rule_set.prompts[what.value].format(title=title)
            yield Ask(about=kind, what=what.value, text=text)


def _always(rule: Rule, about: str, line: LineToScreen) -> _Hit:
    met = _is_met(rule, line)
    return _Hit(rule=rule, about=about, span=ALWAYS, met=met, condition=rule.condition)


def _is_met(rule: Rule, line: LineToScreen) -> bool:
    """Whether a release, a look today or a valid patch test already meets the rule."""
    if rule.lifted_by is Lift.PATCH_TEST:
        return line.patch_test is PatchTest.VALID
    return rule.lifted_by is not None and rule.id in line.met


def _reasons(standing: Iterable[_Hit]) -> Iterator[Reason]:
    by_rule: dict[str, list[_Hit]] = defaultdict(list)
    for hit in standing:
        by_rule[hit.rule.id].append(hit)
    return (_reason(hits) for hits in by_rule.values())


def _reason(hits: Sequence[_Hit]) -> Reason:
    """One reason out of all that set off one rule: the latest date, and no date beats any."""
    worst = max(hits, key=lambda hit: (not hit.met, _lateness(hit), hit.condition or ""))
    # A clearer hit that lasts as long makes the open points of this one irrelevant.
    unclear = frozenset[Unclear].union(*(h.unclear for h in hits))
    if any(not h.unclear and _lateness(h) == _lateness(worst) for h in hits):
        unclear = frozenset()
    rule = worst.rule
    return Reason(
        rule_id=rule.id,
        title=rule.title,
        verdict=rule.verdict,
        about=tuple(sorted({hit.about for hit in hits})),
        caution=rule.caution,
        sources=rule.sources,
        until=worst.until,
        condition=worst.condition,
        lifted_by=rule.lifted_by,
        overridable_by=() if worst.met else rule.overridable_by,
        met=worst.met,
        unclear=unclear,
    )


def _lateness(hit: _Hit) -> date:
    return hit.until or date.max


def _reason_to_ask(question: Question) -> Reason:
    return Reason(
        rule_id=f"question:{question.id}",
        title=question.text,
        verdict=Verdict.ASK_FIRST,
        about=(question.id,),
        caution=question.text,
        sources=question.sources,
    )


def _ask(question: Question) -> Ask:
    return Ask(about=question.id, what="question", text=question.text)


def _strictest_first(reasons: Iterable[Reason]) -> tuple[Reason, ...]:
    return tuple(sorted(reasons, key=lambda reason: (-reason.stands_as.rank, reason.rule_id)))


def _earliest(on: date, hits: Sequence[_Hit], standing: Sequence[_Hit]) -> date | None:
    """The first day from `on` on which no dated hit stands, if one stands on `on` at all."""
    stops = (hit for hit in standing if hit.rule.verdict is Verdict.DO_NOT_TREAT and not hit.met)
    if any(hit.until is None for hit in stops):
        return None
    if not standing:
        return None
    # A planned event may begin to stand later, so a day that one hit gives is tried on the others.
    dated = sorted((hit.span.start, hit.until) for hit in hits if hit.is_dated and hit.until)
    day = on
    for _ in dated:
        later = [until for start, until in dated if start <= day < until]
        if not later:
            break
        day = max(later)
    return day if day > on else None


def _passes_on(day: date, hits: Iterable[_Hit]) -> bool:
    """Whether nothing but cautions stands on `day`."""
    return all(hit.met or hit.rule.verdict.passes or not hit.span.contains(day) for hit in hits)
