from django.apps import AppConfig


class LedgerConfig(AppConfig):
    name = "compliance.ledger"
    label = "ledger"

    def ready(self) -> None:
        from compliance.ledger.actions import entries_payload
        from spa_ops.unit.work import FLUSHERS, Evidence

        FLUSHERS[Evidence] = entries_payload
