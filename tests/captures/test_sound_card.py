"""A real recording: a PulseAudio server of the test's own, played to and recorded from.

What is played is known sample by sample, so that the recording must be the same bit for bit.
"""

import builtins
import json
import os
import subprocess
import sys
import time
from types import SimpleNamespace
from typing import ClassVar

import numpy as np
import pytest
import soundfile as sf
from made_sources import packed, pattern
from scipy.signal import correlate
from sound_server import SoundServer

import sigkit
from sigkit.captures import sound_card
from sigkit.captures.intake import Intake
from sigkit.captures.sound_card import SoundCard, input_devices
from sigkit.errors import InputError, SignalError

RATE = 48000
CLI = "import sys; from sigkit.cli import main; sys.exit(main())"
real = [
    pytest.mark.sound_card,
    pytest.mark.skipif(
        bool(SoundServer.missing()),
        reason=f"not installed: {', '.join(SoundServer.missing())}",
    ),
]


@pytest.fixture
def server():
    server = SoundServer()
    yield server
    server.close()


def sigkit_record(server, *options):
    env = server.env | {"PYTHONPATH": os.pathsep.join(sys.path)}
    return subprocess.Popen(
        [sys.executable, "-c", CLI, "record", *map(str, options)],
        env=env,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def wait_for(path, length=1000):
    until = time.monotonic() + 20
    while not path.exists() or path.stat().st_size < length:
        assert time.monotonic() < until
        time.sleep(0.05)


class TestReal:
    pytestmark = real

    @pytest.mark.parametrize("bits", [24, 16])
    def test_bit_exact(self, server, tmp_path, bits):
        """White noise of 16 bits, half a second of silence before it; all its frames come back."""
        rng = np.random.default_rng(bits)
        played = np.zeros((2 * RATE, 2), np.int16)
        played[RATE // 2 : -RATE // 4] = rng.integers(-(2**14), 2**14, (RATE * 5 // 4, 2))
        sf.write(tmp_path / "played.wav", played, RATE, "PCM_16")
        stage = tmp_path / "1_before"
        options = ["--device", "pulse", "--bits", bits, "--seconds", 3]
        recorder = sigkit_record(server, stage, "noise", "output", *options)
        path = stage / "noise-output.wav"
        wait_for(path)
        assert server.play(tmp_path / "played.wav").wait(20) == 0
        out, err = recorder.communicate(timeout=30)
        assert (recorder.returncode, err) == (0, ""), out + err
        recorded, rate = sf.read(path, dtype="int32")
        assert (rate, recorded.shape) == (RATE, (3 * RATE, 2))
        assert np.abs(recorded).max() > 2**28
        assert not (recorded & 0xFFFF).any()
        recorded = (recorded >> 16).astype(float)
        at = np.argmax(correlate(recorded[:, 0], played[:, 0].astype(float), "valid"))
        assert np.array_equal(recorded[at : at + len(played)], played)
        assert not recorded[:at].any()
        listed = json.loads((stage / "noise-output.recording.json").read_text())
        assert listed["lost"] == []
        assert listed["ended"] == "length reached"
        assert ("gives 16 bits" in out) == (bits == 24)
        assert max(map(len, out.splitlines())) <= 80 + len(str(tmp_path))
        print(f"\n{len(played)} frames at {bits} bits are the same bit for bit, {at} before them")

    def test_unplugged(self, server, tmp_path):
        """The sound server is killed while it records: the file is closed, three lines say it."""
        stage = tmp_path / "1_before"
        recorder = sigkit_record(server, stage, "stability", "oscillator 1", "--device", "pulse")
        path = stage / "stability-oscillator_1.wav"
        wait_for(path, RATE)
        server.kill()
        killed = time.monotonic()
        out, err = recorder.communicate(timeout=30)
        assert time.monotonic() - killed < 10
        assert recorder.returncode == 1
        assert len(err.splitlines()) == 3
        assert path.name in err
        capture = sigkit.open_capture(path, channel=0)
        assert not capture.salvaged
        assert capture.frames > RATE // 8
        assert f"{capture.frames} frames" in out

    def test_devices_and_refusals(self, server, tmp_path):
        listing = sigkit_record(server, "--devices")
        out, err = listing.communicate(timeout=30)
        assert (listing.returncode, err) == (0, "")
        assert "pulse (ALSA" in out
        stage = tmp_path / "1_before"
        call = [stage, "noise", "output", "--device", "pulse", "--rate", 10**7]
        _, err = (refused := sigkit_record(server, *call)).communicate(timeout=30)
        assert refused.returncode == 2
        assert "does not record 2 channels at 10000000 Hz and 24 bits: Invalid sample rate" in err
        assert len(err.splitlines()) == 3
        assert not stage.exists()


class FakeError(Exception):
    pass


class FakeStream:
    made: ClassVar[list] = []

    def __init__(self, **options):
        self.options, self.closed = options, False
        FakeStream.made.append(self)

    def start(self):
        pass

    def abort(self):
        self.closed = True
        self.options["finished_callback"]()

    def close(self):
        pass


def fake_portaudio(devices, usual=0):
    """As much of sounddevice as is used, with the devices that are given."""

    def check(device, channels, _, samplerate):
        if samplerate > 96000 or channels > devices[device]["max_input_channels"]:
            raise FakeError("Invalid sample rate [PaErrorCode -9997]")

    return SimpleNamespace(
        query_hostapis=lambda: ({"name": "System"},),
        query_devices=lambda: devices,
        default=SimpleNamespace(device=(usual, -1)),
        check_input_settings=check,
        PortAudioError=FakeError,
        RawInputStream=FakeStream,
    )


def device(name, channels=2, rate=48000.0):
    return {
        "name": name,
        "hostapi": 0,
        "max_input_channels": channels,
        "default_samplerate": rate,
    }


@pytest.fixture
def portaudio(monkeypatch):
    devices = [device("Interface", 4, 44100.0), device("Speaker", 0), device("Microphone", 1)]
    fake = fake_portaudio(devices)
    monkeypatch.setattr(sound_card, "_portaudio", lambda: fake)
    FakeStream.made.clear()
    return fake


@pytest.mark.usefixtures("portaudio")
def test_inputs_are_listed_without_outputs():
    found = input_devices()
    assert [(one.number, one.name, one.usual) for one in found] == [
        (0, "Interface", True),
        (2, "Microphone", False),
    ]
    assert (found[0].system, found[0].channels, found[0].rate_hz) == ("System", 4, 44100.0)


def test_choice_of_the_device_and_its_channels(portaudio):
    assert SoundCard().channels == 2
    assert SoundCard("mic").channels == 1
    assert SoundCard(2).device.name == SoundCard("2").device.name == "Microphone"
    assert SoundCard(channels=4).channels == 4
    assert SoundCard(rate=44100).notes == ()
    assert "cannot be asked" in SoundCard().notes[0]
    for wrong, words in (("e", "names several"), ("x", "is no sound input"), (1, "is no sound")):
        with pytest.raises(InputError, match=words) as error:
            SoundCard(wrong)
        assert "0 Interface; 2 Microphone" in error.value.remedy
    with pytest.raises(InputError, match="at 192000 Hz and 24 bits: Invalid sample rate"):
        SoundCard(rate=192000)
    with pytest.raises(InputError, match="20 bits"):
        SoundCard(bits=20)
    portaudio.default.device = (-1, -1)
    with pytest.raises(InputError, match="None of the sound inputs is the usual one"):
        SoundCard()


def test_a_computer_without_inputs(portaudio):
    portaudio.query_devices = lambda: [device("Speaker", 0)]
    assert input_devices() == []
    with pytest.raises(SignalError, match="no sound input"):
        SoundCard()


@pytest.mark.usefixtures("portaudio")
def test_what_portaudio_tells_reaches_the_queue():
    """Blocks as they come, a lost stretch before the second, by the card's own clock 0.5 s long."""
    card, intake = SoundCard(channels=1), Intake(3, RATE)
    card.start(intake)
    options = FakeStream.made[0].options
    assert (options["blocksize"], options["dtype"]) == (0, "int24")
    assert options["dither_off"]
    for first, adc_s, lost in ((0, 10.0, False), (100, 10.5 + 100 / RATE, True)):
        moment = SimpleNamespace(inputBufferAdcTime=adc_s, currentTime=adc_s + 0.125 + 100 / RATE)
        options["callback"](
            packed(pattern(first, 100)),
            100,
            moment,
            SimpleNamespace(input_overflow=lost, input_underflow=False),
        )
    assert card.delay_s == pytest.approx(0.125)
    assert bytes(intake.take()) == bytes(packed(pattern(0, 100)))
    intake.release(300)
    mark = intake.take()
    assert (mark.frames, mark.about_s) == (0, pytest.approx(0.5))
    assert bytes(intake.take()) == bytes(packed(pattern(100, 100)))
    assert card.ended == ""
    options["finished_callback"]()
    assert "stopped delivering sound" in card.ended


@pytest.mark.usefixtures("portaudio")
def test_stopping_is_no_fault():
    card = SoundCard()
    card.start(Intake(6, 100))
    card.stop()
    assert FakeStream.made[0].closed
    assert card.ended == "stopped"


@pytest.mark.parametrize(
    ("fault", "words"),
    [(ImportError("no module"), "package that talks"), (OSError("not found"), "PortAudio")],
)
def test_a_missing_library_is_three_lines(monkeypatch, fault, words):
    original = builtins.__import__

    def without(name, *rest):
        if name == "sounddevice":
            raise fault
        return original(name, *rest)

    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(SignalError, match=words) as error:
        input_devices()
    assert len(str(error.value).splitlines()) == 3
    assert "install" in error.value.remedy


def test_importing_the_recorder_loads_no_portaudio():
    code = (
        "import sys, sigkit.captures.record, sigkit.captures.sound_card, sigkit.commands.record\n"
    )
    code += "print('sounddevice' in sys.modules, 'soundfile' in sys.modules)"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.split()[0] == "False"
