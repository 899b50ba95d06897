"""Requirement packs: what the shipped ones say, and what becomes of bad ones."""

import re
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from compliance.disinfection.rules.reprocessing import contact_seconds_needed, floors_from
from compliance.disinfection.rules.use_window import LimitKind, Origin, limits_from
from compliance.requirements.pack_files import (
    PACKS,
    BadPack,
    bundled_packs,
    load_pack,
    load_packs,
    parameters,
)
from compliance.requirements.rules.packs import (
    CAUTION,
    HOUSE_DEFAULT,
    Pack,
    PackConflict,
    Parameter,
    ParameterName,
    Strength,
    check_packs,
    parameters_in,
)

P = ParameterName
TODAY = date(2026, 3, 2)


def limits(jurisdiction):
    found = parameters(jurisdiction, TODAY)[P.SOLUTION_USE_LIMITS]
    origin = Origin.HOUSE if found.is_house else Origin.JURISDICTION
    return [(one.kind, one.amount, one.origin) for one in limits_from(found.value, origin)]


@pytest.mark.parametrize(
    ("jurisdiction", "expected"),
    [
        # 1.09, 16 TAC 83.101(a)(3): fresh daily
        ("us-tx", [(LimitKind.AT_CLOSING, None, Origin.JURISDICTION)]),
        # 1.07, 16 CCR 979 (older text): at least weekly
        ("us-ca", [(LimitKind.DAYS, 7, Origin.JURISDICTION)]),
        # 1.10, OAC 4713-15-03, Okla. 175:10-7-6, Wis. Cos 4.02, Wyo. barber rules ch. 2 s. 2-2: daily
        ("us-oh", [(LimitKind.AT_CLOSING, None, Origin.JURISDICTION)]),
        ("us-ok", [(LimitKind.AT_CLOSING, None, Origin.JURISDICTION)]),
        ("us-wi", [(LimitKind.AT_CLOSING, None, Origin.JURISDICTION)]),
        ("us-wy", [(LimitKind.AT_CLOSING, None, Origin.JURISDICTION)]),
        # not stated in what was read of New York, nor anything for Nevada here: house policy
        ("us-ny", [(LimitKind.AT_CLOSING, None, Origin.HOUSE)]),
        ("us-nv", [(LimitKind.AT_CLOSING, None, Origin.HOUSE)]),
    ],
)
def test_use_windows(jurisdiction, expected):
    assert limits(jurisdiction) == expected


@pytest.mark.parametrize(
    ("jurisdiction", "family", "needed"),
    # 1.03, 19 NYCRR 160.17(c), and 1.02, 18VAC41-20-270(B): at least 10 min; 1.05, OAC
    # 4713-15-03(A)(4): with bleach only; 1.06 and elsewhere the label's own minute
    [
        ("us-ny", "quat", 600), ("us-va", "quat", 600), ("us-oh", "bleach", 600), ("us-oh", "quat", 60),
        ("us-tx", "bleach", 60), ("us-ca", "quat", 60), ("us-wy", "quat", 60), ("us-nv", "quat", 60),
    ],
)  # fmt: skip
def test_contact_floors(jurisdiction, family, needed):
    rows = parameters(jurisdiction, TODAY)[P.CONTACT_FLOORS].value
    floors = floors_from(rows, method="immersion", family=family)
    assert contact_seconds_needed(label_seconds=60, floors_seconds=floors) == needed


@pytest.mark.parametrize("jurisdiction", ["us-tx", "us-ny", "us-ca", "us-nv"])
def test_sending_hours_and_retention_hold_everywhere(jurisdiction):
    found = parameters(jurisdiction, TODAY)
    # 12.01, 12.02, 47 CFR 64.1200(c)(1)
    assert found[P.SENDING_HOURS].value == {"opens": "08:00", "closes": "21:00"}
    assert found[P.SENDING_HOURS].citation == "47 CFR 64.1200(c)(1)"
    # 9.01, OAR 817-015-0065: at least 3 years; elsewhere house policy
    assert found[P.RETENTION].value["client_record_years"] == 3


def test_an_unknown_jurisdiction_is_not_guessed():
    found = parameters("us-nv", TODAY)
    assert found.packs == ("house-default@1",)
    assert found.notes[0].startswith("No requirement pack for us-nv on 2026-03-02")
    assert all(one.is_house for one in found.values.values())


def test_a_silent_pack_says_what_was_filled_in():
    found = parameters("US-NY", TODAY)
    assert found.packs == ("us-ny@1", "house-default@1")
    assert "us-ny@1 does not state solution_use_limits: the house default holds." in found.notes
    assert not any("contact_floors" in note for note in found.notes)
    assert found.notes[-1] == CAUTION


def test_before_its_first_edition_a_jurisdiction_has_no_pack():
    found = parameters("us-tx", date(2023, 12, 31))
    assert found.packs == ("house-default@1",)
    assert parameters("us-tx", date(2024, 1, 1)).packs[0] == "us-tx@1"


def test_every_shipped_value_names_its_source_and_strength():
    packs = bundled_packs()
    assert {pack.code for pack in packs} >= {HOUSE_DEFAULT, "us-tx", "us-ny", "us-ca"}
    for pack in packs:
        for stated in pack.parameters.values():
            assert stated.citation
            assert isinstance(stated.strength, Strength)
    house = next(pack for pack in packs if pack.code == HOUSE_DEFAULT)
    assert set(house.parameters) == set(ParameterName)


def test_what_is_called_read_cites_a_rule():
    for pack in bundled_packs():
        for stated in pack.parameters.values():
            if stated.strength is Strength.READ:
                assert re.search(r"\d", stated.citation), stated


