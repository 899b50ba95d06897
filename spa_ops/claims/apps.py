from django.apps import AppConfig


class ClaimsConfig(AppConfig):
    name = "spa_ops.claims"
    label = "claims"
