"""Invented clients and lines for the screening tests, by hand and by Hypothesis."""

from datetime import date, timedelta
from decimal import Decimal

from hypothesis import settings
from hypothesis import strategies as st

from clients.rule_files import shipped_rule_set
from clients.rules.cases import Answer, Declaration, Finding, LineToScreen, Screening
from clients.rules.dates import DateRange, exactly
from clients.rules.engine import screen
from clients.rules.model import PatchTest

RULES = shipped_rule_set()
TODAY = date(2026, 8, 3)
ALL_NO = {question.id: Answer.NO for question in RULES.questions}


def line(
    area="lip", method="soft_wax", on=TODAY, key="line", patch_test=PatchTest.NOT_NEEDED, **more
):
    return LineToScreen(key=key, area=area, method=method, on=on, patch_test=patch_test, **more)


def said(kind, when=TODAY, *areas, still=False, details=()):
    when = exactly(when) if isinstance(when, date) else when
    return Declaration(
        kind=kind, when=when, areas=frozenset(areas), still=still, details=frozenset(details)
    )


def seen(code, *areas, millimetres=None):
    size = None if millimetres is None else Decimal(millimetres)
    return Finding(code=code, areas=frozenset(areas), millimetres=size)


def screened(*things, lines=None, answers=ALL_NO, today=TODAY, rules=RULES, **of_line) -> Screening:
    """The screening of one line for a client who said or shows `things`."""
    lines = [line(**of_line)] if lines is None else lines
    found = screen(
        rule_set=rules,
        lines=lines,
        answers=answers,
        declarations=[thing for thing in things if isinstance(thing, Declaration)],
        findings=[thing for thing in things if isinstance(thing, Finding)],
        today=today,
    )
    return found[lines[-1].key]


def rules_in(screening: Screening) -> set[str]:
    return {reason.rule_id for reason in screening.reasons}


def reason_of(screening: Screening, rule_id: str):
    return next((reason for reason in screening.reasons if reason.rule_id == rule_id), None)


# By Hypothesis

#: How many examples is the profile's business; a busy machine is no reason to fail.
unhurried = settings(deadline=None)
#: For what is tried on each of many rules anyway.
fewer = settings(deadline=None, max_examples=max(5, unhurried.max_examples // 5))

# A few areas and methods are drawn often, so that what is said and what is booked do meet.
COMMON_AREAS = ["face", "lip", "brow", "bikini", "lower_leg"]
COMMON_METHODS = ["soft_wax", "peel", "facial", "tint", "electrical"]
areas = st.sampled_from(COMMON_AREAS) | st.sampled_from(sorted(RULES.tree.touching))
methods = st.sampled_from(COMMON_METHODS) | st.sampled_from(sorted(RULES.methods))
some_areas = st.frozensets(areas, max_size=3)
near_days = st.dates(TODAY - timedelta(days=30), TODAY + timedelta(days=60)) | st.dates(
    TODAY - timedelta(days=900), TODAY
)


@st.composite
def ranges(draw, latest=date(2026, 10, 2)):
    first, second = sorted((min(draw(near_days), latest), min(draw(near_days), latest)))
    return draw(
        st.sampled_from(
            [
                exactly(first),
                DateRange(earliest=first, latest=second),
                DateRange(earliest=date.min, latest=second),
            ]
        )
    )


TOLD = sorted(kind.id for kind in RULES.kinds.values() if kind.told)


@st.composite
def declarations(draw, only_past=False, kinds=TOLD):
    kind = RULES.kinds[draw(st.sampled_from(kinds))]
    in_future = kind.may_be_planned and not only_past
    details = (
        st.frozensets(st.sampled_from(sorted(kind.details)), max_size=2)
        if kind.details
        else st.just(frozenset())
    )
    return Declaration(
        kind=kind.id,
        when=draw(ranges() if in_future else ranges(TODAY)),
        areas=draw(some_areas),
        still=draw(st.sampled_from([True, False, None])),
        details=draw(details),
    )


@st.composite
def findings(draw):
    code = draw(st.sampled_from(sorted(kind.id for kind in RULES.kinds.values() if kind.seen)))
    sizes = st.none() | st.decimals("0.1", "60", places=2)
    return Finding(
        code=code,
        areas=draw(some_areas),
        millimetres=draw(sizes) if code == "hair_length" else None,
    )


@st.composite
def lines(draw, key="line", position=0, on=None):
    liftable = sorted(
        r.id for r in RULES.rules if r.lifted_by is not None and r.lifted_by.value != "patch_test"
    )
    return LineToScreen(
        key=key,
        area=draw(areas),
        method=draw(methods),
        on=on or draw(st.just(TODAY) | st.dates(TODAY, TODAY + timedelta(days=120))),
        patch_test=draw(st.sampled_from(PatchTest)),
        position=position,
        flags=draw(st.frozensets(st.sampled_from(sorted(RULES.flags)), max_size=1)),
        ingredients=draw(
            st.none() | st.frozensets(st.sampled_from(sorted(RULES.ingredients)), max_size=3)
        ),
        met=draw(st.frozensets(st.sampled_from(liftable), max_size=2)),
    )


things = st.lists(declarations() | findings(), max_size=6)
answers = st.dictionaries(st.sampled_from(sorted(ALL_NO)), st.sampled_from(Answer)) | st.just(
    ALL_NO
)


def visits():
    """One to three lines of one day or of several, each with its own place in the order."""
    return (
        st.integers(1, 3)
        .flatmap(lambda n: st.tuples(*(lines(key=f"line-{k}", position=k) for k in range(n))))
        .map(list)
    )


@st.composite
def waits(draw):
    """Something over on a near day, of a kind that a wait is counted from, where the line is."""
    kinds = [
        "isotretinoin",
        "topical_retinoid",
        "exfoliating_acid",
        "scrub",
        "tanning",
        "microdermabrasion",
    ]
    kinds += [
        "neurotoxin_injection",
        "dermal_filler",
        "laser_hair_removal",
        "waxing",
        "chemical_peel",
    ]
    said = draw(declarations(kinds=kinds))
    near = draw(st.dates(TODAY - timedelta(days=30), TODAY + timedelta(days=30)))
    day = near if RULES.kinds[said.kind].may_be_planned else min(near, TODAY)
    return Declaration(
        kind=said.kind,
        when=DateRange(earliest=day - timedelta(days=draw(st.integers(0, 9))), latest=day),
        areas=draw(st.just(frozenset()) | st.just(frozenset({"face"}))),
        still=False,
        details=said.details,
    )
