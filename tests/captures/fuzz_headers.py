"""Headers by the thousand through the reader, guided by what they reach in it (atheris).

``python tests/captures/fuzz_headers.py -max_total_time=600`` runs it for ten minutes. Any error but
those of sigkit, any file that is changed and any hunger for memory stops it; the address space is
limited to 3 GiB, as a header of 40 bytes must not ask for more.
"""

from __future__ import annotations

import functools
import resource
import sys
import tempfile
from pathlib import Path

import sigkit
from sigkit.errors import SigkitError

LIMIT_BYTES = 3 * 2**30


def one_file(path: Path, data: bytes) -> None:
    """Open, read and check one file."""
    path.write_bytes(data)
    lines = ["", "", ""]
    try:
        capture = sigkit.open_capture(path)
        count = capture.frames * capture.channels
        # the header of a FLAC file says how much its blocks will unfold to
        assert count <= 64 * len(data) + 4096 or capture.container == "FLAC"
        if 0 < count < 200_000 and sum(data) % 4 == 0:  # the check takes longer than the reader
            assert len(capture.read()) == capture.frames
            capture.fitness()
    except SigkitError as error:
        lines = str(error).splitlines()
    assert len(lines) == 3
    assert path.read_bytes() == data


def main() -> None:
    """Run until told to stop."""
    import atheris

    with atheris.instrument_imports(include=["sigkit.captures"]):
        from sigkit.captures import disk, header, parts, wav  # noqa: F401
    resource.setrlimit(resource.RLIMIT_AS, (LIMIT_BYTES, LIMIT_BYTES))
    folder = Path(tempfile.mkdtemp(dir="/dev/shm" if Path("/dev/shm").is_dir() else None))
    atheris.Setup(sys.argv, functools.partial(one_file, folder / "x.wav"))
    atheris.Fuzz()


if __name__ == "__main__":
    main()
