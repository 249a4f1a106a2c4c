"""Work that is killed in the middle."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable


def killed(work: Callable[[], None], after_seconds: float) -> bool:
    """Does work in a process of its own and kills that; False when it had already finished.

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
    time.sleep(after_seconds)
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return True
    assert os.WEXITSTATUS(status) == 0
    return False
