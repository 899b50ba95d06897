from django.apps import AppConfig


class SyncConfig(AppConfig):
    name = "spa_ops.sync"
    label = "sync"

    def ready(self) -> None:
        from spa_ops.sync.actions import changes_payload
        from spa_ops.unit.work import FLUSHERS, Change

        FLUSHERS[Change] = changes_payload
