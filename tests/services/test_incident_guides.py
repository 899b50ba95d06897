"""The incident guides over HTTP."""

import pytest

from services.incident_guide_files import shipped_guides


def test_the_emergency_line_comes_first_and_each_step_has_its_sources(call):
    found = call("freya").get("incident-guides")
    assert found.status_code == 200, found.body
    assert next(iter(found.body)) == "emergency"
    assert found.body["digest"] == shipped_guides().digest
    assert (len(found.body["items"]), found.body["call_back_hours"]) == (7, [24, 72])
    for guide in found.body["items"]:
        for step in guide["steps"]:
            assert step["sources"], step["code"]


def test_the_case_decides_which_steps_must_be_done(call):
    (burn,) = call("petra").get("incident-guides?kind=burn&hurt=client&area=lip").body["items"]
    must = {step["code"]: step["required"] for step in burn["steps"]}
    assert must == {
        "cool_running_water": True,
        "cover_loosely": True,
        "medical_care": True,
        "tell_label_company": False,
    }


@pytest.mark.parametrize(
    ("query", "pointer"),
    [
        ("kind=spill", "?kind"),
        ("hurt=nobody", "?hurt"),
        ("area=moon", "?area"),
        ("millimetres=0", "?millimetres"),
        ("millimetres=-5", "?millimetres"),
        ("millimetres=wide", "?millimetres"),
    ],
)
def test_a_bad_query_is_named(call, query, pointer):
    refused = call("petra").get(f"incident-guides?{query}")
    assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, pointer)
