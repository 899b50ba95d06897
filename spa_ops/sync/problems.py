"""Problems of the feeds."""

from spa_ops.kernel.problems import Problem


class CursorMalformed(Problem):
    """This is not a cursor that this server gave out."""

    slug, status, title = "cursor-malformed", 400, "Malformed cursor"


class CursorGone(Problem):
    """The cursor leads nowhere any more: fetch everything anew, then pull from the new cursor.

    `reason` is `expired` (older than what is kept), `epoch-changed` (the server was restored),
    `ahead` (it was restored to a time before this cursor), `history-changed`, or `role-changed`.
    """

    slug, status, title = "cursor-gone", 410, "Cursor gone"
    template = "Start over: {reason}."


class SchemaUnsupported(Problem):
    """The program on this device is too old (or too new) to read this feed; update it."""

    slug, status, title = "schema-unsupported", 400, "Schema unsupported"
    template = "This server speaks schema {supported}."
