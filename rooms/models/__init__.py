"""Treatment rooms, their turnovers and flags, the equipment in them and the stock that is used there."""

from rooms.models.check_lists import CheckList, CheckTick
from rooms.models.equipment import Equipment, EquipmentEntry, EquipmentStrike
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
    "CheckList",
    "CheckTick",
    "Closing",
    "ContainerPlace",
    "Equipment",
    "EquipmentEntry",
    "EquipmentStrike",
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
