"""Rooms: taken, left, turned over, out of use, flagged. The only writers of their states."""

from rooms.actions.flags import sweep_rooms
from rooms.actions.places import (
    add_room,
    bring_back,
    change_room,
    leave,
    occupy,
    redraw_readiness,
    take_out_of_use,
)
from rooms.actions.turnovers import begin_turnover, finish_turnover, record_step, strike_step

__all__ = [
    "add_room",
    "begin_turnover",
    "bring_back",
    "change_room",
    "finish_turnover",
    "leave",
    "occupy",
    "record_step",
    "redraw_readiness",
    "strike_step",
    "sweep_rooms",
    "take_out_of_use",
]
