"""Questions for the search, made up by Hypothesis: crowded half days, so that much does not fit."""

from datetime import UTC, datetime, time, timedelta
from itertools import permutations
from uuid import UUID

from hypothesis import strategies as st

from services.rules.availability.model import (
    Attendant,
    Kit,
    Practitioner,
    Question,
    Room,
    WantedLine,
)
from services.rules.buffers import Buffer
from services.rules.kits import NO_WAY_BACK, WayBack
from services.rules.phases import Minutes
from spa_ops.kernel.intervals import Period

DAY = datetime(2026, 5, 7, 0, 0, tzinfo=UTC)
SERVICES = [UUID(int=900 + n) for n in range(3)]
MINUTE = timedelta(minutes=1)
WHOLE = (Period(DAY - timedelta(days=1), DAY + timedelta(days=3)),)


def at(minute: float) -> datetime:
    return DAY + minute * MINUTE


def span(first: float, last: float) -> Period:
    return Period(at(first), at(last))


@st.composite
def spans(draw, most=3, longest=180, whole=None):
    """Disjoint or not, on minutes or off them (seconds: what facts leave behind)."""
    found = []
    for _ in range(draw(st.integers(0, most))):
        first = draw(st.integers(0, 480)) + draw(st.sampled_from([0, 0, 0.5]))
        length = draw(st.integers(1, longest)) + draw(st.sampled_from([0, 0, 0.25]))
        found.append(span(first, first + length))
    return tuple(found)


minutes = st.builds(
    Minutes,
    set_up=st.sampled_from([0, 5, 7]), consultation=st.sampled_from([0, 5]),
    hands_on=st.sampled_from([10, 13, 30]), aftercare=st.sampled_from([0, 5]),
    clean_up=st.sampled_from([0, 10, 12]), unattended=st.sampled_from([0, 0, 15]),
)  # fmt: skip
LONGER = Minutes(set_up=5, consultation=5, hands_on=25, aftercare=5, clean_up=10)
shift = st.one_of(
    st.just(WHOLE), st.builds(lambda a, n: (span(a, a + n),), st.integers(0, 300), st.integers(60, 400))
)  # fmt: skip
buffers = st.one_of(
    st.just(Buffer()), st.builds(Buffer, before=st.sampled_from([0, 5, 70]), after=st.sampled_from([0, 7, 30]))
)  # fmt: skip
features = st.sampled_from([frozenset(), frozenset({"sink"}), frozenset({"wax", "sink"})])


@st.composite
def ways_back(draw):
    """With and without set times, in baths that are empty, half full, or full for a while."""
    return WayBack(
        wait=draw(st.sampled_from([0, 7])), wash=draw(st.sampled_from([0, 5])),
        contact=draw(st.sampled_from([0, 10, 25])), rinse_and_dry=draw(st.sampled_from([0, 3])),
        set_times=tuple(
            sorted(draw(st.sets(st.sampled_from([time(1), time(2, 7), time(4), time(6, 30)]), max_size=3)))
        ),
        capacity=draw(st.sampled_from([0, 1, 2, 3])), soaking=draw(spans(most=5, longest=90)),
    )  # fmt: skip


@st.composite
def questions(draw):
    ids = [UUID(int=n) for n in range(1, 4)]
    rooms = [UUID(int=n) for n in range(101, 104)]
    some = draw(st.integers(0, 3))
    people = tuple(
        Practitioner(
            id=i, on_shift=draw(shift), busy=draw(spans()), buffer=draw(buffers),
            covers={
                s: draw(st.sampled_from([WHOLE, WHOLE, (span(100, 300),)]))
                for s in SERVICES if draw(st.integers(0, 3))
            },
        )
        for i in ids[: max(1, some)]
    )  # fmt: skip
    lines = tuple(
        WantedLine(
            service_id=draw(st.sampled_from(SERVICES)), minutes=draw(minutes),
            room_features=draw(features), kit_kind=draw(st.sampled_from(["", "", "brow", "brow", "lash"])),
            practitioner_id=draw(st.sampled_from([None, None, None, *ids])),
            room_id=draw(st.sampled_from([None, None, None, *rooms])),
            is_bound=draw(st.sampled_from([False, False, True])),
            may_start=draw(st.sampled_from([None, None, None, (span(60, 9999),)])),
            own_minutes=draw(st.sampled_from([{}, {}, {ids[0]: LONGER}, {ids[1]: LONGER, ids[2]: LONGER}])),
        )
        for _ in range(draw(st.integers(1, 3)))
    )  # fmt: skip
    begins = draw(st.integers(0, 120))
    return Question(
        period=span(begins, begins + draw(st.integers(1, 360))),
        now=at(draw(st.integers(-60, 100)) + draw(st.sampled_from([0, 0.5]))),
        lead_minutes=draw(st.sampled_from([0, 0, 30])),
        not_from=draw(st.sampled_from([None, None, at(200.5)])),
        horizon=at(600), lines=lines, practitioners=people,
        rooms=tuple(
            Room(id=i, features=draw(features) | {"sink"}, busy=draw(spans()), buffer=draw(buffers))
            for i in rooms[: draw(st.integers(1, 3))]
        ),
        kits=tuple(
            Kit(id=UUID(int=201 + n), kind=kind, busy=draw(spans()))
            for n, kind in enumerate(draw(st.sampled_from([(), ("brow",), ("brow", "lash"), ("brow", "lash", "brow")])))
        ),
        attendants=tuple(
            Attendant(
                id=i, on_shift=draw(shift),
                busy=next((p.busy for p in people if p.id == i), draw(spans())),
            )
            for i in draw(st.sampled_from([[], [UUID(int=301)], [UUID(int=301), UUID(int=302)], [ids[0]]]))
        ),
        way_back=draw(st.one_of(st.just(NO_WAY_BACK), ways_back())),
        open=draw(st.sampled_from([WHOLE, (span(30, 200), span(230, 420))])),
        client_busy=draw(spans(most=1)), any_order=draw(st.booleans()),
        not_before=draw(st.one_of(st.just(frozenset()), st.frozensets(
            st.sampled_from(list(permutations(range(len(lines)), 2)) or [(0, 1)]), max_size=2,
        ))) if len(lines) > 1 else frozenset(),
        shortest_minutes=draw(st.sampled_from([0, 20, 45])),
        usual_practitioner_id=draw(st.sampled_from([None, *ids])),
    )  # fmt: skip
