from django.apps import AppConfig


class RoomsConfig(AppConfig):
    name = "rooms"
    label = "rooms"

    def ready(self) -> None:
        from rooms import bodies  # noqa: F401
