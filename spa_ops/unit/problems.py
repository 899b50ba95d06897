"""Problems of keyed and concurrent commands."""

from spa_ops.kernel.problems import Problem


class RequestInProgress(Problem):
    """The same `Idempotency-Key` is being worked on right now; ask again for its outcome."""

    slug, status, title, retryable = "request-in-progress", 409, "Request in progress", True


class KeyReused(Problem):
    """This `Idempotency-Key` was already used for a different request. Make a new key."""

    slug, status, title, retryable = "idempotency-key-reused", 422, "Idempotency key reused", True


class UnknownReference(Problem):
    """Something that the request names does not exist here."""

    slug, status, title = "unknown-reference", 409, "Unknown reference"


class AlreadyExists(Problem):
    """Such a record, or one with this id, is already there."""

    slug, status, title = "already-exists", 409, "Already exists"
