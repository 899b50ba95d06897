"""GET one visit of three lines, everything on, against a bare REST framework viewset of the same row.

Ours: token look-up with roles, rate limit, row-level security, reach, ETag, request id, sessions and
CSRF. The peer: REST framework's own token look-up and a ModelViewSet. Both over gunicorn with one sync
worker. Ratio to reach: at most 1.2 times the peer's time.
"""

import json
import os
import subprocess
import sys
from datetime import timedelta

from spa_ops.launch.instance import ROOT
from tests.bench.harness import databases, ratios
from tests.bench.harness.chairs import NOW, Chair, furnish, starts_of
from tests.bench.harness.servers import get, milliseconds_each, serving

VISITS, READS = 60, 240


def booked(chair: Chair) -> list[str]:
    """The ids of visits of three lines on one chair."""
    from services.actions.booking import LineRequest, book_visit
    from spa_ops.kernel.actor import system_actor

    found = []
    for start in starts_of(0, 3 * VISITS)[::3]:
        lines = [
            LineRequest(
                service_id=chair.service_id,
                practitioner_id=chair.practitioner_id,
                room_id=chair.room_id,
                starts_at=first,
            )
            for first in (start, None, None)
        ]
        visit = book_visit(
            actor=system_actor(chair.business_id),
            now=NOW,
            location_id=chair.location_id,
            client_id=chair.client_id,
            lines=lines,
        )
        found.append(str(visit.id))
    return found


def token(chair: Chair) -> str:
    """A token of the front desk, good for a day of the real clock."""
    from spa_ops.kernel import clock
    from spa_ops.kernel.actor import system_actor
    from spa_ops.tenancy import actions as tenancy
    from spa_ops.tenancy.models import Membership
    from spa_ops.unit.work import reading

    with reading(chair.business_id):
        membership = Membership.objects.get(person_id=chair.desk_id)
    issued = tenancy.issue_token(
        actor=system_actor(chair.business_id),
        now=clock.now() - timedelta(seconds=1),
        membership_id=membership.id,
        days=2,
    )
    return f"Bearer {issued.secret}"


def seeded_peer(environment: dict[str, str], bodies: list[dict[str, object]]) -> str:
    """The peer's tables with the same visits; its authorization."""
    made = subprocess.run(
        [sys.executable, "-m", "tests.bench.peers.read_site.seed"],
        cwd=ROOT,
        env={**os.environ, **environment},
        input=json.dumps(bodies),
        text=True,
        stdout=subprocess.PIPE,
        check=True,
    )
    return f"Token {made.stdout.split()[-1]}"


def main() -> None:
    with (
        databases.server() as server,
        databases.program(server),
        databases.new_database(server) as theirs,
    ):
        (chair,) = furnish(1, 1)
        ids, bearer = booked(chair), token(chair)
        # The limit is for people; a benchmark reads faster than they do.
        unlimited = {"SPA_OPS_REQUESTS_PER_MINUTE": "10000000"}
        peer_environment = {"PEER_DATABASE_URL": theirs.owner_url}
        with serving("spa_ops.wsgi:application", unlimited) as our_port:
            ours = [f"/api/v1/visits/{visit}" for visit in ids]
            bodies = [json.loads(get(our_port, path, bearer)) for path in ours]
            peer_token = seeded_peer(peer_environment, bodies)
            with serving("tests.bench.peers.read_site.wsgi:application", peer_environment) as port:
                peers = [f"/visits/{visit}/" for visit in ids]
                same(bodies[0], json.loads(get(port, peers[0], peer_token)))
                again = READS // VISITS
                case = ratios.compare(
                    bench="read",
                    case="one-visit",
                    ours=lambda _: milliseconds_each(our_port, ours * again, bearer),
                    peer=lambda _: milliseconds_each(port, peers * again, peer_token),
                    unit="ms",
                    note="lower is better, reach 1.2; three lines; gunicorn, one sync worker; "
                    f"rate limit counted {'in Redis' if os.environ.get('REDIS_URL') else 'in the process'}",
                )
    ratios.show([case])


def same(our_body: dict[str, object], peer_body: dict[str, object]) -> None:
    """Both sides show as many fields and related rows, or the comparison is none."""
    assert set(our_body) == set(peer_body), set(our_body) ^ set(peer_body)
    (first, *_), (other, *_) = our_body["lines"], peer_body["lines"]
    assert set(first) == set(other), set(first) ^ set(other)
    assert len(our_body["lines"]) == len(peer_body["lines"]) == 3


if __name__ == "__main__":
    main()
