"""Containers, baths that are topped up and tested, papers on site and warnings, over HTTP."""

import json
import threading
from datetime import timedelta

import pytest
from django.db import connection, connections

from compliance.disinfection import tasks
from compliance.disinfection.models import StripReading, TopUp
from spa_ops.kernel import clock
from spa_ops.kernel.clock import rfc3339
from spa_ops.tenancy.models import Location
from spa_ops.unit.rows import put
from spa_ops.unit.work import reading
from tests.services import builders as build
from tests.world import BUSINESS, HARBOR, LAKE, uid

KIT = f"kits/{uid('brow kit 2')}"


def volume(amount, unit="mL"):
    return {"amount": amount, "unit": unit}


def mix(
    call, *, product=None, container="jar 1", concentrate="60", water="960", by="petra", **more
):
    return call(by).post(
        f"locations/{LAKE}/solutions",
        {
            "product_id": str(product or uid("quat")),
            "container": container,
            "concentrate": volume(concentrate),
            "water": volume(water),
            **more,
        },
    )


def codes(bath):
    return [finding["code"] for finding in bath["findings"]]


def vessel(call, **said):
    made = call("lena").post(f"locations/{LAKE}/soak-containers", {"name": "jar 1", **said})
    assert made.status_code == 201, made.body
    return made.body


def product(call, **label):
    given = {
        "name": "invented bleach", "active": "sodium hypochlorite", "parts_concentrate": "1",
        "parts_water": "9.5", "contact_seconds": 600, "family": "bleach", "strength_percent": "5.25",
    }  # fmt: skip
    made = call("lena").post("disinfectants", given | label)
    assert made.status_code == 201, made.body
    return made.body


def entries(kind):
    with reading(BUSINESS), connection.cursor() as cursor:
        cursor.execute("SELECT facts FROM ledger_entry WHERE kind = %s ORDER BY n", [kind])
        return [json.loads(facts) for (facts,) in cursor.fetchall()]


# Labels ----------------------------------------------------------------------------------------


def test_a_label_is_kept_whole(call):
    made = product(
        call, not_for={"materials": ["rubber", "aluminium"], "classes": ["not_immersible"]},
        concentrate_first=True, longest_soak_seconds=1800,
    )  # fmt: skip
    seen = call("petra").get(f"disinfectants/{made['id']}").body
    assert seen["not_for"] == {"classes": ["not_immersible"], "materials": ["aluminium", "rubber"]}
    assert (seen["family"], seen["strength_percent"], seen["concentrate_first"]) == (
        "bleach",
        "5.25",
        True,
    )
    assert (seen["longest_soak_seconds"], seen["stated_ppm"]) == (1800, None)


@pytest.mark.parametrize(
    "wrong",
    [
        {"strength_percent": "4.99"},
        {"strength_percent": None},
        {"strength_percent": "9.01"},
        {"not_for": {"materials": ["mithril"]}},
        {"family": "water"},
    ],
)
def test_a_label_that_cannot_be_is_refused(call, wrong):
    # 4.10, US CDC bleach page: 5 to 9 %, outside and unknown refused
    given = {
        "name": "invented bleach", "active": "sodium hypochlorite", "parts_concentrate": "1",
        "parts_water": "9.5", "family": "bleach", "strength_percent": "5.25",
    }  # fmt: skip
    assert call("lena").post("disinfectants", given | wrong).status_code == 422


