from django.apps import AppConfig


class ServicesConfig(AppConfig):
    name = "services"
    label = "services"

    def ready(self) -> None:
        from services import bodies  # noqa: F401
