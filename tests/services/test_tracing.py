"""Tracing against a walk over every row of generated days, which knows nothing of the program's SQL."""

from collections import defaultdict
from datetime import timedelta
from random import Random
from uuid import UUID

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clients.models import HealthRead
from compliance.disinfection.models import EventStrike, Implement, ImplementEvent, KitUse, Solution
from rooms.models import OpenContainer, StockItem, StockLot
from services.models import Line, LineUse, Service, SkinProduct, Visit
from spa_ops.kernel.ids import uuid7
from spa_ops.unit.work import reading
from tests.callers import Caller, secret_of
from tests.services.day import GLOVED, RECORD, WASHED, consult, in_room
from tests.world import BUSINESS, HARBOR, LAKE, uid

KITS = [uid("brow kit 1"), uid("brow kit 2")]
ROOMS = [uid(f"room {n}") for n in (1, 2, 3)]
PEOPLE = [uid(name) for name in ("petra", "lena", "pavel")]
CLIENTS = [uid(name) for name in ("cora", "celia", "hugo")]


def generated(seed, now):
    """Thirty days of visits, openings, baths and wipes, with instants that coincide, and strikes."""
    dice = Random(seed)
    products = [
        SkinProduct(business_id=BUSINESS, name=f"wax {n}", supplier="Invented Alba", formula_version="A")
        for n in range(2)
    ]  # fmt: skip
    SkinProduct.objects.bulk_create(products)
    service = Service.objects.get(id=uid("brow wax"))
    services = []
    for product in [None, *products]:
        service.id, service.name = uuid7(), f"generated {product}"
        service.skin_product_ids = [product.id] if product else []
        service.save(force_insert=True)
        services.append(service.id)
    baths = [
        Solution(
            business_id=BUSINESS, location_id=LAKE, product_id=uid("quat"), container=f"jar {n}",
            mixed_at=now - timedelta(days=dice.randrange(20)), concentrate_ml=60, water_ml=960,
            pour="ok", discard_at=now + timedelta(days=14),
        )
        for n in range(4)
    ]  # fmt: skip
    Solution.objects.bulk_create(baths)
    stock = _stock(dice, now)
    tools = defaultdict(list)
    for tool in Implement.objects.order_by("tag"):
        tools[tool.kit_id].append(tool.id)
    for n in range(36):
        _visit(dice, now, n, services, tools, stock)
    for tool in [t for ids in tools.values() for t in ids]:
        for _ in range(14):
            kind = dice.choice(["immersed", "immersed", "wiped", "lifted"])
            agent = {"immersed": dice.choice(baths).id, "wiped": uid("quat")}.get(kind)
            _event(tool, kind, now + _hours(dice), agent_id=agent)
    standing = list(
        ImplementEvent.objects.filter(implement__in=[t for ids in tools.values() for t in ids])
    )
    for event in dice.sample(standing, len(standing) // 8):
        EventStrike(
            business_id=BUSINESS, event=event, struck_at=now, reason="a mis-tap"
        ).save(force_insert=True)  # fmt: skip
    return baths


def _hours(dice):
    # Whole hours of a few days: many fall on one instant.
    return timedelta(hours=dice.randrange(-240, 240, 4))


def _event(tool, kind, at, **more):
    ImplementEvent(
        business_id=BUSINESS, location_id=LAKE, implement_id=tool, kind=kind, at=at, recorded_at=at, **more
    ).save(force_insert=True)  # fmt: skip


def _stock(dice, now):
    """(lot, container) pairs, of which some are a lot alone."""
    item = StockItem.objects.create(
        business_id=BUSINESS, name="Invented gel", part="professional", unit="mL", uses_each=3,
        pack_size=250, lead_days=7, version=1,
    )  # fmt: skip
    found = []
    for n in range(3):
        lot = StockLot.objects.create(
            business_id=BUSINESS, location_id=LAKE, item=item, number=f"G{n}", version=1,
            received_at=now - timedelta(days=20),
        )  # fmt: skip
        found.append((lot.id, None))
        for _ in range(dice.randrange(3)):
            jar = OpenContainer.objects.create(
                business_id=BUSINESS, location_id=LAKE, item=item, lot=lot, holds=250, version=1,
                opened_at=now - timedelta(days=12),
            )  # fmt: skip
            found.append((lot.id, jar.id))
    return item, found


def _visit(dice, now, n, services, tools, stock):
    at = now + _hours(dice)
    state = dice.choice(["left", "left", "in_room", "booked"])
    visit = Visit(
        business_id=BUSINESS, location_id=dice.choice([LAKE, LAKE, LAKE, HARBOR]),
        client_id=dice.choice(CLIENTS), state=state, starts_at=at, booked_at=at, version=1,
    )  # fmt: skip
    visit.save(force_insert=True)
    begun = state != "booked" and dice.random() < 0.8
    line = Line(
        business_id=BUSINESS, visit=visit, position=0, service_id=dice.choice(services), area="brow",
        method="hard_wax", practitioner_id=dice.choice(PEOPLE), room_id=dice.choice(ROOMS),
        set_up_by=PEOPLE[0], turnover_by=PEOPLE[0], set_up_at=at, starts_at=at, hands_on_at=at,
        aftercare_at=at + timedelta(minutes=15), ends_at=at + timedelta(minutes=15),
        turnover_ends_at=at + timedelta(minutes=30), state="finished" if begun else "planned",
        price_minor=1, currency="USD", started_at=at if begun else None,
        finished_at=at if begun else None,
    )  # fmt: skip
    line.save(force_insert=True)
    item, lots = stock
    for lot_id, container_id in dice.sample(lots, dice.randrange(3)) if begun else ():
        LineUse(
            business_id=BUSINESS, line=line, item=item, lot_id=lot_id, container_id=container_id,
            quantity=dice.randrange(3), stated=False, stands=dice.random() < 0.8,
        ).save(force_insert=True)  # fmt: skip
    # A kit may be opened for somebody who then does not come: it was used, and nobody shared it.
    if dice.random() < 0.8:
        kit = dice.choice(list(tools))
        KitUse(
            business_id=BUSINESS, kit_id=kit, visit_id=visit.id, opened_at=at, cleared=True
        ).save(force_insert=True)  # fmt: skip
        for tool in tools[kit]:
            _event(tool, "used", at, visit_id=visit.id)


class Walk:
    """Everything, read whole, and walked implement by implement in the order of time."""

    def __init__(self):
        struck = set(EventStrike.objects.values_list("event_id", flat=True))
        self.visits = {v.id: v for v in Visit.objects.all()}
        self.kits = defaultdict(set)
        for use in KitUse.objects.all():
            self.kits[use.visit_id].add(use.kit_id)
        self.lines = defaultdict(list)
        for line in Line.objects.select_related("service"):
            if line.started_at is not None:
                self.lines[line.visit_id].append(line)
        self.used = defaultdict(set)
        for use in LineUse.objects.select_related("line"):
            if use.stands:
                named = {("lot", use.lot_id), ("container", use.container_id)}
                self.used[use.line.visit_id] |= {one for one in named if one[1]}
        by_tool = defaultdict(list)
        self.kit_of = dict(Implement.objects.values_list("id", "kit_id"))
        for event in ImplementEvent.objects.filter(implement__isnull=False):
            if event.id not in struck:
                by_tool[event.implement_id].append(event)
        #: (visit, bath, side), and visit -> what each use met.
        self.lain: set[tuple[UUID, UUID, str]] = set()
        self.met = defaultdict(set)
        self.immersions = []
        for tool, events in by_tool.items():
            self._walk(tool, sorted(events, key=lambda e: (e.at, e.recorded_at, e.id)))

    def _walk(self, tool, events):
        used, waiting = None, []
        for event in events:
            if event.kind == "immersed":
                self.immersions.append((tool, event))
            if event.kind in {"immersed", "wiped"}:
                waiting.append(event)
                if used is not None:
                    self._meet(used.visit_id, tool, event, "after")
            if event.kind == "used":
                for earlier in waiting:
                    self._meet(event.visit_id, tool, earlier, "before")
                used, waiting = event, []

    def _meet(self, visit_id, tool, event, side):
        self.met[visit_id].add((tool, side, event.kind, event.agent_id, event.at))
        if event.kind == "immersed":
            self.lain.add((visit_id, event.agent_id, side))

    def shared(self, things, start, end, *, place, not_of=None):
        """visit -> {(what, id, side)} for all that share one of `things` {(what, id)}."""
        found = {}
        for visit in self.visits.values():
            via = {("kit", k, None) for k in self.kits[visit.id]}
            via |= {("bath", b, side) for v, b, side in self.lain if v == visit.id}
            via |= {(what, i, None) for what, i in self.used[visit.id]}
            for line in self.lines[visit.id]:
                via |= {("room", line.room_id, None), ("practitioner", line.practitioner_id, None)}
                via |= {("product", p, None) for p in line.service.skin_product_ids}
            via = {one for one in via if one[:2] in things}
            here = place is None or visit.location_id == place
            came = visit.state in {"in_room", "left"}
            if (
                via
                and here
                and came
                and start <= visit.starts_at < end
                and visit.client_id != not_of
            ):
                found[visit.id] = via
        return found

    def touched(self, visit_id):
        """What a visit came in touch with, as {(what, id)}."""
        things = {("kit", k) for k in self.kits[visit_id]}
        things |= {("bath", b) for v, b, _ in self.lain if v == visit_id}
        things |= self.used[visit_id]
        for line in self.lines[visit_id]:
            things |= {("room", line.room_id), ("practitioner", line.practitioner_id)}
            things |= {("product", p) for p in line.service.skin_product_ids}
        return things


def every_page(caller, path, limit=3):
    """The first page, and visit -> via over all pages; no visit comes twice, all in order."""
    first, found, order, cursor = None, {}, [], ""
    while True:
        page = caller.get(f"{path}&limit={limit}&cursor={cursor}")
        assert page.status_code == 200, page.body
        first = first or page.body
        assert len(page.body["visits"]) <= limit
        for visit in page.body["visits"]:
            assert visit["visit_id"] not in found
            order.append((visit["starts_at"], visit["visit_id"]))
            found[visit["visit_id"]] = {(v["what"], v["id"], v["side"]) for v in visit["via"]}
        if page.body["next"] is None:
            assert order == sorted(order)
            return first, found
        cursor = page.body["next"]


def as_text(shared):
    return {str(v): {(w, str(i), s) for w, i, s in via} for v, via in shared.items()}


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("who", "place"), [("olga", None), ("lena", LAKE)])
def test_traces_of_generated_days_are_what_a_walk_over_all_rows_finds(db, now, seed, who, place):
    caller = Caller(secret_of(who))
    with reading(BUSINESS):
        baths = generated(seed, now)
        walk = Walk()
    shared_at_all = 0
    within = [v for v in walk.visits.values() if place in {None, v.location_id}]
    for n, visit in enumerate(sorted(within, key=lambda v: v.starts_at)):
        days = 1 + n % 9
        first, found = every_page(caller, f"visits/{visit.id}/trace?days={days}")
        span = timedelta(days=days)
        expected = walk.shared(
            walk.touched(visit.id), visit.starts_at - span, visit.starts_at + span,
            place=place, not_of=visit.client_id,
        )  # fmt: skip
        assert found == as_text(expected)
        met = {
            (way["implement_id"], side, m["kind"], m["agent_id"], m["at"][:19])
            for way in first["implements"] for side in ("before", "after") for m in way[side]
        }  # fmt: skip
        assert met == {
            (str(t), s, k, str(a), at.isoformat()[:19]) for t, s, k, a, at in walk.met[visit.id]
        }
        assert {k["kit_id"] for k in first["kits"]} == {str(k) for k in walk.kits[visit.id]}
        lots = {(w, one[f"{w}_id"]) for one in first["lots"] for w in ("lot", "container")}
        assert {one for one in lots if one[1]} == {(w, str(i)) for w, i in walk.used[visit.id]}
        shared_at_all += len(found)
    assert shared_at_all > 10
    for kit in KITS:
        start, end = now - timedelta(days=6), now + timedelta(days=5)
        span = f"from={start:%Y-%m-%dT%H:%M:%SZ}&to={end:%Y-%m-%dT%H:%M:%SZ}"
        _, found = every_page(caller, f"kits/{kit}/trace?{span}")
        things = {("kit", kit)} | {
            ("bath", e.agent_id) for t, e in walk.immersions
            if walk.kit_of[t] == kit and start <= e.at < end
        }  # fmt: skip
        assert found == as_text(walk.shared(things, start, end, place=place))
    start, end = now - timedelta(days=6), now + timedelta(days=5)
    span = f"from={start:%Y-%m-%dT%H:%M:%SZ}&to={end:%Y-%m-%dT%H:%M:%SZ}"
    stock = {one for used in walk.used.values() for one in used}
    assert {what for what, _ in stock} == {"lot", "container"}
    for what, thing in stock:
        address = {"lot": "stock-lots", "container": "open-containers"}[what]
        _, found = every_page(caller, f"{address}/{thing}/trace?{span}")
        assert found == as_text(walk.shared({(what, thing)}, start, end, place=place))
    for bath in baths:
        first, found = every_page(caller, f"solutions/{bath.id}/trace?days=5")
        start, end = bath.mixed_at - timedelta(days=5), bath.discard_at + timedelta(days=5)
        assert found == as_text(walk.shared({("bath", bath.id)}, start, end, place=place))
        lain = {str(t) for t, e in walk.immersions if e.agent_id == bath.id}
        assert {i["implement_id"] for i in first["implements"]} == lain


