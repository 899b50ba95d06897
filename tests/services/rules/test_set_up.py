"""What is laid out: the usual numbers, the ways of drawing wax, allergies, and that more lines need more.

Where a value has no source beside it, it is common practice, no source.
"""

from copy import deepcopy
from dataclasses import replace
from datetime import UTC, date, datetime
from hashlib import sha256
from itertools import permutations
from uuid import UUID

import jsonschema
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from clients.rule_files import shipped_rule_set
from compliance.requirements.pack_files import parameters
from compliance.requirements.rules.packs import ParameterName
from services.rules.hygiene import BEFORE_WAX, WAX_METHODS, needed_before
from services.rules.set_up import (
    STRICTEST,
    UNTOLD,
    Allergies,
    LineToSetUp,
    SkinProductFacts,
    WaxDrawing,
    changed_keys,
    for_everybody,
    set_up_list,
    totals,
    way_of_drawing,
)
from services.set_up_files import SHIPPED, set_up_book_of, shipped_set_up
from spa_ops.tenancy.rules import WAX_DRAWINGS

BOOK, RULES = shipped_set_up(), shipped_rule_set()
ROOMS = [UUID(int=n) for n in (1, 2, 3)]
T0 = datetime(2026, 5, 6, 15, tzinfo=UTC)
#: version -> first characters of the SHA-256 of the file: words or counts that change get a new version.
PUBLISHED = {"1.0": "ac03fbb2997d"}

TINT = SkinProductFacts(id=UUID(int=11), name="tint", ingredients=frozenset({"hair_dye"}))
OIL = SkinProductFacts(id=UUID(int=12), name="oil", ingredients=frozenset({"nut_oil", "fragrance"}))
UNREAD = SkinProductFacts(id=UUID(int=13), name="unread", ingredients=None)
PLAIN = SkinProductFacts(id=UUID(int=14), name="plain", ingredients=frozenset())


def line(area="brow", method="soft_wax", room=ROOMS[0], **more):
    return LineToSetUp(area=area, method=method, room_id=room, **more)


def laid(*lines, drawing=STRICTEST, **allergies):
    told = Allergies(**allergies)
    found = set_up_list(BOOK, RULES.tree, lines, drawing=drawing, allergies=told)
    assert len({item.key for item in found}) == len(found)
    return {item.key: item for item in found}


def counts(*lines, **more):
    return {key: item.count for key, item in laid(*lines, **more).items()}


@pytest.mark.parametrize(
    ("area", "size"),
    [("brow", "small"), ("lip", "medium"), ("chin", "large")],
)
def test_brows_take_small_ones_the_lip_medium_and_the_chin_large(area, size):
    # Common practice, no source: small spatula and strip for brows, medium for lip, large for chin.
    found = counts(line(area))
    sized = {key for key in found if ":" in key}
    assert sized == {f"wax_applicator:{size}", f"wax_strip:{size}"}


@pytest.mark.parametrize("area", sorted(BOOK.parts))
@pytest.mark.parametrize("method", sorted(WAX_METHODS))
def test_where_nothing_is_dipped_twice_there_is_an_applicator_for_each_application(area, method):
    # Ontario waxing sheet (trade-facts 3.15): a new applicator for each application. Applications of
    # a section: soft wax once, hard wax at most twice (common practice, no source).
    times = {"soft_wax": 1, "hard_wax": 2}[method]
    found = counts(line(area, method))
    applicators = sum(n for key, n in found.items() if key.startswith("wax_applicator:"))
    assert applicators == sum(part.sections for part in BOOK.parts[area]) * times > 0


def test_a_full_face_is_the_sum_of_its_parts_and_leaves_the_lashes_alone():
    found = counts(line("face"))
    named = ("forehead", "brow", "nose_exterior", "sides_of_face", "lip", "chin")
    for size in ("small", "medium", "large"):
        parts = [p for a in named for p in BOOK.parts[a] if p.size == size]
        assert found[f"wax_applicator:{size}"] == sum(p.sections for p in parts)


