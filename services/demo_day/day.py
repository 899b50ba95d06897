"""The clock of the demonstration day, and the handful of steps that each client's visit is made of."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from services.demo_day.callers import Caller

GLOVED = {
    "hands_cleaned": True,
    "fresh_gloves": True,
    "skin_prepared": True,
    "wax_tried_on_wrist": True,
}
WASHED = {"gloves_off": True, "hands_washed": True}


@dataclass(slots=True)
class Clock:
    """Moves the program's clock ahead, for every process that follows the same file."""

    file: Path
    zone: str
    ahead: timedelta = timedelta()

    @property
    def now(self) -> datetime:
        return datetime.now(UTC) + self.ahead

    @property
    def shown(self) -> str:
        return self.now.astimezone(ZoneInfo(self.zone)).strftime("%H:%M")

    def pass_time(self, **amount: float) -> None:
        """Let time go by."""
        self.ahead += timedelta(**amount)
        self.file.write_text(str(self.ahead.total_seconds()), encoding="ascii")

    def move_to_hour(self, hour: int) -> None:
        """Go to the next time that local clocks show this full hour."""
        local = self.now.astimezone(ZoneInfo(self.zone))
        then = local.replace(hour=hour, minute=0, second=0, microsecond=0)
        self.move_to(then if then > local else then + timedelta(days=1))

    def move_to(self, instant: datetime) -> None:
        """Go to an instant that lies ahead."""
        self.pass_time(seconds=max(0.0, (instant - self.now).total_seconds()))


@dataclass(slots=True, kw_only=True)
class Stage:
    """Everything the day is played with: people, place, price list, and where to say what happens."""

    clock: Clock
    say: Callable[[str], None]
    place: dict[str, Any]
    desk: Caller
    lead: Caller
    practitioner: Caller
    practitioner_id: str
    rooms: list[dict[str, Any]] = field(default_factory=list)
    kits: list[dict[str, Any]] = field(default_factory=list)
    service: dict[str, Any] = field(default_factory=dict)
    product: dict[str, Any] = field(default_factory=dict)
    questions: list[dict[str, Any]] = field(default_factory=list)

    def tell(self, text: str) -> None:
        self.say(f"{self.clock.shown}  {text}")


def turn_over(stage: Stage, room: dict[str, Any]) -> None:
    """Bring a room back to ready, every step in its time."""
    path = f"rooms/{room['id']}"
    stage.practitioner.post(f"{path}/turnover/begin", {"product_id": stage.product["id"]})
    plan = stage.practitioner.get(f"{path}/turnover")
    for step in plan["steps"]:
        if not step["required"]:
            continue
        said: dict[str, Any] = {"code": step["code"]}
        if step["wet"]:
            said["wet_from"] = stage.clock.now.isoformat()
            stage.clock.pass_time(seconds=plan["wet_seconds"] + 1)
        else:
            stage.clock.pass_time(seconds=20)
        stage.practitioner.post(f"{path}/turnover/steps", said)
    stage.practitioner.post(f"{path}/turnover/finish")
    stage.tell(
        f"{room['name']} is ready: every step in order, wet for {plan['wet_seconds'] // 60} min."
    )


def mix(stage: Stage, container: str, water_ml: int = 960) -> dict[str, Any]:
    """A fresh bath at the label's ratio."""
    amounts = stage.lead.get(
        f"disinfectants/{stage.product['id']}/amounts?amount={water_ml}&unit=mL"
    )
    return stage.lead.post(
        f"locations/{stage.place['id']}/solutions",
        {
            "product_id": stage.product["id"],
            "container": container,
            "concentrate": {"amount": amounts["concentrate_ml"], "unit": "mL"},
            "water": {"amount": amounts["water_ml"], "unit": "mL"},
        },
    )


def reprocess(
    stage: Stage, kit: dict[str, Any], bath: dict[str, Any], *, minutes: float
) -> dict[str, Any]:
    """A kit's way back through a soak of `minutes`; gives the clearance of its first implement at the lift."""
    path = f"kits/{kit['id']}/reprocessing"
    for kind in ("washed", "rinsed", "dried"):
        stage.practitioner.post(path, {"kind": kind})
        stage.clock.pass_time(seconds=20)
    stage.practitioner.post(path, {"kind": "immersed", "agent_id": bath["id"], "fully_open": True})
    stage.clock.pass_time(minutes=minutes)
    stage.practitioner.post(path, {"kind": "lifted"})
    at_lift = stage.practitioner.get(f"kits/{kit['id']}/clearance")["items"][0]
    for kind in ("rinsed", "dried"):
        stage.clock.pass_time(seconds=20)
        stage.practitioner.post(path, {"kind": kind})
    stage.practitioner.post(path, {"kind": "stored", "covered": True})
    return dict(at_lift)


def walk_in(
    stage: Stage, client: dict[str, Any], room: dict[str, Any], kit: dict[str, Any]
) -> dict[str, Any]:
    """Someone stands at the desk: booked and here in one."""
    visit: dict[str, Any] = stage.desk.post(
        f"locations/{stage.place['id']}/walk-ins",
        {
            "client_id": client["id"],
            "lines": [
                {
                    "service_id": stage.service["id"],
                    "practitioner_id": stage.practitioner_id,
                    "room_id": room["id"],
                    "kit_id": kit["id"],
                }
            ],
        },
    )
    return visit


def consult(stage: Stage, visit: dict[str, Any], **said: Any) -> dict[str, Any]:
    """The consultation: every question answered no but for `yes`, the hair long enough.

    Before it the client is asked whether the answers may be kept: imported, they agreed to nothing.
    """
    agreed = {"purpose": "health_answers", "given": True}
    stage.desk.post(f"clients/{visit['client_id']}/consents", agreed)
    yes = said.pop("yes", ())
    held: dict[str, Any] = stage.practitioner.post(
        f"visits/{visit['id']}/consultation",
        {
            "answers": [
                {"question": q["id"], "answer": "yes" if q["id"] in yes else "no"}
                for q in stage.questions
            ],
            "findings": [
                {"code": "hair_length", "areas": [stage.service["area"]], "millimetres": "8"}
            ],
            **said,
        },
    )
    return dict(held["lines"][0])


def work(stage: Stage, visit: dict[str, Any]) -> None:
    """Start, work, finish, with the record of what was done."""
    line = visit["lines"][0]
    stage.practitioner.post(f"lines/{line['id']}/start", GLOVED)
    stage.clock.pass_time(minutes=stage.service["hands_on_minutes"])
    stage.practitioner.post(
        f"lines/{line['id']}/finish",
        {
            "record": {
                "method": stage.service["method"],
                "areas": [stage.service["area"]],
                "sections": 4,
                "applicators": 4,
                "products": ["wax, invented lot 12"],
                "reaction": "slight redness",
                "aftercare": "no sun and no hot bath for 24 h",
                "client_content": True,
            },
            **WASHED,
        },
    )
