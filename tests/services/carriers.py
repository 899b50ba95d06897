"""Transports for tests: one that keeps what it is given, ones that fail, one that never comes back."""

import os
import threading
import time
from pathlib import Path

from services.rules.reminders import Message
from services.transports import Refused, Unreachable


class Kept:
    """Keeps every message, in the order they came, for whoever made it."""

    messages: list[Message] = []
    lock = threading.Lock()

    def send(self, message: Message) -> None:
        with self.lock:
            self.messages.append(message)


class Slow(Kept):
    """Takes its time, so that others come by while it is at work."""

    def send(self, message: Message) -> None:
        time.sleep(0.05)
        super().send(message)


class Refusing:
    """Never sends anything."""

    def send(self, message: Message) -> None:
        raise Refused


class Away:
    """Cannot be reached."""

    def send(self, message: Message) -> None:
        raise Unreachable


class Broken:
    """Fails in a way that leaves open whether the message went."""

    def send(self, message: Message) -> None:
        raise RuntimeError("the line went dead")


class Stuck:
    """Sends, says so in the file named by SPA_TEST_STUCK_FILE, and then hangs: to be killed."""

    def send(self, message: Message) -> None:
        Path(os.environ["SPA_TEST_STUCK_FILE"]).write_text(str(message.reference))
        time.sleep(120)
