"""Problems of products, solutions, kits and implements."""

from spa_ops.kernel.problems import Problem


class KitEmpty(Problem):
    """A kit without implements cannot be opened for a client."""

    slug, status, title = "kit-empty", 409, "Kit without implements"


class NoStripTarget(Problem):
    """The label on file tells neither the strength of the concentrate nor that of a bath, so a test strip
    has nothing to be read against.
    """

    slug, status, title = "no-strip-target", 409, "No target for a strip"
