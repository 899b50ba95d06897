"""One invented day in two rooms, driven over HTTP, with a readable account of it."""

import json
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from services.demo_day import upkeep
from services.demo_day.callers import Caller, Refused
from services.demo_day.day import Clock, Stage, consult, mix, reprocess, turn_over, walk_in, work

#: How long real background work may take to be seen, in real seconds.
PATIENCE_SECONDS = 120
CAUTION = "Everybody and everything here is invented. The program advises and records; it does not diagnose."


class DayFailed(Exception):
    """Something did not happen as the day's story says."""


def play(base_url: str, sign_ins: Path, clock_file: Path, say: Callable[[str], None]) -> None:
    """Drive the day and tell it. Raises `DayFailed` or `Refused` where the story breaks."""
    say(CAUTION)
    people = {p["role"]: p for p in reversed(json.loads(sign_ins.read_text(encoding="utf-8")))}

    def caller(role: str) -> Caller:
        who = people[role]
        return Caller(base_url, who["name"]).sign_in(who["login"], who["password"])

    stage = _staged(caller, clock_file, say)
    _morning(stage)
    _proceeds(stage)
    _waits(stage)
    _is_overridden(stage)
    _is_flagged(stage)
    _runs_out(stage)
    _owner_and_inspector(stage, caller)


def _staged(caller: Callable[[str], Caller], clock_file: Path, say: Callable[[str], None]) -> Stage:
    practitioner, lead, desk = caller("practitioner"), caller("lead"), caller("front_desk")
    me = practitioner.get("me")
    place = practitioner.get(f"locations/{me['location_id']}")
    stage = Stage(
        clock=Clock(clock_file, place["zone"]),
        say=say,
        place=place,
        desk=desk,
        lead=lead,
        practitioner=practitioner,
        practitioner_id=me["person_id"],
    )
    # Before the first booked visits of a day, whatever the hour is; sign-ins of now would end before the day does.
    stage.clock.move_to_hour(5)
    stage.practitioner, stage.lead, stage.desk = (
        caller("practitioner"), caller("lead"), caller("front_desk"),
    )  # fmt: skip
    practitioner, lead, desk = stage.practitioner, stage.lead, stage.desk
    stage.rooms = practitioner.all(f"locations/{place['id']}/rooms")
    stage.product = lead.all("disinfectants")[0]
    services = [
        s
        for s in practitioner.all("services")
        if s["area"] == "brow" and s["method"].endswith("wax")
    ]
    stage.service = next(s for s in services if s["kit_kind"])
    stage.kits = [
        k
        for k in practitioner.all(f"locations/{place['id']}/kits")
        if k["kind"] == stage.service["kit_kind"]
    ]
    stage.questions = practitioner.get("consultation-questions")["questions"]
    say(
        f"{place['name']}, {place['zone']}: {len(stage.rooms)} rooms, {desk.name} at the desk, {practitioner.name} works.\n"
    )
    return stage


def _fitting(stage: Stage) -> list[dict[str, Any]]:
    needed = set(stage.service["room_features"])
    return [r for r in stage.rooms if needed <= set(r["features"])]


def _clients(stage: Stage) -> list[dict[str, Any]]:
    # Grown-ups whose age is on file, in the order of their names.
    born = [c for c in stage.desk.get("clients?limit=200")["items"] if c.get("birth_date")]
    return [c for c in born if c["birth_date"] < "2000-01-01"]


def _morning(stage: Stage) -> None:
    stage.tell("On a first start every room needs turnover and every kit counts as soiled.")
    for room in _fitting(stage)[:2]:
        turn_over(stage, room)
    bath = mix(stage, "morning jar")
    for kit in stage.kits[:2]:
        seen = reprocess(stage, kit, bath, minutes=10)
        stage.tell(f"{kit['name']}: washed, rinsed, dried, soaked 10 min: {_cleared(seen)}.")
    upkeep.read_pots(stage)
    stage.lead.post(f"solutions/{bath['id']}/strips", {"reading_ppm": "400"})
    upkeep.go_through_list(stage, "opening")
    upkeep.test_for_spores(stage)


def _cleared(seen: dict[str, Any]) -> str:
    return "cleared" if seen["is_cleared"] else f"not cleared ({seen['reason'].replace('_', ' ')})"


def _proceeds(stage: Stage) -> None:
    room, client, kit = _fitting(stage)[0], _clients(stage)[0], stage.kits[0]
    visit = walk_in(stage, client, room, kit)
    stage.practitioner.post(f"visits/{visit['id']}/seat")
    line = consult(stage, visit)
    _expect(line["verdict"] == "proceed", f"the first client proceeds, not {line['verdict']}")
    stage.tell(f"{client['name']}: {stage.service['name']}. Everything asked and seen: proceed.")
    work(stage, visit)
    upkeep.count_back(stage, kit, visit)
    _leave_and_pay(stage, visit)
    turn_over(stage, room)
    bath = mix(stage, "second jar")
    reprocess(stage, kit, bath, minutes=10)


def _leave_and_pay(stage: Stage, visit: dict[str, Any]) -> None:
    stage.desk.post(f"visits/{visit['id']}/leave")
    account = stage.desk.get(f"visits/{visit['id']}/account")
    owed = account["balance_minor"]
    paid = stage.desk.post(
        f"visits/{visit['id']}/payments",
        {"means": "cash", "amount_minor": owed, "currency": stage.service["currency"]},
    )
    stage.desk.post(f"visits/{visit['id']}/check-out")
    number = paid["payment"]["receipt_number"]
    stage.tell(
        f"paid {owed / 100:.2f} {stage.service['currency']}, receipt {number}; the room needs turnover."
    )