def test_a_trace_takes_as_many_statements_for_many_visits_as_for_one(db, now):
    caller = Caller(secret_of("olga"))
    with reading(BUSINESS):
        generated(1, now)
        walk = Walk()
        visit_id = max(walk.visits, key=lambda v: (bool(walk.lines[v]), len(walk.met[v])))
    counts = []
    for limit in (1, 200):
        with CaptureQueriesContext(connection) as captured:
            page = caller.get(f"visits/{visit_id}/trace?days=90&limit={limit}").body
        counts.append(len(captured))
    assert len(page["visits"]) > 1
    assert counts[0] == counts[1]


def test_a_real_day_is_traced_and_every_client_shown_is_a_recorded_read(call, now):
    visit = in_room(call, now)
    line_id = visit["lines"][0]["id"]
    consult(call, visit)
    assert call("petra").post(f"lines/{line_id}/start", GLOVED).status_code == 200
    done = call("petra").post(f"lines/{line_id}/finish", {"record": RECORD, **WASHED})
    assert done.status_code == 200, done.body
    found = call("lena").get(f"visits/{visit['id']}/trace").body
    assert [p["name"] for p in found["practitioners"]] == ["Petra"]
    assert [r["name"] for r in found["rooms"]] == ["room 1"]
    assert found["products_recorded"] == ["hard wax, lot 7"]
    assert [(k["name"], k["cleared"]) for k in found["kits"]] == [("brow kit 1", True)]
    assert [b["container"] for b in found["baths"]] == ["jar for brow kit 1"]
    assert {w["tag"] for w in found["implements"]} == {"brow kit 1 scissors", "brow kit 1 tweezers"}
    assert all(len(w["before"]) == 1 and not w["after"] for w in found["implements"])
    assert (found["visits"], found["next"]) == ([], None)
    shown = call("lena").get(f"kits/{uid('brow kit 1')}/trace").body["visits"]
    assert [v["visit_id"] for v in shown] == []  # due in half an hour, after `to`
    later = (now + timedelta(hours=1)).isoformat().replace("+00:00", "Z")
    shown = call("lena").get(f"kits/{uid('brow kit 1')}/trace?to={later}").body["visits"]
    assert [v["visit_id"] for v in shown] == [visit["id"]]
    with reading(BUSINESS):
        read = HealthRead.objects.filter(visit_id=visit["id"], person_id=uid("lena"))
        assert list(read.values_list("client_id", "location_id")) == [(uid("cora"), LAKE)] * 2


