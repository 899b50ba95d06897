"""The sources of due checks. Importing this package registers every one of them."""

from services.queries.due_sources import baths, kits, licences, rooms, sterilisers, stock

__all__ = ["baths", "kits", "licences", "rooms", "sterilisers", "stock"]
