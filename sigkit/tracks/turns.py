"""One process at a time: a turn that ends with its process, however that ends."""

from __future__ import annotations

import contextlib
import importlib
import os
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

PATIENCE_S = 180.0
LOOK_AGAIN_S = 0.02


@contextlib.contextmanager
def own_turn(name: str, *, patience_s: float = PATIENCE_S) -> Iterator[bool]:
    """Wait until no other process of this user has the turn, and hold it.

    Parameters
    ----------
    name : str
        What the turn is for; it names a small file in the folder for temporary files.
    patience_s : float, optional
        How long to wait for a process that never lets go; then it goes on without the turn.

    Yields
    ------
    bool
        Whether the turn is held. Not, where no file can be locked or the patience has ended.

    Notes
    -----
    The lock is the operating system's, on the open file: it is gone with a process that is killed,
    so that none is ever left behind. The file stays, empty.
    """
    end = time.monotonic() + patience_s
    with contextlib.ExitStack() as held:
        file = -1
        with contextlib.suppress(OSError):
            file = os.open(_path_of(name), os.O_RDWR | os.O_CREAT | _NO_LINK, 0o600)
            held.callback(os.close, file)
        got = file >= 0 and _try_until(file, end)
        if got:
            held.callback(_let_go, file)
        yield got


_NO_LINK = getattr(os, "O_NOFOLLOW", 0)


def _path_of(name: str) -> Path:
    user = str(os.getuid()) if hasattr(os, "getuid") else os.environ.get("USERNAME", "user")
    return Path(tempfile.gettempdir()) / f"sigkit-{name}-{user}.lock"


def _try_until(file: int, end: float) -> bool:
    while True:
        try:
            _lock(file)
            return True
        except (BlockingIOError, PermissionError):  # another has it
            if time.monotonic() > end:
                return False
            time.sleep(LOOK_AGAIN_S)
        except (OSError, ImportError):  # a file system that locks nothing
            return False


def _lock(file: int) -> None:
    if os.name == "nt":
        windows = importlib.import_module("msvcrt")
        windows.locking(file, windows.LK_NBLCK, 1)
    else:
        posix = importlib.import_module("fcntl")
        posix.flock(file, posix.LOCK_EX | posix.LOCK_NB)


def _let_go(file: int) -> None:
    with contextlib.suppress(OSError):
        if os.name == "nt":
            windows = importlib.import_module("msvcrt")
            windows.locking(file, windows.LK_UNLCK, 1)
        else:
            posix = importlib.import_module("fcntl")
            posix.flock(file, posix.LOCK_UN)
