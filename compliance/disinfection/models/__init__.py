"""Kits and implements, disinfectant products by their label, soak solutions, and what happened to each."""

from compliance.disinfection.models.implements import (
    EventStrike,
    Implement,
    ImplementEvent,
    Kit,
    KitUse,
)
from compliance.disinfection.models.solutions import (
    Container,
    Product,
    SiteCheck,
    Solution,
    StripReading,
    TopUp,
)

__all__ = [
    "Container",
    "EventStrike",
    "Implement",
    "ImplementEvent",
    "Kit",
    "KitUse",
    "Product",
    "SiteCheck",
    "Solution",
    "StripReading",
    "TopUp",
]
