"""manage.py import_services FILE.csv"""

from services.imports.service_intake import ServiceIntake
from services.management.import_command import ImportCommand


class Command(ImportCommand):
    help = "Import a price list from a spreadsheet (CSV), in the currency of the location."
    intake = ServiceIntake
