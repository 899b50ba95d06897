"""Problems of products, solutions, kits and implements."""

from spa_ops.kernel.problems import Problem


class KitEmpty(Problem):
    """A kit without implements cannot be opened for a client."""

    slug, status, title = "kit-empty", 409, "Kit without implements"
