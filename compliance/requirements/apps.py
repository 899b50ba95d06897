from django.apps import AppConfig


class RequirementsConfig(AppConfig):
    name = "compliance.requirements"
    label = "requirements"