def test_the_calculator_says_how_much_in_which_order_how_strong_and_what_to_mind(call):
    bleach = product(call)["id"]
    path = f"disinfectants/{bleach}/amounts"
    # 4.29, arithmetic: 1.0 L at 5,000 ppm from 5.25 % is 95.2 mL and 1 + 9.5
    found = call("petra").get(f"{path}?amount=1&unit=L").body
    # 95.238 and 904.762: on the marks of a jug the concentrate goes up and the water down.
    assert (found["concentrate_ml"], found["water_ml"], found["ppm"]) == ("95.3", "904.7", "5000.0")
    assert found["order"] == (
        "Measure 904.7 mL of water into the container, then add 95.3 mL of concentrate."
    )
    assert any("chlorine" in text for text in found["cautions"])
    assert any("Gloves" in text for text in found["cautions"])
    # 4.24, pattern from memory, a check value and never a default: 2 US fl oz ADDED to 32
    quat = f"disinfectants/{uid('quat')}/amounts"
    added = call("petra").get(f"{quat}?amount=32&unit=US fl oz&of=water").body
    assert (added["concentrate"], added["water"], added["ppm"]) == ("2.000", "32.000", "400.0")
    imperial = call("petra").get(f"{quat}?amount=32&unit=imp fl oz&of=water").body
    assert (imperial["concentrate"], imperial["concentrate_ml"]) == ("2.000", "56.9")
    gallon = call("petra").get(f"{quat}?amount=1&unit=US gal").body
    assert gallon["order"] == (
        "Measure 120.47 US fl oz of water into the container, then add 7.53 US fl oz of concentrate."
    )
    assert call("petra").get(f"{quat}?amount=1&unit=L&of=tea").status_code == 422
    ready = product(call, name="ready", parts_water="0")["id"]
    whole = call("petra").get(f"disinfectants/{ready}/amounts?amount=1&unit=L").body
    assert whole["order"] == "Ready to use: pour 1000 mL and add no water."
    refused = call("petra").get(f"disinfectants/{ready}/amounts?amount=1&unit=L&of=water")
    assert refused.status_code == 422


@pytest.mark.parametrize("of", ["finished", "water"])
@pytest.mark.parametrize(
    ("amount", "unit"),
    [("1000", "mL"), ("1", "L"), ("33", "mL"), ("1", "US gal"), ("1", "imp pt"), ("5", "US tbsp")],
)
def test_what_is_poured_just_as_the_calculator_says_is_as_the_label_says(call, amount, unit, of):
    path = f"disinfectants/{uid('quat')}/amounts?amount={amount}&unit={unit}&of={of}"
    told = call("petra").get(path).body
    for concentrate, water, its_unit in (
        (told["concentrate"], told["water"], unit),
        (told["concentrate_ml"], told["water_ml"], "mL"),
    ):
        made = call("petra").post(
            f"locations/{LAKE}/solutions",
            {"product_id": str(uid("quat")), "container": "jar 1",
             "concentrate": volume(concentrate, its_unit), "water": volume(water, its_unit)},
        )  # fmt: skip
        assert made.body["pour"] == "ok", (told, made.body)


@pytest.mark.parametrize("unit", ["US fl oz", "imp fl oz", "US cup", "imp pt", "US tsp", "L"])
@pytest.mark.parametrize("parts", ["0.5", "1", "3", "4"])
def test_sixteen_parts_of_water_to_one_are_as_the_label_says_in_every_unit(call, unit, parts):
    # An ounce and sixteen are 29.57 and 473.18 mL where only hundredths are kept: judged by those it
    # would be too weak.
    def poured(times):
        return {
            "concentrate": volume(parts, unit),
            "water": volume(str(float(parts) * times), unit),
        }

    made = call("petra").post(
        f"locations/{LAKE}/solutions",
        {"product_id": str(uid("quat")), "container": "jar 1", **poured(16)},
    )
    assert (made.body["pour"], made.body["state"]) == ("ok", "usable")
    more = call("petra").post(f"solutions/{made.body['id']}/top-ups", poured(16))
    assert more.body["top_ups"][0]["pour"] == "ok"
    thin = call("petra").post(f"solutions/{made.body['id']}/top-ups", poured(17))
    assert thin.body["top_ups"][1]["pour"] == "weaker"


@pytest.mark.parametrize(("amount", "unit"), [("999999", "US gal"), ("1001", "L")])
def test_more_than_any_container_takes_is_a_slip_of_the_finger(call, amount, unit):
    refused = call("petra").post(
        f"locations/{LAKE}/solutions",
        {"product_id": str(uid("quat")), "container": "jar 1", "concentrate": volume("60"),
         "water": volume(amount, unit)},
    )  # fmt: skip
    assert refused.status_code == 422
    assert refused.body["errors"][0]["pointer"] == "/water/amount"


def _in_california():
    place = Location.objects.get(id=LAKE)
    place.jurisdiction = "us-ca"
    put(place, fields=["jurisdiction"])


