from django.apps import AppConfig


class ServicesConfig(AppConfig):
    name = "services"
    label = "services"
