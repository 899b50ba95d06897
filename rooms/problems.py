"""Problems of rooms and their turnover."""

from spa_ops.kernel.problems import Problem


class RoomNotReady(Problem):
    """The room is not ready, or another visit is in it. `state` says how it stands."""

    slug, status, title = "room-not-ready", 409, "Room not ready"
    template = "The room is {state}."


class StepsOpen(Problem):
    """A room is not called ready while a required step is open; `open_steps` names them in order."""

    slug, status, title = "steps-open", 409, "Steps still open"

    @property
    def detail(self) -> str:
        return "Still to do: " + ", ".join(self.fields.get("open_steps", [])) + "."


class PotNotReady(Problem):
    """No wax pot in the room may be used for this line: `reason` says why, `what_to_do` what is next.

    That a pot is measured before use on each day is house policy; the range is the product label's.
    """

    slug, status, title = "pot-not-ready", 409, "Wax pot not ready"
    template = "The wax pot may not be used ({reason}). {what_to_do}"
