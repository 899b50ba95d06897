"""Treatment rooms, their turnovers and flags."""

from rooms.models.rooms import Flag, Room, RoomState, StepReport, StepStrike, Turnover

__all__ = ["Flag", "Room", "RoomState", "StepReport", "StepStrike", "Turnover"]