@pytest.mark.parametrize("who", ["petra", "freya", "inga"])
def test_only_leads_trace(call, now, who):
    assert call(who).get(f"kits/{uid('brow kit 1')}/trace").status_code == 403


def test_what_is_elsewhere_is_not_traced(call):
    for who in ("henk", "stranger"):
        assert call(who).get(f"kits/{uid('brow kit 1')}/trace").status_code == 404


@pytest.mark.parametrize(
    ("query", "pointer"),
    [("from=2026-01-01T00:00:00Z&to=2026-05-01T00:00:00Z", "?from"),
     ("from=2026-05-02T00:00:00Z&to=2026-05-01T00:00:00Z", "?from"),
     ("to=0001-01-02T00:00:00Z", "?from"), ("from=yesterday", "?from"), ("limit=0", "?limit")],
)  # fmt: skip
def test_a_bad_span_is_named(call, query, pointer):
    refused = call("lena").get(f"kits/{uid('brow kit 1')}/trace?{query}")
    assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, pointer)


@pytest.mark.parametrize("days", ["0", "91", "-1", "many"])
def test_bad_days_are_named(call, now, days):
    visit = in_room(call, now)
    refused = call("lena").get(f"visits/{visit['id']}/trace?days={days}")
    assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, "?days")
