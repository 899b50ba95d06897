"""Treatment rooms, their turnovers and flags, and the stock that is used in them."""

from rooms.models.rooms import Flag, Room, RoomState, StepReport, StepStrike, Turnover
from rooms.models.stock import (
    Closing,
    ContainerPlace,
    MovementKind,
    OpenContainer,
    StockBalance,
    StockCount,
    StockDelta,
    StockItem,
    StockLot,
    StockMovement,
    StockPart,
    StockUnit,
)

__all__ = [
    "Closing",
    "ContainerPlace",
    "Flag",
    "MovementKind",
    "OpenContainer",
    "Room",
    "RoomState",
    "StepReport",
    "StepStrike",
    "StockBalance",
    "StockCount",
    "StockDelta",
    "StockItem",
    "StockLot",
    "StockMovement",
    "StockPart",
    "StockUnit",
    "Turnover",
]