def _waits(stage: Stage) -> None:
    room, client, kit = _fitting(stage)[1], _clients(stage)[1], stage.kits[1]
    visit = walk_in(stage, client, room, kit)
    used = (stage.clock.now - timedelta(days=2)).date()
    line = consult(
        stage,
        visit,
        yes=("skin_actives",),
        declarations=[
            {
                "kind": "topical_retinoid",
                "areas": ["face"],
                "when": {"on": str(used)},
                "still": False,
            }
        ],
    )
    _expect(line["verdict"] == "wait_until", f"the second client waits, not {line['verdict']}")
    stage.tell(
        f"{client['name']}: not before {line['earliest_on']}. The desk sees the date, never why."
    )
    stage.desk.post(f"lines/{line['id']}/drop", {"reason": "comes back later"})
    stage.desk.post(f"visits/{visit['id']}/leave")


def _is_overridden(stage: Stage) -> None:
    room, client, kit = _fitting(stage)[1], _clients(stage)[2], stage.kits[1]
    visit = walk_in(stage, client, room, kit)
    stage.practitioner.post(f"visits/{visit['id']}/seat")
    done = (stage.clock.now - timedelta(days=9)).date()
    line = consult(
        stage,
        visit,
        yes=("procedures",),
        declarations=[
            {
                "kind": "chemical_peel",
                "areas": ["chin"],
                "when": {"on": str(done)},
                "details": ["light"],
            }
        ],
    )
    try:
        stage.practitioner.post(f"lines/{line['id']}/start", {"hands_cleaned": True})
        raise DayFailed("a line started against its verdict")
    except Refused as refusal:
        stage.tell(f"{client['name']}: refused to start: {refusal.problem['detail']}")
    reason = "a light peel of the chin nine days ago; the brow was not treated and is calm"
    stage.practitioner.post(f"lines/{line['id']}/override", {"reason": reason})
    stage.tell(f"{stage.practitioner.name} overrides for this line, on record: {reason}.")
    work(stage, visit)
    upkeep.count_back(stage, kit, visit)
    _leave_and_pay(stage, visit)


def _is_flagged(stage: Stage) -> None:
    room = _fitting(stage)[1]
    stage.clock.pass_time(minutes=11)
    path = f"locations/{stage.place['id']}/room-flags?open=true"

    def flags() -> list[dict[str, Any]]:
        return [f for f in stage.lead.all(path) if f["room_id"] == room["id"]]

    found = _seen(flags, "the background job flags the room")
    stage.tell(
        f"{room['name']} is flagged: {found[0]['kind'].replace('_', ' ')} 10 min after the client left."
    )
    turn_over(stage, room)
    upkeep.hand_over(stage)
    upkeep.what_to_order(stage)


def _runs_out(stage: Stage) -> None:
    bath, kit = mix(stage, "evening jar"), stage.kits[1]
    discard_at = datetime.fromisoformat(bath["discard_at"])
    stage.clock.move_to(discard_at - timedelta(minutes=10))
    upkeep.close_up(stage)
    stage.clock.move_to(discard_at - timedelta(minutes=9))
    stage.tell(
        f"the evening jar ends in nine minutes ({bath['limits'][0]['kind'].replace('_', ' ')}); a kit goes in all the same."
    )
    seen = reprocess(stage, kit, bath, minutes=10)
    _expect(not seen["is_cleared"], "a soak across the end of the window clears nothing")
    stage.tell(f"{kit['name']}: {_cleared(seen)}. {seen['what_to_do']}")

    def ended() -> list[dict[str, Any]]:
        return [b for b in [stage.lead.get(f"solutions/{bath['id']}")] if b["state"] == "ended"]

    found = _seen(ended, "the background job ends the bath")
    stage.tell(
        f"the evening jar is ended by the sweep: {found[0]['end_reason'].replace('_', ' ')}."
    )


def _seen(look: Callable[[], list[dict[str, Any]]], what: str) -> list[dict[str, Any]]:
    until = time.monotonic() + PATIENCE_SECONDS
    while time.monotonic() < until:
        found = look()
        if found:
            return found
        time.sleep(1)
    raise DayFailed(f"waited {PATIENCE_SECONDS} s: {what}")


def _owner_and_inspector(stage: Stage, caller: Callable[[str], Caller]) -> None:
    owner, inspector = caller("owner"), caller("inspector")
    board = next(
        x for x in owner.get("dashboard")["locations"] if x["location_id"] == stage.place["id"]
    )
    stage.say("\nThe owner's dashboard for the last 30 days:")
    for figure in board["figures"]:
        score = (
            ("nothing recorded" if figure["applies"] else "not applicable")
            if figure["basis_points"] is None
            else f"{figure['met']} of {figure['of']}"
        )
        wrong = ", ".join(f"{w['flaw'].replace('_', ' ')} {w['count']}" for w in figure["why"])
        stage.say(f"  {figure['says']}: {score}" + (f" ({wrong})" if wrong else ""))
    stage.say(f"  open flags: {board['open_flags']['count']}")
    for who, chain in ((inspector, stage.place["id"]), (owner, owner.get("business")["id"])):
        found = who.get(f"evidence/{chain}/verification")
        _expect(found["intact"], f"the chain verifies: {found['first_flaw']}")
        stage.say(
            f"{who.name} verifies the evidence chain: {found['entries']} entries, intact, head {found['head_hash'][:16]}…"
        )


def _expect(holds: bool, what: str) -> None:
    if not holds:
        raise DayFailed(f"expected that {what}")
