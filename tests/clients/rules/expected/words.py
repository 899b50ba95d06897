"""The shape of a row of the table, and the groups of methods and areas that rows name."""

from dataclasses import dataclass
from datetime import date

EVENT = date(2025, 8, 31)

WAX = {"soft_wax", "hard_wax"}
PLUCK = WAX | {"tweezing"}
HAIR = PLUCK | {"trimming"}
STRIP = {"peel", "dermaplaning", "microdermabrasion"}
PRESS = {"facial", "massage"}
TINT = {"tint", "lamination"}
WITH_PRODUCT = WAX | PRESS | TINT | {"peel", "patch_test"}
EVERY = HAIR | STRIP | PRESS | TINT | {"electrical", "patch_test"}

IN_FACE = {"forehead", "brow", "lash", "nose_exterior", "sides_of_face", "lip", "chin"}
FACE = IN_FACE | {"face", "body"}
INTIMATE = {"bikini", "intimate", "buttocks", "body"}
EYES = {"brow", "lash", "face", "body"}
BACK = {"back", "upper_back", "lower_back"}
LIMBS = {
    "arm",
    "upper_arm",
    "forearm",
    "hand",
    "fingers",
    "leg",
    "upper_leg",
    "knee",
    "lower_leg",
    "foot",
    "toes",
    "body",
}
WHOLE = (
    FACE
    | LIMBS
    | BACK
    | {"ear", "neck", "shoulder", "underarm", "chest", "abdomen", "buttocks", "bikini", "intimate"}
)

SKIN = {
    "contagious_condition",
    "infected_skin",
    "inflamed_skin",
    "broken_skin",
    "open_wound",
    "raised_skin",
    "swollen_skin",
    "wart",
}
BY_ALL = ("practitioner", "lead")


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """What one rule must do.

    `passes_on` is the first day clear of the event, `passes_till` the last day clear before it.
    `lasting` says which time of a lasting thing counts: while it goes on, once it is over, or any.
    `line` makes the line one that the rule is about, `not_line` one that it is not about. `after`
    lists earlier lines (method, area) and whether each sets the rule off. `sizes` does so in mm.
    """

    rule: str
    verdict: str
    kinds: frozenset[str] = frozenset()
    seen: frozenset[str] = frozenset()
    methods: frozenset[str] = frozenset(EVERY)
    areas: frozenset[str] = frozenset(WHOLE)
    area: str = "lip"
    reach: str = "area"
    passes_on: date | None = None
    passes_till: date | None = None
    lasting: str | None = None
    condition: str | None = None
    lifted_by: str | None = None
    override: tuple[str, ...] = ()
    details: frozenset[str] = frozenset()
    other_detail: str | None = None
    sizes: tuple[tuple[str, bool], ...] = ()
    line: tuple[tuple[str, object], ...] = ()
    not_line: tuple[tuple[str, object], ...] = ()
    after: tuple[tuple[str, str, bool], ...] = ()

    @property
    def method(self) -> str:
        return min(self.methods)


def row(rule, verdict, **more) -> Row:
    sets = {name: frozenset(value) for name, value in more.items() if isinstance(value, set)}
    return Row(rule=rule, verdict=verdict, **{**more, **sets})


def told(rule, verdict, *kinds, **more) -> Row:
    return row(rule, verdict, kinds=frozenset(kinds), **more)


def both(rule, verdict, *kinds, **more) -> Row:
    return told(rule, verdict, *kinds, seen=frozenset(kinds), **more)


def flagged(rule, verdict, **more) -> Row:
    flags = (("flags", frozenset({rule})),)
    return row(rule, verdict, line=flags, not_line=(("flags", frozenset()),), **more)


ONE_DAY, TWO_DAYS, THREE_DAYS, FOUR_DAYS = (date(2025, 8, day) for day in (30, 29, 28, 27))
RELEASE = {"lifted_by": "release"}
BODY = {"reach": "body"}
ONGOING = {"lasting": "ongoing", "reach": "body"}
WHOLE_SKIN_WORK = WAX | STRIP | PRESS | TINT | {"electrical"}
DOCTOR = {**ONGOING, **RELEASE}
