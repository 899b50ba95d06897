"""Kits and implements, disinfectant products by their label, soak solutions, and what happened to each."""

from compliance.disinfection.models.implements import (
    EventStrike,
    Implement,
    ImplementEvent,
    Kit,
    KitCount,
    KitUse,
    MissingPiece,
)
from compliance.disinfection.models.solutions import (
    Container,
    Product,
    SiteCheck,
    Solution,
    StripReading,
    TopUp,
)
from compliance.disinfection.models.sterilising import (
    LoadItem,
    LoadState,
    SporeTest,
    SporeTestCorrection,
    Steriliser,
    SteriliserLoad,
    SteriliserRepair,
)

__all__ = [
    "Container",
    "EventStrike",
    "Implement",
    "ImplementEvent",
    "Kit",
    "KitCount",
    "KitUse",
    "LoadItem",
    "LoadState",
    "MissingPiece",
    "Product",
    "SiteCheck",
    "Solution",
    "SporeTest",
    "SporeTestCorrection",
    "Steriliser",
    "SteriliserLoad",
    "SteriliserRepair",
    "StripReading",
    "TopUp",
]
