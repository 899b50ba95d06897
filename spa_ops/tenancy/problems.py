"""Problems of sign-in, people and places."""

from spa_ops.kernel.problems import Problem


class WrongSignIn(Problem):
    """Login and password do not belong together, or the person has no role now."""

    slug, status, title = "wrong-sign-in", 401, "Wrong sign-in"


class WrongPin(Problem):
    """That PIN or badge does not belong to this person. After five wrong ones wait 15 minutes."""

    slug, status, title = "wrong-pin", 403, "Wrong PIN or badge"


class LicenceLapsed(Problem):
    """The practitioner holds no licence of this jurisdiction that is valid on that day."""

    slug, status, title = "licence-lapsed", 409, "No valid licence"
    template = "No licence of {jurisdiction} is valid on {on} for this practitioner."
