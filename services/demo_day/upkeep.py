"""What keeps the place going on the demonstration day: pots, lists, counts, hand-over, spore test, orders."""

from typing import Any

from services.demo_day.day import Stage


def read_pots(stage: Stage) -> None:
    """Every pot is stirred and read before use; the first one is too hot, and is read again later."""
    pots = stage.practitioner.get(f"locations/{stage.place['id']}/equipment-states")["wax_pots"]
    for n, pot in enumerate(pots):
        low, high = (float(pot["filling"][end]["c"]) for end in ("lowest", "highest"))
        path = f"equipment/{pot['equipment_id']}/log"
        if n == 0:
            stage.practitioner.post(path, _reading(high + 11))
            seen = _pot(stage, pot)
            stage.tell(
                f"{pot['name']}: {high + 11:.0f} C, {seen['reason'].replace('_', ' ')}. {seen['what_to_do']}"
            )
            stage.clock.pass_time(minutes=8)
        stage.practitioner.post(path, _reading((low + high) / 2))
    usable = [pot["name"] for pot in pots if _pot(stage, pot)["may_be_used"]]
    stage.tell(f"read in range, may be used today: {'; '.join(usable)}.")


def _reading(degrees: float) -> dict[str, Any]:
    return {"kind": "measured", "degrees": f"{degrees:.1f}", "unit": "C"}


def _pot(stage: Stage, pot: dict[str, Any]) -> dict[str, Any]:
    path = f"locations/{stage.place['id']}/equipment-states"
    found = stage.practitioner.get(path)["wax_pots"]
    return next(one for one in found if one["equipment_id"] == pot["equipment_id"])


def go_through_list(stage: Stage, kind: str) -> None:
    """The lead ticks what is done and signs off; what the program knows to be undone stays blank."""
    path = f"locations/{stage.place['id']}/{kind}-list"
    for row in stage.lead.get(path)["items"]:
        if row["known"] and not row["known"]["met"]:
            continue
        number = {} if row["asks"] == "nothing" else {"number": "1"}
        stage.lead.post(f"{path}/ticks", {"item": row["item"], "done": True, **number})
    stage.lead.post(f"{path}/sign-off")
    found = stage.lead.get(path)
    blank = [
        f"{r['title']} ({r['name']})" if r["name"] else r["title"]
        for r in found["items"]
        if r["state"] == "blank"
    ]
    words = f", blank on record: {'; '.join(blank)}" if blank else ""
    stage.tell(
        f"{stage.lead.name} signs off the {kind} list: "
        f"{found['counts']['done']} of {len(found['items'])} rows done{words}."
    )


def count_back(stage: Stage, kit: dict[str, Any], visit: dict[str, Any]) -> None:
    """The kit that went out is counted back, whole."""
    told = {"visit_id": visit["id"], "missing_ids": []}
    stage.practitioner.post(f"kits/{kit['id']}/count-back", told)
    stage.tell(f"{kit['name']} is counted back: {len(kit['implements'])} pieces out, none missing.")


def hand_over(stage: Stage) -> None:
    """What stands is given by one person and accepted by another."""
    path = f"locations/{stage.place['id']}/hand-overs"
    given = stage.practitioner.post(path, {"shortages": ["calming gel"]})
    stage.lead.post(f"hand-overs/{given['id']}/accept")
    shown = given["shown"]
    stage.tell(
        f"{stage.practitioner.name} hands over to {stage.lead.name}, who accepts by name: "
        f"rooms not ready {len(shown['rooms_not_ready'])}, things due {len(shown['due'])}, "
        f"shortages {len(shown['shortages'])}."
    )


def test_for_spores(stage: Stage) -> None:
    """The spore test that is due is taken and read."""
    steriliser = stage.lead.all(f"locations/{stage.place['id']}/sterilisers")[0]
    path = f"sterilisers/{steriliser['id']}"
    loads = stage.lead.all(f"{path}/loads")
    due_at = stage.lead.get(f"{path}/standing")["next_test_due_at"]
    taken = stage.lead.post(f"{path}/spore-tests", {"lot": "INV-SPORE-2"})
    stage.lead.post(f"spore-tests/{taken['id']}/result", {"result": "good"})
    released = sum(load["state"] == "released" for load in loads)
    stage.tell(
        f"{steriliser['name']}: {released} loads released; the spore test due {due_at[:10]} is taken and good."
    )


def close_up(stage: Stage) -> None:
    """Pots off and covered, the towel warmer emptied and left open, and the closing list."""
    states = stage.lead.get(f"locations/{stage.place['id']}/equipment-states")
    for pot in states["wax_pots"]:
        stage.lead.post(f"equipment/{pot['equipment_id']}/log", {"kind": "switched_off"})
    for piece in states["others"]:
        if piece["kind"] == "towel_warmer":
            for kind in ("disinfected", "left_open"):
                stage.lead.post(f"equipment/{piece['equipment_id']}/log", {"kind": kind})
    go_through_list(stage, "closing")


def what_to_order(stage: Stage) -> None:
    """The first thing that the forecast wants ordered."""
    found = stage.lead.get(f"locations/{stage.place['id']}/stock/forecast")["items"]
    first = min((i for i in found if i["order_by"]), key=lambda item: item["order_by"])
    stage.tell(
        f"{first['name']}: {first['next_week']['likely']} {first['unit']} booked for the week; runs out "
        f"about {first['runs_out']}; order {first['order_packs']} packs by {first['order_by']}."
    )
