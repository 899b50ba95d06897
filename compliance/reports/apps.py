from django.apps import AppConfig


class ReportsConfig(AppConfig):
    name = "compliance.reports"
    label = "reports"
