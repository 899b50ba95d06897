from django.apps import AppConfig


class ClientsConfig(AppConfig):
    name = "clients"
    label = "clients"

    def ready(self) -> None:
        from clients import bodies  # noqa: F401
        from clients import queries_patch_tests as tests
        from clients.holdings import register_all
        from clients.registry import Holding, register

        register_all()
        # Erased with the client's key; the rows themselves are append-only, so they stay and are
        # not moved: a merge reads both clients' tests.
        register(Holding(table="clients_patch_test", export=tests.exported_tests))
        register(Holding(table="clients_patch_test_entry", export=tests.exported_entries))
