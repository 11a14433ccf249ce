"""Start one program so that it ends with its parent, under an unprivileged account if one is given.

Run as a script by `embedded_postgres`, never imported by it: giving up root, asking the kernel for the parent's death
signal and replacing the process must happen in this order in the new process itself (a change of account forgets the
signal, see `PR_SET_PDEATHSIG` in prctl(2)), and doing it after a fork of a threaded parent would not be safe.

    python -I embedded_postgres_launcher.py PARENT_PROCESS ACCOUNT GROUP PROGRAM [ARGUMENT ...]

ACCOUNT and GROUP are numbers, or `-` to stay as we are.
"""

import ctypes
import os
import signal
import sys

PR_SET_PDEATHSIG = 1  # from <linux/prctl.h>
STAY = "-"


def end_with_parent(parent_process: int) -> None:
    """Ask for SIGINT, PostgreSQL's fast shutdown, when the parent ends. Linux only; elsewhere nothing is asked."""
    if sys.platform != "linux":
        return
    prctl = ctypes.CDLL(None, use_errno=True).prctl
    if prctl(PR_SET_PDEATHSIG, signal.SIGINT, 0, 0, 0) != 0:
        raise OSError(ctypes.get_errno(), "prctl(PR_SET_PDEATHSIG) failed")
    if os.getppid() != parent_process:
        sys.exit("the parent ended before the start")


def main(arguments: list[str]) -> None:
    """Give up root, tie this process to its parent, and become the program."""
    parent_process, account, group, program, *rest = arguments
    if account != STAY:
        os.setgroups([])
        os.setgid(int(group))
        os.setuid(int(account))
    os.umask(0o077)
    end_with_parent(int(parent_process))
    os.execv(program, [program, *rest])  # noqa: S606 - no shell, and the program is an absolute path


if __name__ == "__main__":
    main(sys.argv[1:])
