"""How a message leaves the house. `settings.REMINDER_TRANSPORT` names the class that is used.

A transport that returns has taken the message. It raises `Refused` when the message was surely not
sent and never will be, `Unreachable` when nothing was handed over and a later try may do; any other
error leaves open whether it went, so the message is not sent again.
"""

import sys
from typing import Protocol

from django.conf import settings
from django.utils.module_loading import import_string

from services.rules.reminders import Message, masked

DEFAULT = "services.transports.ConsoleTransport"


class Refused(Exception):
    """The message was not sent and never will be: such an address, or not to this one."""


class Unreachable(Exception):
    """Nothing was handed over; it may be tried again."""


class Transport(Protocol):
    """Takes messages, one at a time."""

    def send(self, message: Message) -> None: ...


class ConsoleTransport:
    """Prints one line in place of a message, with the recipient masked: for development and trials."""

    def send(self, message: Message) -> None:
        line = f"{message.channel} to {masked(message.recipient)}: {message.text}\n"
        sys.stdout.write(line)
        sys.stdout.flush()


def transport() -> Transport:
    """The transport of the settings, made anew; the console's where they name none."""
    made: Transport = import_string(getattr(settings, "REMINDER_TRANSPORT", DEFAULT))()
    return made
