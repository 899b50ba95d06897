"""Reading the evidence log: entries, and whether the chain still verifies."""

from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from compliance.ledger import queries
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import NotFound
from spa_ops.unit.work import reading, snapshot
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import INSPECTOR, LEADS, ApiView, answer, page_limit

EVIDENCE_READERS = LEADS | {INSPECTOR}
ENTRY = object_schema(
    n="int", kind="str", subject_id="uuid", recorded_at="datetime", occurred_at="datetime",
    person_id="uuid?", facts="object", hash="str",
)  # fmt: skip


def _reached(actor: Actor, chain_id: UUID) -> UUID:
    # A location's chain is read by who reaches the location; the business's own by who reaches all.
    if not actor.covers(chain_id):
        raise NotFound
    if queries.chain_head(chain_id)[0] == 0:
        raise NotFound
    return chain_id


class ListEntries(ApiView):
    """Entries of a location's evidence log (or, with the business's id, of the business's own).

    Facts only: codes, ids, times. Answers `next_after` to go on with.
    """

    access = {"GET": EVIDENCE_READERS}
    tag = "evidence"
    parameters = {
        "kind": ("str", "one kind, such as room.turnover_finished"),
        "subject": ("uuid", "the visit, room, implement or solution that it is about"),
        "from": ("datetime", "occurred at or after"),
        "to": ("datetime", "occurred before"),
        "after": ("int", "entries with a higher number"),
        "limit": ("int", "1 to 500"),
    }
    output = object_schema(items=array_of(ENTRY), next_after="int?")

    def get(self, request: Request, id: UUID) -> HttpResponse:
        kind, limit = self.query("kind"), page_limit(request, 100, 500)
        with reading(self.actor.business_id):
            items = queries.entries(
                _reached(self.actor, id),
                kinds=[kind] if kind else None,
                subject_id=self.query("subject"),
                since=self.query("from"),
                until=self.query("to"),
                after_n=self.query("after") or 0,
                limit=limit,
            )
        return answer(
            {"items": items, "next_after": items[-1]["n"] if len(items) == limit else None}
        )


class VerifyChain(ApiView):
    """Walk every link of the chain. This finds a change, a gap or a swap within the log; that the
    whole log was not rewritten is shown only by a checkpoint kept outside.
    """

    access = {"GET": EVIDENCE_READERS}
    tag = "evidence"
    output = object_schema(
        intact="bool", entries="int", head_hash="str?", late="int", erased="int", first_flaw="str?"
    )

    def get(self, request: Request, id: UUID) -> HttpResponse:
        with snapshot(self.actor.business_id):
            found = queries.verification(self.actor.business_id, _reached(self.actor, id))
        return answer(
            {
                "intact": found.is_whole,
                "entries": found.count,
                "head_hash": found.head_hash.hex() if found.head_hash else None,
                "late": len(found.late),
                "erased": found.erased,
                "first_flaw": found.failure.reason if found.failure else None,
            }
        )
