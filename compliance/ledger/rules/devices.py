"""The numbers that each device gives its facts at one location: which are missing or came twice.

A hole means that a tablet took note of something which never arrived here.
"""

from bisect import bisect_right
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Hole:
    """Numbers `first` to `last` of a device are not in the chain, though a later one is."""

    device: str
    first: int
    last: int


class DeviceNumbers:
    """Collects numbers in any order, in memory of one range per hole.

    With `from_one`, a device that starts at 3 has the hole 1 to 2; without it (a chain read from
    its middle) its first number is taken as it comes, and smaller ones belong to what came before.
    `expected` is what each device should give next; who sees just that may count it up there.
    """

    __slots__ = ("_from_one", "_holes", "_start", "expected", "repeats")

    def __init__(self, *, from_one: bool) -> None:
        self._from_one = from_one
        self._start: dict[str, int] = {}
        self._holes: dict[str, list[tuple[int, int]]] = {}
        self.expected: dict[str, int] = {}
        self.repeats: list[tuple[str, int]] = []

    def add(self, device: str, number: int) -> None:
        """Take note of one number, from 1, of one device."""
        expected = self.expected.get(device)
        if expected is None:
            expected = self._start[device] = 1 if self._from_one else number
        if number < expected:
            self._fill(device, number)
            return
        if number > expected:
            self._holes.setdefault(device, []).append((expected, number - 1))
        self.expected[device] = number + 1

    def holes(self) -> tuple[Hole, ...]:
        """Every hole there is so far, by device and number."""
        return tuple(
            Hole(device=device, first=first, last=last)
            for device in sorted(self._holes)
            for first, last in self._holes[device]
        )

    def _fill(self, device: str, number: int) -> None:
        holes = self._holes.get(device, [])
        at = bisect_right(holes, number, key=lambda hole: hole[0]) - 1
        if at >= 0 and number <= holes[at][1]:
            first, last = holes[at]
            parts = [(first, number - 1), (number + 1, last)]
            holes[at : at + 1] = [part for part in parts if part[0] <= part[1]]
        elif number >= self._start[device]:
            self.repeats.append((device, number))