GOOD = (PACKS / "us-tx.yaml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ("code: us-tx", "code: Texas", "/code"),
        ("edition: 1", "edition: 0", "/edition"),
        ("edition: 1", "edition: 1\nedition: 2", "edition is given twice"),
        ('"2024-01-01"', '"2024-02-30"', "/applies_from"),
        ('"2024-01-01"', "2024-01-01", "/applies_from"),  # a YAML date is not text
        ("at_closing", "daily", "/parameters/solution_use_limits/value/0/kind"),
        ("kind: at_closing", "kind: hours", "/parameters/solution_use_limits/value/0"),
        ("kind: at_closing", "kind: at_closing, amount: 1", "value/0:"),
        ("strength: read", "strength: sure", "/parameters/solution_use_limits/strength"),
        ("    strength: read\n", "", "strength"),
        ("solution_use_limits:", "solution_use_limit:", "/parameters"),
        ("parameters:", "parameters: [", "cannot be read"),
    ],
)
def test_a_bad_file_is_refused_by_name_and_place(tmp_path, old, new, complaint):
    path = tmp_path / "bad.yaml"
    path.write_text(GOOD.replace(old, new, 1), encoding="utf-8")
    assert path.read_text(encoding="utf-8") != GOOD
    with pytest.raises(BadPack, match=r"bad\.yaml") as refused:
        load_pack(path)
    assert complaint in str(refused.value)


@pytest.mark.parametrize("content", [b"", b"\xff\xfe", b"- 1", b"!!python/object:os.system {}"])
def test_what_is_no_pack_at_all_is_refused(tmp_path, content):
    path = tmp_path / "bad.yaml"
    path.write_bytes(content)
    with pytest.raises(BadPack, match=r"bad\.yaml"):
        load_pack(path)


def test_a_missing_file_is_refused(tmp_path):
    with pytest.raises(BadPack, match="cannot be read"):
        load_pack(tmp_path / "none.yaml")


def test_a_new_edition_follows_on_its_day(tmp_path):
    first, second = tmp_path / "a.yaml", tmp_path / "b.yaml"
    house = PACKS / "house-default.yaml"
    first.write_text(
        GOOD.replace("parameters:", 'applies_until: "2026-07-01"\nparameters:'), encoding="utf-8"
    )
    second.write_text(
        GOOD.replace("2024-01-01", "2026-07-01").replace("edition: 1", "edition: 2"),
        encoding="utf-8",
    )
    packs = load_packs([house, second, first])
    assert parameters_in(packs, "us-tx", date(2026, 6, 30)).packs[0] == "us-tx@1"
    assert parameters_in(packs, "us-tx", date(2026, 7, 1)).packs[0] == "us-tx@2"
    with pytest.raises(PackConflict, match="same day"):
        load_packs([house, PACKS / "us-tx.yaml", second])
    with pytest.raises(PackConflict, match="one number"):
        load_packs([first, first])


def pack(code, edition, start, days, names=tuple(P)):
    name = f"{code}@{edition}"
    stated = {
        n: Parameter(name=n, value=name, citation="c", strength=Strength.READ, pack=name)
        for n in names
    }
    until = None if days is None else start + timedelta(days=days)
    return Pack(
        code=code,
        edition=edition,
        title=code,
        applies_from=start,
        applies_until=until,
        parameters=stated,
    )


HOUSE = pack(HOUSE_DEFAULT, 1, date(1970, 1, 1), None)
dates = st.dates(date(2024, 1, 1), date(2026, 12, 31))


@given(st.lists(st.integers(1, 200), min_size=1, max_size=6), st.integers(-50, 1500))
def test_exactly_the_edition_of_the_day_holds(lengths, offset):
    start, editions = date(2024, 1, 1), []
    for number, days in enumerate(lengths, 1):
        editions.append(pack("us-xx", number, start, days))
        start += timedelta(days=days)
    check_packs(editions)
    on = date(2024, 1, 1) + timedelta(days=offset)
    found = parameters_in([*editions[::-1], HOUSE], "us-xx", on).packs
    day, expected = date(2024, 1, 1), []
    for number, days in enumerate(lengths, 1):
        expected += [f"us-xx@{number}"] if day <= on < day + timedelta(days=days) else []
        day += timedelta(days=days)
    assert found == (*expected, "house-default@1")


@given(dates, st.integers(1, 400), dates, st.integers(1, 400))
def test_two_editions_never_share_a_day(first, first_days, second, second_days):
    pair = [pack("us-xx", 1, first, first_days), pack("us-xx", 2, second, second_days)]
    share = max(first, second) < min(
        first + timedelta(days=first_days), second + timedelta(days=second_days)
    )
    if share:
        with pytest.raises(PackConflict):
            check_packs(pair)
        with pytest.raises(PackConflict):
            parameters_in([*pair, HOUSE], "us-xx", max(first, second))
    else:
        check_packs(pair)


@given(st.sets(st.sampled_from(list(P))), dates)
def test_what_a_pack_states_is_kept_and_the_rest_is_house(names, on):
    own = pack("us-xx", 1, date(2024, 1, 1), None, names)
    found = parameters_in([own, HOUSE], "us-xx", on)
    assert {n for n in P if not found[n].is_house} == names
    assert len(found.notes) == len(set(P) - names) + 1


def test_a_gap_in_the_house_default_is_refused():
    gap = pack(HOUSE_DEFAULT, 1, date(1970, 1, 1), None, (P.RETENTION,))
    with pytest.raises(PackConflict, match="does not state"):
        parameters_in([gap], "us-tx", TODAY)
    with pytest.raises(PackConflict, match="no edition"):
        parameters_in([HOUSE], "us-tx", date(1969, 12, 31))
    assert parameters_in([HOUSE], HOUSE_DEFAULT, TODAY).packs == ("house-default@1",)
