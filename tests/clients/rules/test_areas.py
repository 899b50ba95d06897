"""The tree of areas: what touches what, and what lies in one region."""

from hypothesis import given
from hypothesis import strategies as st

from clients.rules.areas import area_tree, areas_with_two_parents, cycle_in, roots
from tests.clients.rules.scenarios import RULES, areas, unhurried

TREE = RULES.tree


def test_the_face_holds_brow_lip_chin_and_more():
    assert {"face", "brow", "lash", "lip", "chin", "sides_of_face", "nose_exterior"} <= TREE.within[
        "face"
    ]
    assert not {"ear", "neck", "body"} & TREE.within["face"]


def test_areas_touch_along_the_tree_only():
    assert {"face", "body"} <= TREE.touching["lip"]
    assert "chin" not in TREE.touching["lip"]
    assert "lower_leg" not in TREE.touching["upper_leg"]
    assert TREE.touching["body"] == frozenset(TREE.touching)


def test_areas_of_one_region_are_near_each_other():
    assert {"lip", "chin", "face", "body"} <= TREE.nearby["brow"]
    assert "lower_leg" in TREE.nearby["upper_leg"]
    assert "neck" not in TREE.nearby["brow"]


@unhurried
@given(areas, areas)
def test_touching_and_near_are_mutual_and_touching_is_nearer(one, other):
    assert (other in TREE.touching[one]) == (one in TREE.touching[other])
    assert (other in TREE.nearby[one]) == (one in TREE.nearby[other])
    assert TREE.touching[one] <= TREE.nearby[one]


@unhurried
@given(st.sets(areas, max_size=4))
def test_several_areas_reach_as_far_as_each(some):
    assert TREE.all_touching(some) == {a for one in some for a in TREE.touching[one]}
    assert TREE.all_within(some) == {a for one in some for a in TREE.within[one]}


def test_an_area_alone_is_a_tree():
    assert area_tree({"body": []}).touching == {"body": {"body"}}


def test_trees_that_are_none_are_told():
    assert cycle_in({"a": ["b"], "b": ["c"], "c": ["a"]})
    assert cycle_in({"a": ["a"]})
    assert cycle_in({"a": ["b", "c"], "b": ["c"]}) == []
    assert areas_with_two_parents({"a": ["b", "c"], "c": ["b"]}) == ["b"]
    assert roots({"a": ["b"], "c": ["d"]}) == ["a", "c"]


def test_a_tree_knows_its_areas_and_no_others():
    tree = area_tree({"body": ["leg"], "leg": ["knee"]})
    assert [name in tree for name in ("body", "leg", "knee", "elbow")] == [True, True, True, False]
