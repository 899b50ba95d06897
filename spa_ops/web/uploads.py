"""Commands that come with one file: multipart/form-data (RFC 7578), read whole, kept in memory alone."""

from io import BytesIO
from typing import Any, ClassVar

from django.core.files.uploadedfile import UploadedFile
from django.core.files.uploadhandler import FileUploadHandler, MemoryFileUploadHandler
from django.http import HttpRequest, HttpResponse, UnreadablePostError
from django.http.multipartparser import MultiPartParser as Parts
from django.utils.datastructures import MultiValueDict
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request

from spa_ops.kernel.problems import BodyTooLarge, InvalidInput, MalformedRequest
from spa_ops.web.views import Command

#: What the other fields and the lines between the parts may take besides the file.
BESIDES = 64 * 1024
#: A body that is refused is read to its end and thrown away, up to this: who is still sending would
#: get a broken connection and no answer.
MOST_DISCARDED = 64 * 1024 * 1024


class _InMemory(MemoryFileUploadHandler):
    """Never a temporary file: what is sealed later must not lie on a disk before."""

    def handle_raw_input(self, *_: Any, **__: Any) -> None:
        self.activated = True


class _Whole(FileUploadHandler):
    """Parses a body only if it is not too large and came whole: of a torn one, fields may be missing."""

    def __init__(self, most_bytes: int) -> None:
        super().__init__()
        self.most_bytes = most_bytes

    def handle_raw_input(
        self,
        input_data: Any,
        META: dict[str, Any],  # noqa: N803 - Django's name
        content_length: int,
        boundary: bytes,
        encoding: str | None = None,
    ) -> tuple[Any, Any]:
        if content_length > self.most_bytes + BESIDES:
            raise BodyTooLarge(most_bytes=self.most_bytes)
        body = input_data.read(content_length)
        if len(body) != content_length:
            raise MalformedRequest(reason="The body ended before its Content-Length.")
        return Parts(META, BytesIO(body), [_InMemory()], encoding).parse()


class Upload(Command):
    """POST with one file and fields beside it. `most_bytes` is what the file may have."""

    parser_classes = (MultiPartParser,)
    most_bytes: ClassVar[int]

    def initialize_request(self, request: HttpRequest, *args: Any, **kwargs: Any) -> Request:
        # Set before anybody reads: with a session the check for forged requests does.
        request.upload_handlers = [_Whole(self.most_bytes)]
        return super().initialize_request(request, *args, **kwargs)

    def handle_exception(self, exc: Exception) -> HttpResponse:
        _discard(self.request._request)
        return super().handle_exception(exc)

    def parsed(self, request: Request) -> dict[str, Any]:
        """The validated input; raises `InvalidInput` also for a field given twice."""
        sent = request.data if isinstance(request.data, MultiValueDict) else MultiValueDict()
        twice = sorted(name for name, values in sent.lists() if len(values) > 1)
        if twice:
            said = {"code": "invalid", "message": "must be given once"}
            raise InvalidInput(*({"pointer": f"/{name}", **said} for name in twice))
        # A plain dict: of a form, REST framework takes an empty field for one that was not sent.
        fields = dict(sent.items())
        for value in fields.values():
            if isinstance(value, UploadedFile) and (value.size or 0) > self.most_bytes:
                raise BodyTooLarge(most_bytes=self.most_bytes)
        serializer = self.input(data=fields)
        serializer.is_valid(raise_exception=True)
        return dict(serializer.validated_data)


def _discard(request: HttpRequest) -> None:
    left = MOST_DISCARDED
    try:
        while left > 0 and (chunk := request.read(64 * 1024)):
            left -= len(chunk)
    except UnreadablePostError:
        return  # nobody is there to answer
