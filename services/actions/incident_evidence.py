"""How incidents are sealed and put into the evidence log: that there was one, never what."""

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from compliance.ledger.rules.format import canonical_json
from services.models import Incident
from services.queries.incidents import subject_of
from spa_ops.unit.work import current

#: The fields that hold free words, of which a thing said has one.
_LONG = ("what_happened", "text", "reason")


def canonical(content: Mapping[str, Any]) -> bytes:
    """One text for one content, to be sealed; days and ids as text."""
    return canonical_json(json.loads(json.dumps(dict(content), default=str)))


def incident_evidence(
    kind: str,
    incident: Incident,
    facts: Mapping[str, Any],
    said: Mapping[str, Any] | None = None,
    occurred_at: datetime | None = None,
) -> None:
    """That something was recorded, and by which text; what it says is sealed for whoever was hurt."""
    personal = None
    if said is not None:
        # Apart: a text within JSON within JSON could grow beyond what an entry takes.
        words = next((said[name] for name in _LONG if said.get(name)), None)
        codes = {name: value for name, value in said.items() if name not in _LONG}
        personal = {"record": canonical(codes).decode(), "text": words}
    current().evidence(
        kind,
        location_id=incident.location_id,
        subject_id=incident.id,
        facts={"incident_id": incident.id, **facts},
        personal=personal,
        client_id=None if said is None else subject_of(incident),
        occurred_at=occurred_at,
    )
