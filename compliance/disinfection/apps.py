from django.apps import AppConfig


class DisinfectionConfig(AppConfig):
    name = "compliance.disinfection"
    label = "disinfection"

    def ready(self) -> None:
        from compliance.disinfection import bodies  # noqa: F401
