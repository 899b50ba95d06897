"""Invented pictures: drawn here, never of anybody."""

from io import BytesIO

from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image


def encoded(image: Image.Image | None = None, kind: str = "JPEG", **more) -> bytes:
    """The image (default: a small one, red on the left and blue on the right) as a file's bytes."""
    file = BytesIO()
    (image or halves()).save(file, kind, **more)
    return file.getvalue()


def halves(width: int = 40, height: int = 20, mode: str = "RGB") -> Image.Image:
    """Red on the left, blue on the right."""
    image = Image.new("RGB", (width, height), (200, 30, 30))
    image.paste((30, 30, 200), (width // 2, 0, width, height))
    return image.convert(mode)


def photograph(
    content: bytes | None = None, name: str = "invented.jpg", declared: str = "image/jpeg"
) -> SimpleUploadedFile:
    """A file to be sent, with a name and a declared type that nobody should believe."""
    return SimpleUploadedFile(name, encoded() if content is None else content, declared)
