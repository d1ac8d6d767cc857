"""A PulseAudio server of the tests' own, with a sink that goes nowhere and can be recorded."""

import os
import shutil
import subprocess
import tempfile
import time
from ctypes.util import find_library
from pathlib import Path


class SoundServer:
    """Started and stopped by its own process id, in a private folder; nothing else is touched."""

    def __init__(self, rate=48000, channels=2):
        self.folder = Path(tempfile.mkdtemp(prefix="sound_"))
        self.folder.chmod(0o700)
        self.env = os.environ | {
            "XDG_RUNTIME_DIR": str(self.folder),
            "HOME": str(self.folder),
            "PULSE_SERVER": f"unix:{self.folder}/pulse/native",
        }
        sink = f"module-null-sink sink_name=sink rate={rate} channels={channels} format=s16le"
        call = ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--disallow-exit"]
        call += ["--log-target=null", "-L", "module-native-protocol-unix", "-L", sink]
        self.process = subprocess.Popen(
            call, env=self.env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        until = time.monotonic() + 10
        while not (self.folder / "pulse" / "native").exists():
            assert self.process.poll() is None, "the sound server did not start"
            assert time.monotonic() < until, "the sound server has no socket"
            time.sleep(0.05)

    @staticmethod
    def missing():
        """What has to be installed before."""
        missing = [name for name in ("pulseaudio", "paplay") if shutil.which(name) is None]
        if find_library("portaudio") is None:
            missing.append("libportaudio2")
        if not list(Path("/usr/lib").glob("*/alsa-lib/libasound_module_pcm_pulse.so")):
            missing.append("libasound2-plugins")
        return missing

    def play(self, path):
        return subprocess.Popen(["paplay", "--device=sink", str(path)], env=self.env)

    def kill(self):
        self.process.kill()
        self.process.wait()

    def close(self):
        if self.process.poll() is None:
            self.process.terminate()
            self.process.wait(10)
        shutil.rmtree(self.folder, ignore_errors=True)
