from django.apps import AppConfig


class UnitConfig(AppConfig):
    name = "spa_ops.unit"
    label = "unit"
