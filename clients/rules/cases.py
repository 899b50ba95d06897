"""What one client brings to a consultation, and what screening answers for each line.

Values only; the judging is in `engine`.
"""

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum

from clients.rules.dates import DateRange
from clients.rules.model import Lift, PatchTest, Source, Verdict


class Answer(StrEnum):
    """How far a question has come. What is missing counts as not answered."""

    NO = "no"
    YES = "yes"
    NOT_ANSWERED = "not_answered"


class Unclear(StrEnum):
    """What about a declaration was left open and decided on the worst case."""

    DATE = "date"
    AREA = "area"
    DETAIL = "detail"
    STILL = "still"


@dataclass(frozen=True, slots=True, kw_only=True)
class Declaration:
    """What the client says: what, where, when; `when` of something past ends today at the latest.

    No areas means that the place was not said, and counts as everywhere. `still` None means that
    nobody knows whether it goes on, and counts as going on. `said_today` is false for what is only
    on record from before: it counts, but a yes said today needs a declaration of today.
    """

    kind: str
    when: DateRange
    areas: frozenset[str] = frozenset()
    still: bool | None = None
    details: frozenset[str] = frozenset()
    said_today: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What the practitioner sees today, and where; `millimetres` for what is measured."""

    code: str
    areas: frozenset[str] = frozenset()
    millimetres: Decimal | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LineToScreen:
    """One line as screening needs it.

    `position` is its place in the order of the day, its own for each line of one day. `ingredients` None means that those of its
    products are not on file. `met` holds the ids of rules that a medical release on file covers
    for this line, or whose condition was checked by sight today and found met. `patch_test_on` is
    the day on which the lead time of a test that is due is over; None: unknown, the rule's own.
    """

    key: str
    area: str
    method: str
    on: date
    patch_test: PatchTest
    patch_test_on: date | None = None
    position: int = 0
    flags: frozenset[str] = frozenset()
    ingredients: frozenset[str] | None = None
    met: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why a line is not a plain proceed. Reasons are all kept, and all must be met.

    `until` is the first day on which time alone has met it; None where no day can be told.
    `condition` names what must be so, checked again by sight or by asking. A reason that is `met`
    asks for care and no more.
    """

    rule_id: str
    title: str
    verdict: Verdict
    about: tuple[str, ...]
    caution: str
    sources: tuple[Source, ...]
    until: date | None = None
    condition: str | None = None
    lifted_by: Lift | None = None
    overridable_by: tuple[str, ...] = ()
    met: bool = False
    unclear: frozenset[Unclear] = frozenset()

    @property
    def stands_as(self) -> Verdict:
        """The verdict this reason still asks for."""
        return min(self.verdict, Verdict.PROCEED_WITH_CARE) if self.met else self.verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """One thing to ask next: a question, or what was left open about a kind of declaration."""

    about: str
    what: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Screening:
    """The answer for one line, with everything that led to it.

    `earliest_on` is the first day, not before the line's own, on which no dated reason stands;
    None where nothing dated stands, or a stop without a date does. `is_firm` promises that the
    line passes on that day as things are known now; without it, other reasons must be met too.
    `is_vague` says that a more exact declaration could change the answer. `alternatives` are
    methods for the same area that pass today.
    """

    verdict: Verdict
    reasons: tuple[Reason, ...]
    ask_next: tuple[Ask, ...]
    rules_version: str
    rules_digest: str
    earliest_on: date | None = None
    is_firm: bool = False
    is_vague: bool = False
    alternatives: tuple[str, ...] = ()

    @property
    def standing(self) -> tuple[Reason, ...]:
        """The reasons that keep the line from starting."""
        return tuple(reason for reason in self.reasons if not reason.stands_as.passes)

    @property
    def overridable_by(self) -> frozenset[str]:
        """The roles that may override every standing reason; empty if there is none to override."""
        allowed = [frozenset(reason.overridable_by) for reason in self.standing]
        return frozenset[str].intersection(*allowed) if allowed else frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskView:
    """What the front desk sees of a screening: the outcome and a date, never a reason."""

    verdict: Verdict
    earliest_on: date | None


def desk_view(screening: Screening) -> DeskView:
    """The part of `screening` that names no health answer."""
    return DeskView(verdict=screening.verdict, earliest_on=screening.earliest_on)
