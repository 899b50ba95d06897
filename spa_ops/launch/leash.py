"""Run as a script: ask the kernel to end this process when its parent is killed, then become a program.

    python leash.py PARENT_PID PROGRAM ARGUMENT...

A process of its own rather than code between fork and exec, which is unsafe where there are threads.
Standard library only: it runs without the environment of the program.
"""

import ctypes
import os
import signal
import sys

PR_SET_PDEATHSIG = 1  # prctl(2)


def main() -> None:
    parent, command = int(sys.argv[1]), sys.argv[2:]
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGTERM)
    if os.getppid() != parent:
        sys.exit(1)  # the parent died before the kernel knew
    try:
        os.execvp(command[0], command)
    except OSError as error:
        sys.exit(f"{command[0]}: {error.strerror}")


if __name__ == "__main__":
    main()
