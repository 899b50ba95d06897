from django.apps import AppConfig


class ClientsConfig(AppConfig):
    name = "clients"
    label = "clients"

    def ready(self) -> None:
        from clients import bodies  # noqa: F401