@pytest.mark.parametrize(
    ("chosen", "hours", "allowed"),
    [("", 336, None), ("8 hours", 8, None), ("2 days", 48, None), ("3 uses", 336, 3)],
)
def test_a_house_may_throw_a_bath_out_sooner_and_each_limit_is_shown(
    call, now, chosen, hours, allowed
):
    # The label says 14 days, California seven (1.07, 16 CCR 979, older text).
    path = f"locations/{LAKE}"
    read = call("olga").get(path)
    changed = call("olga").patch(
        path, {"policies": {"solution_use_limit": chosen}}, If_Match=read["ETag"]
    )
    assert changed.status_code == 200, changed.body
    build.written(_in_california)
    made = mix(call).body
    shown = [(each["origin"], each["kind"], each["amount"]) for each in made["limits"]]
    assert ("jurisdiction", "days", 7) in shown
    house = [each for each in shown if each[0] == "house"]
    assert house == ([("house", chosen.split()[1], int(chosen[0]))] if hours < 168 else [])
    ends = min(timedelta(hours=hours), timedelta(days=7))
    assert made["discard_at"] == rfc3339(now + ends)
    assert made["uses_allowed"] == allowed


@pytest.mark.parametrize("wrong", ["daily", "0 hours", "8 hours ", "-1 days", "at_closing 2", 8])
def test_a_house_limit_that_cannot_be_read_is_refused(call, wrong):
    path = f"locations/{LAKE}"
    read = call("olga").get(path)
    refused = call("olga").patch(
        path, {"policies": {"solution_use_limit": wrong}}, If_Match=read["ETag"]
    )
    assert refused.status_code == 422
    assert refused.body["errors"][0]["pointer"] == "/policies/solution_use_limit"


def test_nothing_soaks_in_a_product_that_nobody_mixed(call):
    petra = call("petra")
    for kind in ("washed", "rinsed", "dried"):
        petra.post(f"{KIT}/reprocessing", {"kind": kind})
    into = {"kind": "immersed", "fully_open": True, "agent_id": str(uid("quat"))}
    refused = petra.post(f"{KIT}/reprocessing", into)
    assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, "/agent_id")
    assert {i["state"] for i in petra.get(KIT).body["implements"]} == {"cleaned"}
    into["agent_id"] = mix(call).body["id"]
    assert petra.post(f"{KIT}/reprocessing", into).status_code == 200


def test_a_ratio_read_the_other_way_is_told(call):
    # "1 in 10" poured as 1 added to 10 is too weak, "1 added to 10" poured as 1 in 10 too strong.
    added = product(call, parts_water="10", family="quat", strength_percent=None)["id"]
    strong = mix(call, product=added, concentrate="100", water="900").body["findings"][0]
    weak = mix(call, product=added, concentrate="100", water="1100").body["findings"][0]
    odd = mix(call, product=added, concentrate="100", water="5000").body["findings"][0]
    assert [(f["code"], "other way" in f["what_to_do"]) for f in (strong, weak, odd)] == [
        ("over", True),
        ("weaker", True),
        ("weaker", False),
    ]


# Containers ------------------------------------------------------------------------------------


def test_more_than_the_container_takes_is_recorded_and_not_usable(call):
    jar = vessel(call, capacity=volume("34", "US fl oz"), has_lid=True, is_marked=True)
    assert (jar["capacity_ml"], jar["entered"]) == ("1005.50", {"capacity": ["34.000", "US fl oz"]})
    made = mix(call).body
    assert (made["state"], made["end_reason"]) == ("ended", "overfilled")
    assert "overfilled" in codes(made)
    assert "mix less" in made["findings"][0]["what_to_do"]
    assert mix(call, concentrate="59", water="944").body["state"] == "usable"


def test_a_container_is_described_anew_with_the_version_that_was_read(call):
    jar = vessel(call, capacity=volume("1", "L"), pieces=4)
    lena = call("lena")
    path = f"soak-containers/{jar['id']}"
    assert lena.patch(path, {"pieces": 5}).status_code == 428
    changed = lena.patch(path, {"pieces": 5}, if_match=str(jar["version"]))
    assert (changed.status_code, changed.body["pieces"], changed.body["capacity_ml"]) == (
        200,
        5,
        None,
    )
    assert lena.patch(path, {"pieces": 6}, if_match=str(jar["version"])).status_code == 412
    assert call("petra").get(f"locations/{LAKE}/soak-containers").body["items"] == [changed.body]
    again = lena.post(f"locations/{LAKE}/soak-containers", {"name": " jar 1 "})
    assert again.status_code == 409
    assert (
        call("petra").post(f"locations/{LAKE}/soak-containers", {"name": "jar 2"}).status_code
        == 403
    )
    assert call("stranger").get(path).status_code == 404
    assert [e["pieces"] for e in entries("soak_container.changed")] == [5]