@pytest.mark.parametrize(
    ("way", "applicators", "others"),
    [
        # 3.05, Okla. 175:10-7-34(c): a new one, or a freshly disinfected plastic one, for each dip; from a
        # cup of one client's wax one may serve the whole service. 3.16, Utah R392-702-9: squeeze bottle.
        ("new_each_dip", {"wax_applicator": 4}, set()),
        ("disinfected_each_dip", {"wax_applicator_washable": 4}, set()),
        ("decanted_cup", {"wax_applicator": 1}, {"wax_cup"}),
        ("squeeze_bottle", {"wax_applicator": 4}, {"squeeze_bottle"}),
    ],
)
def test_the_way_of_drawing_wax_decides_how_many_applicators(way, applicators, others):
    found = counts(line("brow", "soft_wax"), drawing=WaxDrawing(way))
    assert {k.partition(":")[0]: n for k, n in found.items() if k.startswith("wax_applicator")} == applicators  # fmt: skip
    assert {"wax_cup", "squeeze_bottle"} & found.keys() == others


@pytest.mark.parametrize(
    ("jurisdiction", "allowed"),
    [
        ("us-ok", {"new_each_dip", "disinfected_each_dip", "decanted_cup"}),  # Okla. 175:10-7-34(c)
        ("us-ia", {"new_each_dip", "disinfected_each_dip"}),  # Iowa 481-943.15
        ("us-ut", {"new_each_dip", "decanted_cup", "squeeze_bottle"}),  # Utah R392-702-9
        ("us-tx", {"new_each_dip"}),  # its pack does not say: the house default
        ("zz", {"new_each_dip"}),
    ],
)
def test_only_what_the_jurisdiction_allows_is_done_else_a_new_one_for_each_dip(
    jurisdiction, allowed
):
    found = parameters(jurisdiction, date(2026, 5, 6))[ParameterName.WAX_DRAWING]
    assert set(found.value) == allowed
    ways = [WaxDrawing(way) for way in found.value]
    for way in WaxDrawing:
        assert way_of_drawing(way, ways) == (way if way.value in allowed else STRICTEST)


def test_the_house_policy_knows_the_same_ways_as_the_packs():
    assert [way.value for way in WaxDrawing] == list(WAX_DRAWINGS)


def test_gloves_are_a_pair_for_each_line_and_one_spare_and_a_mirror_is_enough_for_all():
    found = counts(line("brow"), line("lip"), line("chin"))
    assert (found["gloves"], found["mirror"], found["headband"]) == (4, 1, 1)


def test_what_is_for_the_eyes_or_for_wax_is_only_there_for_them():
    waxed, tinted = counts(line("lower_leg")), counts(line("lash", "tint"))
    assert {"wax_pot_soft", "wax_pot_check", "residue_oil", "drape"} & tinted.keys() == set()
    assert {"skin_barrier", "eye_rinse", "lash_shields", "headrest_cover"} & waxed.keys() == set()
    assert {"skin_barrier", "eye_rinse", "lash_shields"} <= tinted.keys()
    assert {"wax_pot_soft", "wax_pot_check", "residue_oil"} <= waxed.keys()
    assert "wax_pot_hard" not in waxed


@pytest.mark.parametrize("method", sorted(RULES.methods))
def test_what_is_confirmed_before_a_start_has_been_laid_out(method):
    # What `rules.hygiene` asks to be confirmed needs its things: gloves, antiseptic, the tried wax.
    found = counts(line("brow", method))
    assert {"gloves", "cleanser", "table_cover"} <= found.keys()
    assert ("wax_pot_check" in found) == (set(BEFORE_WAX) <= set(needed_before(method)))


def test_kits_and_products_are_named_once_however_many_lines_use_them():
    kit = {"kit_id": UUID(int=5), "kit_name": "kit b"}
    other = {"kit_id": UUID(int=6), "kit_name": "kit a"}
    found = laid(line(**kit, products=(OIL,)), line("lip", **kit), line("chin", **other, products=(OIL, TINT)))  # fmt: skip
    assert [i.title for i in found.values() if i.code == "kit"] == ["kit a", "kit b"]
    assert [i.title for i in found.values() if i.code == "skin_products"] == ["oil", "tint"]


def test_two_rooms_need_a_fresh_table_and_a_pot_each():
    found = counts(line(), line("lip", room=ROOMS[1]))
    assert (found["table_cover"], found["wax_pot_soft"], found["mirror"]) == (2, 2, 1)


def test_no_lines_need_nothing():
    assert laid() == {}


def test_latex_means_other_gloves_under_the_same_key():
    usual, other = laid(line())["gloves"], laid(line(), known={"latex": T0})["gloves"]
    assert (other.key, other.count) == (usual.key, usual.count)
    assert (usual.variant, other.variant, other.because, other.since) == (
        "", "latex_free", ("latex",), T0
    )  # fmt: skip
    # Nobody knows to what: the gloves without latex are safe, and the why says so.
    unknown = laid(line(), untold=T0)["gloves"]
    assert (unknown.variant, unknown.because) == ("latex_free", (UNTOLD,))
    assert laid(line(), known={"rosin": T0})["gloves"].variant == ""


