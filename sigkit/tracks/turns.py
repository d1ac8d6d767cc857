"""One process at a time: a turn that ends with its process, however that ends."""

from __future__ import annotations

import contextlib
import importlib
import os
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

PATIENCE_S = 180.0
LOOK_AGAIN_S = 0.02
DONE = b"done"


@dataclass
class Turn:
    """A turn, as the process knows it that asked for it.

    Parameters
    ----------
    held : bool
        Whether it is held. Not, where no file can be locked or the patience has ended.
    done_meanwhile : bool
        Whether the process that had it while this one waited did all there is to do.
    file : int
        The locked file, open; -1 where there is none.
    """

    held: bool
    done_meanwhile: bool
    file: int

    def done(self) -> None:
        """Say to those that wait that all there is to do is done, and let go."""
        if self.held:
            with contextlib.suppress(OSError):  # a full disk: the next one does it again
                os.write(self.file, DONE)
            self.let_go()

    def let_go(self) -> None:
        """Give the turn to the next one before the end of the context."""
        if self.held:
            _let_go(self.file)
            self.held = False


@contextlib.contextmanager
def own_turn(name: str, *, patience_s: float = PATIENCE_S) -> Iterator[Turn]:
    """Wait until no other process of this user has the turn, and hold it.

    Parameters
    ----------
    name : str
        What the turn is for; it names a small file in the folder for temporary files.
    patience_s : float, optional
        How long to wait for a process that never lets go; then it goes on without the turn. With 0
        it is held only where no other process has it.

    Yields
    ------
    Turn
        Whether it is held, and whether another has just done the work.

    Notes
    -----
    The lock is the operating system's, on the open file: it is gone with a process that is killed,
    so that none is ever left behind. The file stays.
    """
    end = time.monotonic() + patience_s
    with contextlib.ExitStack() as opened:
        file = -1
        with contextlib.suppress(OSError):
            file = os.open(_path_of(name), os.O_RDWR | os.O_CREAT | _NO_LINK, 0o600)
            opened.callback(os.close, file)
        at_once = file >= 0 and _try_until(file, 0.0)
        turn = Turn(at_once or (file >= 0 and _try_until(file, end)), False, file)
        opened.callback(turn.let_go)
        if turn.held:
            with contextlib.suppress(OSError):
                turn.done_meanwhile = not at_once and os.read(file, len(DONE)) == DONE
                os.ftruncate(file, 0)
                os.lseek(file, 0, os.SEEK_SET)
        yield turn


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
            os.lseek(file, 0, os.SEEK_SET)
            windows.locking(file, windows.LK_UNLCK, 1)
        else:
            posix = importlib.import_module("fcntl")
            posix.flock(file, posix.LOCK_UN)