def test_a_container_that_changes_product_is_emptied_washed_and_labelled_anew(call):
    first = mix(call).body
    bleach = product(call)["id"]
    right = {"product": bleach, "concentrate": "100", "water": "950"}
    wrong = mix(call, **right).body
    assert (wrong["state"], wrong["end_reason"]) == ("ended", "container_not_changed_over")
    assert codes(wrong)[:2] == ["must_not_meet_what_was_in_it", "container_not_changed_over"]
    assert "poisonous gas" in wrong["findings"][0]["what_to_do"]
    replaced = call("petra").get(f"solutions/{first['id']}").body
    assert (replaced["state"], replaced["end_reason"]) == ("ended", "replaced")
    # what was in it last is that bleach: back to the first product needs the same
    half = mix(call, changeover={"emptied": True, "washed": True}).body
    assert codes(half)[0] == "container_not_changed_over"
    whole = mix(call, product=bleach, concentrate="100", water="950",
                changeover={"emptied": True, "washed": True, "labelled_anew": True}).body  # fmt: skip
    assert whole["state"] == "usable"
    assert entries("solution.mixed")[-1]["faults"] == codes(whole)


def test_a_fresh_bath_of_the_same_product_ends_the_one_before(call):
    first, second = mix(call).body, mix(call).body
    assert second["state"] == "usable"
    assert call("petra").get(f"solutions/{first['id']}").body["end_reason"] == "replaced"
    running = call("petra").get(f"locations/{LAKE}/solutions?usable=true").body["items"]
    assert [b["id"] for b in running if b["container"] == "jar 1"] == [second["id"]]


def test_two_people_mixing_into_one_container_leave_one_bath_in_it(own_database, now):
    from tests.callers import Caller, secret_of

    done = []

    def mixing(name):
        caller = Caller(secret_of(name))
        for _ in range(4):
            done.append(mix(lambda _: caller).status_code)
        connections.close_all()

    threads = [threading.Thread(target=mixing, args=[n]) for n in ("petra", "lena", "petra")]
    with clock.stopped_at(now):
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert set(done) <= {201, 409}
    assert done.count(201) >= 4
    with reading(BUSINESS), connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*) FROM disinfection_solution WHERE container = 'jar 1' AND ended_at IS NULL"
        )
        assert cursor.fetchone() == (1,)


# Topping up ------------------------------------------------------------------------------------


def soaking(call, now, solution):
    for i, kind in enumerate(("washed", "rinsed", "dried")):
        with clock.stopped_at(now + timedelta(seconds=i)):
            call("petra").post(f"{KIT}/reprocessing", {"kind": kind})
    with clock.stopped_at(now + timedelta(seconds=10)):
        said = {"kind": "immersed", "agent_id": solution, "fully_open": True}
        assert call("petra").post(f"{KIT}/reprocessing", said).status_code == 200


def top_up(call, solution, concentrate, water):
    poured = {"concentrate": volume(concentrate), "water": volume(water)}
    return call("petra").post(f"solutions/{solution}/top-ups", poured)


def test_topping_up_restarts_the_soak_and_never_the_window(call, now):
    bath = mix(call).body
    soaking(call, now, bath["id"])
    with clock.stopped_at(now + timedelta(minutes=6)):
        done = top_up(call, bath["id"], "2", "32").body
        # Both pieces went in as one batch: one use.
        assert (done["state"], done["discard_at"], done["uses"]) == (
            "usable",
            bath["discard_at"],
            1,
        )
        assert [(t["concentrate_ml"], t["pour"]) for t in done["top_ups"]] == [("2.00", "ok")]
        assert (done["concentrate_ml"], done["water_ml"]) == ("60.00", "960.00")
    with clock.stopped_at(now + timedelta(minutes=12)):
        seen = call("petra").get(f"{KIT}/clearance").body["items"]
    assert {(i["reason"], i["seconds_left"]) for i in seen} == {("contact_running", 240)}


