"""A recorder to be killed: ``record_child.py FILE HOW``; prints when its source began."""

import sys
import time

from made_sources import Made

import sigkit.captures.disk_writer as disk_writer
from sigkit.captures.record import record_capture
from sigkit.captures.spool import GrowingWav


def told_by(source):
    """Let a source print when it began."""
    start = source.start

    def told(intake):
        start(intake)
        print(source.begun, flush=True)

    source.start = told
    return source


def main(path, how):
    """Record until killed."""
    if how == "slow":  # a disk that takes five seconds to take what is written
        GrowingWav.sync = lambda _: time.sleep(5)
    if how == "stale":  # the header is never written anew
        disk_writer.REFRESH_S = 1e9
    if how == "long":  # RF64 from the start, its header a second old
        disk_writer.REFRESH_S = 1.0
        GrowingWav.__init__.__defaults__ = (b"", 1000)
    recording = record_capture(path, told_by(Made(2)))
    print(recording.ended, recording.frames, flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
