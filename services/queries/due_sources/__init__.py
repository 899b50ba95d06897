"""The sources of due checks. Importing this package registers every one of them."""

from services.queries.due_sources import (
    baths,
    kit_counts,
    kits,
    licences,
    rooms,
    sterilisers,
    stock,
)

__all__ = ["baths", "kit_counts", "kits", "licences", "rooms", "sterilisers", "stock"]
