"""The compliance dashboard and the entries behind each figure."""

from datetime import date
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from compliance.ledger import queries as ledger
from compliance.ledger.api.views import ENTRY
from compliance.reports import queries
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.problems import InvalidInput
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.work import snapshot
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import INSPECTOR, LEADS, ApiView, answer, page_limit

MOST_DAYS = 400
_LICENCE = object_schema(entry="int", subject_id="uuid", valid_through="date", lapsed="bool")
_FIGURE = object_schema(
    name="str", says="str", basis="str", applies="bool", of="int", met="int", basis_points="int?",
    why=array_of(object_schema(flaw="str", count="int")), not_met_entries="[int]", entries="str",
)  # fmt: skip


class _Days(ApiView):
    """From and to as local days, both included."""

    parameters = {"from": ("date", "first local day"), "to": ("date", "last local day, included")}

    def days(self) -> tuple[date | None, date | None]:
        first, last = self.query("from"), self.query("to")
        if first and last and not 0 <= (last - first).days <= MOST_DAYS:
            raise InvalidInput(
                {
                    "pointer": "?to",
                    "code": "invalid",
                    "message": f"must be 0 to {MOST_DAYS} days after from",
                }
            )
        if first and not last:
            raise InvalidInput(
                {"pointer": "?to", "code": "required", "message": "is needed with from"}
            )
        if last and not 2000 <= last.year < 2200:
            raise InvalidInput(
                {"pointer": "?to", "code": "invalid", "message": "must be a day of this age"}
            )
        return first, last


class ReadDashboard(_Days):
    """For each location in reach and a period: visits screened before start, implements cleared before
    use, solutions inside their window, turnovers on time and not too fast, opening and closing lists,
    hand-overs, equipment, sterilisers, open flags, licences about to lapse.

    Judged on evidence entries alone; each figure leads to the entries behind it, and `why` says what was
    wrong how often. A figure with nothing judged has no score: no record is not a full score. `applies`
    is false where the location had nothing of that sort in the period, such as no steriliser.
    """

    access = {"GET": LEADS}
    tag = "dashboard"
    output = object_schema(
        caution="str",
        locations=array_of(
            object_schema(
                **{"from": "date"}, location_id="uuid", name="str", to="date", figures=array_of(_FIGURE),
                open_flags=object_schema(count="int", entries="[int]"),
                establishment_licence=array_of(_LICENCE), evidence="str",
            )
        ),
        licences=array_of(
            object_schema(
                entry="int", subject_id="uuid", valid_through="date", lapsed="bool", person_id="uuid"
            )
        ),
    )  # fmt: skip

    def get(self, request: Request) -> HttpResponse:
        first, last = self.days()
        with snapshot(self.actor.business_id):
            return answer(queries.dashboard(self.actor, first, last, self.now))


class ListFigureEntries(_Days):
    """The evidence entries behind one figure of a location; `met=false` for those that are not as they
    must be.
    """

    access = {"GET": LEADS | {INSPECTOR}}
    tag = "dashboard"
    parameters = {
        **_Days.parameters,
        "met": ("bool", "only those that are, or are not, as they must be"),
        "after": ("int", "entries with a higher number"),
        "limit": ("int", "1 to 500"),
    }
    output = object_schema(says="str", basis="str", items=array_of(ENTRY), next_after="int?")

    def get(self, request: Request, id: UUID, figure: str) -> HttpResponse:
        first, last = self.days()
        limit, after, met = (
            page_limit(request, 100, 500),
            self.query("after") or 0,
            self.query("met"),
        )
        with snapshot(self.actor.business_id):
            place = tenancy.location(id, self.actor)
            last = last or local_date(self.now, place.zone)
            found = queries.figure(place, figure, first or last, last, self.now)
            numbers = {True: found.met, False: found.not_met, None: found.met + found.not_met}[met]
            items = ledger.entries(id, numbers=sorted(numbers), after_n=after, limit=limit)
        following = items[-1]["n"] if len(items) == limit else None
        return answer(
            {"says": found.says, "basis": found.basis, "items": items, "next_after": following}
        )
