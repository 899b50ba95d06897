from django.apps import AppConfig


class ServicesConfig(AppConfig):
    name = "services"
    label = "services"

    def ready(self) -> None:
        from clients.registry import Holding, register
        from services import bodies  # noqa: F401
        from services.actions import (
            conditions,
            incidents,
            photographs,
            set_up,
            stock,
            treatments,
            waiting,
        )
        from services.actions.erasure import register_holdings
        from services.queries import due_sources, intake  # noqa: F401

        # What was told goes with the client's key; a link's row holds nothing but ids and times.
        register(Holding(table="services_intake_link", export=intake.links_of_client))
        register(Holding(table="services_intake", export=intake.intakes_of_client))
        register_holdings()
        conditions.register_holdings()
        incidents.register_holdings()
        treatments.register_holdings()
        photographs.register_holdings()
        waiting.register_holdings()
        set_up.register_holdings()
        stock.register_names()
