"""Opening and closing lists: rows from data, ticks in any order, states; sources beside the values."""

from datetime import UTC, date, datetime, timedelta
from uuid import UUID, uuid5

import pytest
from hypothesis import given
from hypothesis import strategies as st

from compliance.requirements.pack_files import parameters
from compliance.requirements.rules.packs import HOUSE_DEFAULT, ParameterName
from rooms.rules.check_lists import (
    RowState,
    Thing,
    Tick,
    is_complete,
    items_from,
    keys_by_state,
    rows_of,
    standing,
)

SPACE = UUID("5ba00000-0000-4000-8000-000000000000")
TODAY = date(2026, 5, 6)
NOON = datetime(2026, 5, 6, 17, 0, tzinfo=UTC)
OPENING, CLOSING = ParameterName.OPENING_LIST, ParameterName.CLOSING_LIST


def items(jurisdiction, name):
    house = parameters(HOUSE_DEFAULT, TODAY)[name]
    own = parameters(jurisdiction, TODAY)[name]
    return items_from(house.value, () if own.is_house else own.value)


def thing(name, per):
    return Thing(id=uuid5(SPACE, name), per=per, name=name)


def item(jurisdiction, name, code):
    return next(one for one in items(jurisdiction, name) if one.code == code)


def test_what_the_lists_of_a_day_hold():
    codes = [one.code for one in items("us-wy", OPENING)]
    assert codes == [
        "fresh_baths", "test_strip", "pot_temperature", "room_seen", "hand_wash", "first_aid", "eye_wash",
        "blood_spill_kit", "sharps_box", "licences_posted",
    ]  # fmt: skip
    assert [one.code for one in items("us-wy", CLOSING)] == [
        "room_at_rest", "baths_dumped", "pot_off", "used_wax_out", "towel_warmer_open", "foot_basin_logged",
        "used_linen", "clean_linen", "waste_out",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("jurisdiction", "name", "code", "citation"),
    [
        ("us-or", CLOSING, "used_wax_out", "OAR 817-010-0060(8)"),  # 3.10
        ("us-ny", OPENING, "sharps_box", "19 NYCRR 160.19"),  # 10.03
        ("us-ny", OPENING, "blood_spill_kit", "19 NYCRR 160.19"),  # 10.03
        ("us-ok", CLOSING, "towel_warmer_open", "Okla. 175:10-7-12"),  # 11.15
        ("us-ok", CLOSING, "pot_off", "Okla. 175:10-7-34"),  # 3.06
        ("us-ok", CLOSING, "clean_linen", "Okla. 175:10-7-12"),  # 11.09
    ],
)
def test_a_jurisdictions_own_item_takes_the_houses_place_and_is_known_as_read(jurisdiction, name, code, citation):  # fmt: skip
    assert (item("us-wy", name, code).strength, item(jurisdiction, name, code).strength) == ("house_policy", "read")  # fmt: skip
    assert item(jurisdiction, name, code).citation == citation
    assert len(items(jurisdiction, name)) == len(items("us-wy", name))


def test_rows_are_made_for_each_room_and_piece_and_always_for_what_must_be_there():
    things = [thing("room 1", "room"), thing("room 2", "room"), thing("pot", "wax_pot")]
    keys = [row.key for row in rows_of(items("us-tx", OPENING), things)]
    assert keys.count("fresh_baths") == 1
    assert sum(key.startswith("room_seen:") for key in keys) == 2
    assert sum(key.startswith("pot_temperature:") for key in keys) == 1
    # None is on file, and yet somebody has to look.
    assert {"first_aid", "eye_wash", "blood_spill_kit", "sharps_box"} <= set(keys)
    with_box = rows_of(items("us-tx", OPENING), [*things, thing("box", "sharps_box")])
    assert "sharps_box" not in {row.key for row in with_box}
    assert all(len(row.key) <= 80 for row in with_box)
    # Without a pot nothing is asked about one.
    assert not any("pot" in row.key for row in rows_of(items("us-tx", OPENING), []))
    assert len({row.key for row in with_box}) == len(with_box)


def tick(key, minute=0, done=True, contradicted=False, late=0):
    at = NOON + timedelta(minutes=minute)
    return Tick(
        id=uuid5(SPACE, f"{key} {minute} {done} {late}"), key=key, done=done, number=None, happened_at=at,
        recorded_at=at + timedelta(minutes=late), recorded_by=None, contradicted=contradicted,
    )  # fmt: skip


def test_the_last_tick_of_a_row_holds_by_when_it_happened():
    rows = rows_of(items("us-tx", CLOSING), [])
    ticks = [tick(row.key) for row in rows]
    assert is_complete(rows, standing(ticks))
    undone = tick(rows[0].key, 5, done=False)
    assert not is_complete(rows, standing([undone, *ticks]))
    # Sent later from a device that was offline; it happened before.
    assert not is_complete(rows, standing([undone, tick(rows[0].key, 4, late=60), *ticks[1:]]))
    assert is_complete(rows, standing([undone, tick(rows[0].key, 6), *ticks[1:]]))
    assert not is_complete((), {})


@given(st.data())
def test_every_row_is_in_one_state_and_blank_until_ticked(data):
    things = [thing(f"room {n}", "room") for n in range(3)]
    rows = rows_of(items("us-or", CLOSING), things)
    ticks = data.draw(
        st.lists(
            st.builds(
                tick, st.sampled_from([row.key for row in rows]), st.integers(0, 9), st.booleans(), st.booleans()
            ),
            max_size=30,
        )
    )  # fmt: skip
    states = keys_by_state(rows, standing(ticks))
    assert sorted(key for keys in states.values() for key in keys) == sorted(r.key for r in rows)
    assert set(states[RowState.BLANK]) == {r.key for r in rows} - {t.key for t in ticks}
    both = not states[RowState.BLANK] and not states[RowState.NOT_DONE]
    assert is_complete(rows, standing(ticks)) is both


def test_a_code_twice_in_one_list_is_refused():
    row = {"code": "x", "title": "x", "citation": "x", "strength": "read"}
    with pytest.raises(ValueError, match="twice"):
        items_from([row, row])