def test_a_product_with_a_declared_allergen_is_struck_out_and_one_not_read_is_to_be_checked():
    found = laid(line(products=(TINT, OIL, UNREAD, PLAIN)), known={"nut_oil": T0})
    marked = {i.title: (i.is_struck, i.must_check_label, i.because) for i in found.values() if i.code == "skin_products"}  # fmt: skip
    assert marked == {
        "oil": (True, False, ("nut_oil",)),
        "plain": (False, False, ()),
        "tint": (False, False, ()),
        "unread": (False, True, ("nut_oil",)),
    }
    assert found["residue_oil"].must_check_label
    assert not found["cleanser"].must_check_label


def test_an_allergy_to_nobody_knows_what_has_every_label_checked_and_strikes_nothing():
    found = laid(line(products=(TINT, PLAIN)), untold=T0)
    assert not any(item.is_struck for item in found.values())
    checked = {item.code for item in found.values() if item.must_check_label}
    assert {"skin_products", "residue_oil", "cleanser", "wax_pot_soft"} <= checked
    assert "mirror" not in checked


def test_what_everybody_sees_is_the_same_whatever_was_declared():
    lines = [line(products=(TINT, OIL)), line("lip", "hard_wax")]
    plain = set_up_list(BOOK, RULES.tree, lines, drawing=STRICTEST)
    seen = {item.key: item for item in for_everybody(plain, BOOK)}
    assert not any(i.variant or i.is_struck or i.must_check_label or i.because for i in seen.values())  # fmt: skip
    assert "practitioner" in seen["gloves"].title
    assert "practitioner" in seen["skin_products"].title
    named = " ".join(item.title for item in seen.values())
    assert "latex" not in named
    assert seen["gloves"].count == 3


def test_what_the_consultation_changed_is_named():
    lines = [line(products=(OIL,))]
    before = set_up_list(BOOK, RULES.tree, lines, drawing=STRICTEST)
    known = Allergies(known={"latex": T0, "nut_oil": T0})
    now = set_up_list(BOOK, RULES.tree, lines, drawing=STRICTEST, allergies=known)
    assert changed_keys(before, now) == {"gloves", f"skin_products:{OIL.id}", "residue_oil"}
    assert changed_keys(now, now) == frozenset()


PRODUCTS = st.lists(st.sampled_from([TINT, OIL, UNREAD, PLAIN]), max_size=3, unique=True)
LINES = st.builds(
    LineToSetUp,
    area=st.sampled_from(sorted(RULES.tree.touching)),
    method=st.sampled_from(sorted(RULES.methods)),
    room_id=st.sampled_from(ROOMS),
    kit_id=st.sampled_from([None, UUID(int=7), UUID(int=8)]),
    products=PRODUCTS.map(tuple),
)
SOME = st.lists(LINES, max_size=5)
WAYS = st.sampled_from(list(WaxDrawing))
ALLERGIES = st.builds(
    Allergies,
    known=st.dictionaries(st.sampled_from(sorted(RULES.kinds["allergy"].details)), st.just(T0)),
    untold=st.sampled_from([None, T0]),
)


def made(lines, way, allergies):
    return set_up_list(BOOK, RULES.tree, lines, drawing=way, allergies=allergies)


@given(SOME, LINES, WAYS, ALLERGIES, st.integers(0, 5))
def test_another_line_never_takes_anything_off_or_lessens_a_count(lines, more, way, told, at):
    before = {i.key: i for i in made(lines, way, told)}
    after = {i.key: i for i in made([*lines[:at], more, *lines[at:]], way, told)}
    assert before.keys() <= after.keys()
    assert all(after[key].count >= item.count for key, item in before.items())
    # Nor does it make safe again what an allergy struck out.
    assert all(replace(after[k], count=0) == replace(i, count=0) for k, i in before.items())


@given(st.lists(LINES, max_size=4), WAYS, ALLERGIES)
def test_the_order_of_the_lines_makes_no_difference(lines, way, told):
    expected = made(lines, way, told)
    assert all(made(order, way, told) == expected for order in permutations(lines))


@given(SOME, ALLERGIES)
def test_never_fewer_applicators_than_dips_where_nothing_is_dipped_twice(lines, told):
    waxed = [x for x in lines if x.method in WAX_METHODS]
    dips = sum(p.sections * BOOK.applications[x.method] for x in waxed for p in BOOK.parts[x.area])
    for way in (WaxDrawing.NEW_EACH_DIP, WaxDrawing.DISINFECTED_EACH_DIP):
        found = made(lines, way, told)
        assert sum(i.count for i in found if i.code.startswith("wax_applicator")) == dips