def test_water_poured_in_ends_the_bath_once_the_whole_is_weaker(call, now):
    bath = mix(call, concentrate="66").body  # exactly 10 % over: house policy allows it
    soaking(call, now, bath["id"])
    with clock.stopped_at(now + timedelta(minutes=11)):
        assert top_up(call, bath["id"], "0", "96").body["state"] == "usable"  # 66 + 1056 is 1 + 16
        weaker = top_up(call, bath["id"], "0", "1").body
        assert (weaker["state"], weaker["end_reason"]) == ("ended", "not_as_label")
        assert top_up(call, bath["id"], "9", "0").body["type"] == "/problems/wrong-state"
        seen = call("petra").get(f"{KIT}/clearance").body["items"]
    assert {i["reason"] for i in seen} == {"solution_ended"}
    with reading(BUSINESS):
        assert TopUp.objects.filter(solution=bath["id"]).count() == 2
    assert [e["pour"] for e in entries("solution.topped_up")] == ["ok", "weaker"]


def test_what_had_its_time_before_the_bath_was_weakened_stays_cleared(call, now):
    bath = mix(call).body
    soaking(call, now, bath["id"])
    with clock.stopped_at(now + timedelta(minutes=11)):
        call("petra").post(f"{KIT}/reprocessing", {"kind": "lifted"})
    with clock.stopped_at(now + timedelta(minutes=12)):
        assert top_up(call, bath["id"], "0", "500").body["state"] == "ended"
        # a late record has everything derived anew, and that bath was good at the time
        late = {"kind": "rinsed", "at": (now + timedelta(seconds=1, milliseconds=500)).isoformat()}
        call("petra").post(f"{KIT}/reprocessing", late)
        assert {i["is_cleared"] for i in call("petra").get(f"{KIT}/clearance").body["items"]} == {
            True
        }


def test_a_pour_of_nothing_and_one_too_many_are_told_apart(call):
    vessel(call, capacity=volume("1030"))
    bath = mix(call).body
    assert top_up(call, bath["id"], "0", "0").status_code == 422
    full = top_up(call, bath["id"], "1", "16").body
    assert (full["state"], full["end_reason"]) == ("ended", "overfilled")
    assert call("stranger").post(f"solutions/{bath['id']}/top-ups", {}).status_code in {404, 422}


# Strips ----------------------------------------------------------------------------------------


def test_a_failed_strip_ends_the_bath_at_once(call, now):
    # 1.21, Simcoe Muskoka health unit: strips against a target, e.g. 400 ppm quat
    bath = mix(call).body
    petra = call("petra")
    good = petra.post(f"solutions/{bath['id']}/strips", {"reading_ppm": "400"}).body
    assert (good["state"], good["version"]) == ("usable", bath["version"] + 1)
    bad = petra.post(f"solutions/{bath['id']}/strips", {"reading_ppm": "399.9"}).body
    assert (bad["state"], bad["end_reason"]) == ("ended", "failed_strip")
    assert [(s["reading_ppm"], s["target_ppm"], s["passed"]) for s in bad["strips"]] == [
        ("400", "400", True),
        ("399.9", "400", False),
    ]
    again = petra.post(f"solutions/{bath['id']}/strips", {"reading_ppm": "500"})
    assert again.body["type"] == "/problems/wrong-state"
    with reading(BUSINESS):
        assert StripReading.objects.filter(solution=bath["id"]).count() == 2
    assert [e["passed"] for e in entries("solution.strip_read")] == [True, False]


def test_a_strip_needs_something_to_be_read_against(call):
    unknown = product(call, family="quat", strength_percent=None, parts_water="16")["id"]
    bath = mix(call, product=unknown, container="jar 3").body
    refused = call("petra").post(f"solutions/{bath['id']}/strips", {"reading_ppm": "400"})
    assert refused.body["type"] == "/problems/no-strip-target"
    assert call("petra").get(f"solutions/{bath['id']}").body["strips"] == []


# Papers ----------------------------------------------------------------------------------------


