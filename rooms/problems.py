"""Problems of rooms and their turnover."""

from rooms.rules.turnover import RoomState
from spa_ops.kernel.problems import Problem

_IN_WORDS = {
    RoomState.READY: "is ready, and not yet in service for this visit",
    RoomState.IN_SERVICE: "is in service for another visit",
    RoomState.NEEDS_TURNOVER: "still needs its turnover",
    RoomState.TURNING_OVER: "is still being turned over",
    RoomState.OUT_OF_USE: "is out of use",
}


class RoomNotReady(Problem):
    """The room is not ready, or another visit is in it. `state` says how it stands."""

    slug, status, title = "room-not-ready", 409, "Room not ready"

    @property
    def detail(self) -> str:
        state = self.fields.get("state")
        # A refusal that is told again no longer knows it.
        return f"The room {_IN_WORDS.get(state, state)}." if state else self.title


class StepsOpen(Problem):
    """A room is not called ready while a required step is open; `open_steps` names them in order, and
    `titles` says what each asks for.
    """

    slug, status, title = "steps-open", 409, "Steps still open"

    @property
    def detail(self) -> str:
        return "Still to do: " + "; ".join(self.fields.get("titles", [])) + "."


class PieceMissing(Problem):
    """A room is not called ready while an implement of the visit is missing: search linen and bin for it
    (common practice, no source). `missing` names the tags. A lead may write a piece off.
    """

    slug, status, title = "piece-missing", 409, "Implement missing"

    @property
    def detail(self) -> str:
        return "Search linen and bin for: " + ", ".join(self.fields.get("missing", [])) + "."


class PotNotReady(Problem):
    """No wax pot in the room may be used for this line: `reason` says why, `what_to_do` what is next.

    That a pot is measured before use on each day is house policy; the range is the product label's.
    """

    slug, status, title = "pot-not-ready", 409, "Wax pot not ready"
    template = "The wax pot may not be used ({reason}). {what_to_do}"


class NotToBeUsed(Problem):
    """What is past its date or called back is not opened and not decanted; discard it. `why` says which."""

    slug, status, title = "stock-not-to-be-used", 409, "Not to be used"
    template = "This {thing} is {why}."


class WrongPartOfStock(Problem):
    """Professional stock is never sold and retail stock never used on clients: the two stay apart."""

    slug, status, title = "wrong-part-of-stock", 409, "Wrong part of the stock"
    template = "This item is {part} stock."


class LotDiffers(Problem):
    """The lot number is known here with another expiry date. Read the label again; a number has one date."""

    slug, status, title = "lot-differs", 409, "Lot known with another date"
    template = "Lot {number} is known with the expiry date {expires_on}."
