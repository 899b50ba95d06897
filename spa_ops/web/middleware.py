"""A request id on every answer, so that a problem can be found again."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

from spa_ops.kernel.ids import uuid7


class RequestId:
    """Gives each request an id; it is the `instance` of its problem document."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        request.id = str(uuid7())  # type: ignore[attr-defined]
        response = self.get_response(request)
        response["Request-Id"] = request.id  # type: ignore[attr-defined]
        return response
