"""Rooms: taken, left, turned over, out of use, flagged; and stock. The only writers of both."""

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
from rooms.actions.stock import (
    correct_stock,
    discard_stock,
    receive_stock,
    use_stock,
)
from rooms.actions.stock_containers import (
    close_container,
    decant,
    move_container,
    open_container,
)
from rooms.actions.stock_counts import count_stock
from rooms.actions.stock_items import (
    add_stock_item,
    change_stock_item,
    reinstate_lot,
    withdraw_lot,
)
from rooms.actions.stock_moves import book_line_uses, movement_of_line, sum_up_stock
from rooms.actions.stock_sales import sell_retail, sell_stock, take_back_retail
from rooms.actions.turnovers import begin_turnover, finish_turnover, record_step, strike_step

__all__ = [
    "add_room",
    "add_stock_item",
    "begin_turnover",
    "book_line_uses",
    "bring_back",
    "change_room",
    "change_stock_item",
    "close_container",
    "correct_stock",
    "count_stock",
    "decant",
    "discard_stock",
    "finish_turnover",
    "leave",
    "move_container",
    "movement_of_line",
    "occupy",
    "open_container",
    "receive_stock",
    "record_step",
    "redraw_readiness",
    "reinstate_lot",
    "sell_retail",
    "sell_stock",
    "strike_step",
    "sum_up_stock",
    "sweep_rooms",
    "take_back_retail",
    "take_out_of_use",
    "use_stock",
    "withdraw_lot",
]
