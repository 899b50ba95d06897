"""RFC 9457 problems: the base class and the few that every app may raise.

A problem class's docstring is its catalogue text; its fields are emitted as extension members,
so a client never has to parse prose. Slugs are part of the public contract.
"""

from typing import Any, ClassVar


class Problem(Exception):
    """Something went wrong."""

    slug: ClassVar[str] = ""
    status: ClassVar[int] = 409
    title: ClassVar[str] = ""
    #: Sentence over the fields, `str.format` style.
    template: ClassVar[str] = ""
    #: A retryable failure is never stored as a command's outcome.
    retryable: ClassVar[bool] = False

    def __init__(self, **fields: Any) -> None:
        self.fields = fields
        super().__init__(self.detail)

    @property
    def detail(self) -> str:
        try:
            return self.template.format(**self.fields)
        except (KeyError, IndexError):
            return self.title

    @classmethod
    def catalogue_text(cls) -> str:
        """The docstring as one paragraph: what the catalogue page shows."""
        return " ".join((cls.__doc__ or "").split())

    def __reduce__(self) -> tuple[Any, ...]:
        return (_rebuild, (type(self), self.fields))


def _rebuild(kind: type[Problem], fields: dict[str, Any]) -> Problem:
    return kind(**fields)


def all_problems(base: type[Problem] = Problem) -> list[type[Problem]]:
    """Every problem class with a slug that is loaded, by slug."""
    found: dict[str, type[Problem]] = {}
    stack = [base]
    while stack:
        kind = stack.pop()
        stack.extend(kind.__subclasses__())
        if kind.slug:
            found[kind.slug] = kind
    return [found[slug] for slug in sorted(found)]


class NotFound(Problem):
    """There is no such thing, or it is not yours to see; the two are answered alike."""

    slug, status, title = "not-found", 404, "Not found"


class NotAuthenticated(Problem):
    """The request carries no valid token or session. Sign in, or send `Authorization: Bearer`."""

    slug, status, title = "not-authenticated", 401, "Sign-in needed"


class NotAllowed(Problem):
    """Your role does not include this. Nothing was changed."""

    slug, status, title = "not-allowed", 403, "Not allowed"
    template = "This needs one of these roles at the location: {needed}."


class ActingPersonRequired(Problem):
    """A command from a shared device names who acts: unlock the device with a PIN or badge and send
    the header `Acting-Person`.
    """

    slug, status, title = "acting-person-required", 403, "Acting person required"


class InvalidInput(Problem):
    """The request is well-formed but its content is wrong; `errors` points at each place.

    Each error has `pointer` (RFC 6901), `code` and `message`.
    """

    slug, status, title = "invalid-input", 422, "Invalid input"

    def __init__(self, *errors: dict[str, str], **fields: Any) -> None:
        super().__init__(errors=list(errors) or fields.pop("errors", []), **fields)

    @property
    def detail(self) -> str:
        return "; ".join(f"{e['pointer'] or '/'}: {e['message']}" for e in self.fields["errors"])


def invalid(pointer: str, message: str, code: str = "invalid") -> InvalidInput:
    """One wrong place in the input, as a problem to raise."""
    return InvalidInput({"pointer": pointer, "code": code, "message": message})


class MalformedRequest(Problem):
    """The request cannot be read: broken JSON, a bad parameter, or a wrong content type."""

    slug, status, title = "malformed-request", 400, "Malformed request"
    template = "{reason}"


class MethodNotAllowed(Problem):
    """This address does not answer that HTTP method."""

    slug, status, title = "method-not-allowed", 405, "Method not allowed"


class NotAcceptable(Problem):
    """The answer cannot be given in a format that the request accepts; ask for JSON."""

    slug, status, title = "not-acceptable", 406, "Not acceptable"


class BodyTooLarge(Problem):
    """The body is larger than this address takes: `most_bytes`. Nothing was kept."""

    slug, status, title = "body-too-large", 413, "Body too large"
    template = "At most {most_bytes} bytes are taken here."


class UnsupportedMediaType(Problem):
    """The body must be sent as what this address takes: application/json, or multipart/form-data where
    a file comes with it.
    """

    slug, status, title = "unsupported-media-type", 415, "Unsupported media type"


class StaleVersion(Problem):
    """Somebody changed it since you read it; read it again. `current_version` is what it is now."""

    slug, status, title = "stale-version", 412, "Stale version"
    template = "It is at version {current_version} now."


class PreconditionRequired(Problem):
    """Send `If-Match` with the ETag you last read, so that nobody's change is lost."""

    slug, status, title = "precondition-required", 428, "Precondition required"


class TooManyRequests(Problem):
    """Too fast; wait for `retry_after_seconds`."""

    slug, status, title, retryable = "too-many-requests", 429, "Too many requests", True
    template = "Try again in {retry_after_seconds} s."


class WrongState(Problem):
    """The thing is in a state in which this cannot be done; `state` says which it is in now."""

    slug, status, title = "wrong-state", 409, "Wrong state"
    template = "The {thing} is {state}; this needs {needed}."


class AlreadyCorrected(Problem):
    """This entry was struck out before; a correction is made once."""

    slug, status, title = "already-corrected", 409, "Already corrected"


class Busy(Problem):
    """Others were writing the same records at this moment. Nothing was changed; try again."""

    slug, status, title, retryable = "busy", 409, "Busy", True


class Unavailable(Problem):
    """A part that this answer needs is not there just now; try again shortly."""

    slug, status, title, retryable = "unavailable", 503, "Unavailable", True
    template = "{reason}"
