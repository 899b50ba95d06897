"""The one way a launch says no: a sentence for the person at the keyboard, never a traceback."""

import errno


class LaunchRefused(Exception):
    """The program cannot start; the message says why and what to do, in one sentence."""


def disk_refusal(error: OSError, place: object) -> LaunchRefused:
    """What to say when the machine refuses a write under `place`."""
    if error.errno in {errno.ENOSPC, errno.EDQUOT}:
        return LaunchRefused(
            f"The disk that holds {place} is full; free some space and start again."
        )
    if error.errno in {errno.EACCES, errno.EPERM, errno.EROFS}:
        return LaunchRefused(f"{place} cannot be written by this user; change its owner or mode.")
    return LaunchRefused(f"{place} cannot be used: {error.strerror or error}.")