def test_data_sheet_and_labelled_bottle_are_looked_for_at_each_location(call):
    assert {"no_safety_data_sheet_on_site", "no_labelled_bottle_on_site"} <= set(
        codes(mix(call).body)
    )
    looked = {"location_id": str(LAKE), "data_sheet": True, "labelled_bottle": True}
    path = f"disinfectants/{uid('quat')}/papers"
    assert call("petra").post(path, looked).status_code == 200
    assert codes(mix(call).body) == []
    listed = call("petra").get(f"locations/{LAKE}/disinfectant-papers").body["items"]
    assert [(p["name"], p["data_sheet"], p["labelled_bottle"]) for p in listed] == [
        ("quaternary concentrate", True, True)
    ]
    # The last look holds, and another location has a bottle of its own.
    call("petra").post(path, looked | {"labelled_bottle": False})
    assert codes(mix(call).body) == ["no_labelled_bottle_on_site"]
    assert call("petra").post(path, looked | {"location_id": str(HARBOR)}).status_code == 404
    assert call("stranger").get(f"locations/{LAKE}/disinfectant-papers").status_code == 404
    assert len(entries("disinfectant.papers_looked_for")) == 2


# What a label is not for, and how many fit ------------------------------------------------------


def test_an_implement_that_the_label_excludes_is_not_cleared(call, now):
    rubbery = product(
        call,
        family="quat",
        strength_percent=None,
        parts_water="16",
        not_for={"materials": ["rubber"]},
    )["id"]
    bath = mix(call, product=rubbery, container="jar 4").body
    tool = {"tag": "soft probe", "name": "probe", "kind": "immersible", "materials": ["rubber"]}
    assert call("lena").post(f"{KIT}/implements", tool).status_code == 201
    soaking(call, now, bath["id"])
    with clock.stopped_at(now + timedelta(minutes=11)):
        call("petra").post(f"{KIT}/reprocessing", {"kind": "lifted"})
        seen = {i["tag"]: i for i in call("petra").get(f"{KIT}/clearance").body["items"]}
    assert (seen["soft probe"]["reason"], seen["soft probe"]["is_cleared"]) == (
        "not_for_this_implement",
        False,
    )
    assert seen["brow kit 2 tweezers"]["is_cleared"]


def test_more_than_the_bath_covers_are_not_cleared(call, now):
    vessel(call, pieces=1)
    bath = mix(call).body
    soaking(call, now, bath["id"])
    with clock.stopped_at(now + timedelta(minutes=11)):
        seen = call("petra").get(f"{KIT}/clearance").body["items"]
    assert {(i["reason"], i["is_cleared"]) for i in seen} == {("bath_overfull", False)}


# Warnings --------------------------------------------------------------------------------------


def test_a_soak_far_too_long_is_said_once_for_each_soak(call, now):
    bath = mix(call).body
    soaking(call, now, bath["id"])
    due = now + timedelta(seconds=610)
    for seconds, warned in ((3599, 0), (3600, 2), (3700, 0)):
        with clock.stopped_at(due + timedelta(seconds=seconds)):
            assert tasks.warn_of_soaks() == warned, seconds
    assert {i["soaks_too_long"] for i in call("petra").get(KIT).body["implements"]} == {True}
    with clock.stopped_at(due + timedelta(seconds=3800)):
        assert all(i["warning"] for i in call("petra").get(f"{KIT}/clearance").body["items"])
        call("petra").post(f"solutions/{bath['id']}/added", {"cleaned": True})
        assert {i["soaks_too_long"] for i in call("petra").get(KIT).body["implements"]} == {False}
    with clock.stopped_at(due + timedelta(seconds=3800 + 600 + 3600)):
        assert tasks.warn_of_soaks() == 2


def test_two_sweeps_at_once_warn_once(own_database, now):
    from tests.callers import Caller, secret_of

    caller = Caller(secret_of("petra"))

    def call(_):
        return caller

    with clock.stopped_at(now):
        bath = mix(call).body
        soaking(call, now, bath["id"])
    warned = []

    def sweeping():
        warned.append(tasks.warn_of_soaks())
        connections.close_all()

    threads = [threading.Thread(target=sweeping) for _ in range(3)]
    with clock.stopped_at(now + timedelta(hours=2)):
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        warned.append(tasks.warn_of_soaks())  # what one skipped because another held it
    assert sum(warned) == 2  # the kit's two implements
