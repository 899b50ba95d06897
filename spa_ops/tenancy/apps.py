from django.apps import AppConfig


class TenancyConfig(AppConfig):
    name = "spa_ops.tenancy"
    label = "tenancy"

    def ready(self) -> None:
        from django.db.models.signals import post_migrate

        from spa_ops.tenancy import bodies, security  # noqa: F401

        post_migrate.connect(security.protect_tables, sender=self)