@given(SOME, WAYS, ALLERGIES)
def test_nothing_with_a_declared_allergen_is_left_on_the_list_unmarked(lines, way, told):
    for item in made(lines, way, told):
        product = next((p for x in lines for p in x.products if item.key.endswith(str(p.id))), None)
        if product is None:
            continue
        if product.ingredients is not None and product.ingredients & told.known.keys():
            assert item.is_struck
        elif told.untold or (product.ingredients is None and told.known):
            assert item.must_check_label
        assert bool(item.because) == (item.is_struck or item.must_check_label)


@given(st.lists(st.tuples(st.sampled_from(ROOMS), SOME.filter(bool)), max_size=4), st.randoms())
def test_a_day_adds_up_what_is_used_and_counts_by_room_what_stays(visits, chance):
    lists = [(room, made(lines, STRICTEST, Allergies())) for room, lines in visits]
    together = {i.key: i.count for i in totals(lists)}
    shuffled = list(lists)
    chance.shuffle(shuffled)
    assert {i.key: i.count for i in totals(shuffled)} == together
    every = [(room, item) for room, items in lists for item in items]
    assert together.keys() == {item.key for _, item in every}
    for key, count in together.items():
        found = [(room, item) for room, item in every if item.key == key]
        if found[0][1].stays:
            most = {r: max(i.count for o, i in found if o == r) for r, _ in found}
            assert count == sum(most.values())
        else:
            assert count == sum(item.count for _, item in found)


def test_every_entry_names_its_source_and_how_well_it_is_known():
    for entry in BOOK.entries:
        assert entry.sources
        for source in entry.sources:
            if source.strength == "published_and_read":
                assert source.fact
                assert any(c.isdigit() for c in source.ref + source.fact)
            if source.ref.startswith("common practice"):
                assert source.strength == "common_practice"


def test_no_entry_names_a_brand_or_microwaves_wax():
    # 8.04, Chang et al., Eplasty 2011;11:e25: microwaved wax was measured at up to 108.5 C.
    check = next(e for e in BOOK.entries if e.code == "wax_pot_check")
    assert "never a microwave" in check.title
    assert "wrist" in check.title


def test_a_version_that_was_published_keeps_its_words_and_counts():
    raw = (SHIPPED / "items.yaml").read_text(encoding="utf-8")
    digest = sha256(repr(yaml.safe_load(raw)).encode()).hexdigest()
    assert digest.startswith(PUBLISHED[BOOK.version])


def shipped():
    return deepcopy(yaml.safe_load((SHIPPED / "items.yaml").read_text(encoding="utf-8")))


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: d["items"][0].pop("sources"),
        lambda d: d["items"][0].update(count="per_moon"),
        lambda d: d["items"][0].update(amount=0),
        lambda d: d["items"][0].update(title_for_all="seen by all"),
        lambda d: d["items"][0].update(instead={"latex": {"variant": "x1", "title": "y"}}),
        lambda d: d["items"][0].update(drawing=["dip_twice"]),
        lambda d: d["parts"]["brow"].update(sections=0),
        lambda d: d["parts"]["brow"].update(size="huge"),
        lambda d: d.update(items=[]),
        lambda d: d.pop("version"),
    ],
)
def test_a_file_of_another_shape_is_refused(spoil):
    data = shipped()
    spoil(data)
    with pytest.raises(jsonschema.ValidationError):
        set_up_book_of(data, RULES)


@pytest.mark.parametrize(
    ("spoil", "complaint"),
    [
        (lambda d: d["parts"].update(elbow={"sections": 1, "size": "small"}), "elbow"),
        (lambda d: d["applications"].update(glue=1), "glue"),
        (lambda d: d["items"][0].update(areas=["elbow"]), "elbow"),
        (lambda d: d["items"][0].update(methods=["glue"]), "glue"),
        (lambda d: d["items"][0].update(may_hold=["moonlight"]), "moonlight"),
        (lambda d: d["items"].append(d["items"][0]), "table_cover is there twice"),
    ],
)
def test_a_file_with_a_word_that_screening_does_not_know_is_refused(spoil, complaint):
    data = shipped()
    spoil(data)
    with pytest.raises(ValueError, match=complaint):
        set_up_book_of(data, RULES)
