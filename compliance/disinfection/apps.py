from django.apps import AppConfig


class DisinfectionConfig(AppConfig):
    name = "compliance.disinfection"
    label = "disinfection"
