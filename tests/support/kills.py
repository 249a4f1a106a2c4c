"""Work that is killed in the middle."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable


def killed(work: Callable[[], None], after_seconds: float | None = None) -> bool:
    """Does work in a process of its own and kills that; False when it had already finished.

    Args:
        after_seconds: None where the work kills itself (`die`).

    Raises:
        AssertionError: the work ended by an error of its own.
    """
    child = os.fork()
    if child == 0:
        try:
            work()
            os._exit(0)
        except BaseException:
            os._exit(1)
    if after_seconds is not None:
        time.sleep(after_seconds)
        os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return True
    assert os.WEXITSTATUS(status) == 0
    return False


def die() -> None:
    """Kills the process it is called in, with no chance to put anything in order."""
    os.kill(os.getpid(), signal.SIGKILL)
