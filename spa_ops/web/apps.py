from django.apps import AppConfig


class WebConfig(AppConfig):
    name = "spa_ops.web"
    label = "web"
