"""Kits and implements, disinfectant products by their label, soak solutions, and what happened to each."""

from compliance.disinfection.models.implements import (
    EventStrike,
    Implement,
    ImplementEvent,
    Kit,
    KitUse,
    Product,
    Solution,
)

__all__ = ["EventStrike", "Implement", "ImplementEvent", "Kit", "KitUse", "Product", "Solution"]
