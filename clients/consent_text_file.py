"""The consent texts that come with the program, read once. The only I/O of consents."""

from functools import cache
from pathlib import Path

import yaml

from clients.rules.consents import Text

SHIPPED = Path(__file__).with_name("consent_texts.yaml")


@cache
def shipped_texts() -> tuple[Text, ...]:
    """One text for each purpose."""
    found = yaml.safe_load(SHIPPED.read_text(encoding="utf-8"))
    return tuple(
        Text(purpose=p, language=found["language"], version=found["version"], text=text)
        for p, text in found["texts"].items()
    )
