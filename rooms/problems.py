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
