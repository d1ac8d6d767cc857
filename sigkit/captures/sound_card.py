"""The computer's sound inputs, through PortAudio."""

from __future__ import annotations

import contextlib
import math
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from types import ModuleType
from typing import Any

from sigkit.captures.intake import Intake
from sigkit.errors import InputError, SignalError

LATENCY_S = 0.2
"""Sound that the system holds for us: so long may this program be busy without losing any."""
MOST_CHANNELS_UNASKED = 2
ADC_LEAP_S = 0.005


@dataclass(frozen=True)
class InputDevice:
    """One input of this computer.

    Parameters
    ----------
    number : int
        By which it can be chosen.
    name, system : str
        Its name, and the sound system that offers it.
    channels : int
        Channels it can record at most.
    rate_hz : float
        The rate that it runs at by itself.
    usual : bool
        Whether it is taken where none is named.
    """

    number: int
    name: str
    system: str
    channels: int
    rate_hz: float
    usual: bool


def input_devices() -> list[InputDevice]:
    """Return the inputs that this computer has, none on one without a sound card.

    Raises
    ------
    SignalError
        sounddevice or PortAudio is missing.

    Notes
    -----
    PortAudio looks once, when it is loaded: what is plugged in later is seen after a new start.
    """
    sd = _portaudio()
    with _muted():
        systems = sd.query_hostapis()
        usual = sd.default.device[0]
        return [
            InputDevice(
                number,
                str(device["name"]),
                str(systems[device["hostapi"]]["name"]),
                int(device["max_input_channels"]),
                float(device["default_samplerate"]),
                number == usual,
            )
            for number, device in enumerate(sd.query_devices())
            if device["max_input_channels"] > 0
        ]


class SoundCard:
    """An input of this computer as a source to record from.

    Parameters
    ----------
    device : int or str, optional
        Its number, or a part of its name that no other has; None takes the usual one.
    rate : int, optional
        Sample rate in Hz.
    channels : int, optional
        Channels; None takes two, or the one that there is.
    bits : int, optional
        Bits of a sample in the file: 16, 24 or 32.

    Raises
    ------
    InputError
        No such device, or it does not take that rate or so many channels.
    SignalError
        No input at all, or sounddevice or PortAudio is missing.

    Notes
    -----
    PortAudio adds no dither and scales nothing here. Whether the sound system behind it changes the
    rate cannot be asked; where the rate is not the device's own, ``notes`` says so. A callback that
    was late makes PortAudio set a flag with the next block: what is lost lies before that block's
    first frame, since blocks have no fixed size here [1]_. How much is not told; the time by the
    card's own clock between the two blocks is.

    References
    ----------
    .. [1] PortAudio V19 API, paInputOverflow and paFramesPerBufferUnspecified.
    """

    def __init__(
        self,
        device: int | str | None = None,
        *,
        rate: int = 48000,
        channels: int | None = None,
        bits: int = 24,
    ) -> None:
        found = _chosen(device)
        if channels is None:
            channels = min(MOST_CHANNELS_UNASKED, found.channels)
        if bits not in (16, 24, 32):
            raise InputError(
                f"Samples of {bits} bits cannot be recorded.",
                where=found.name,
                remedy="Take 24 bits; 16 and 32 are there too.",
            )
        self.device, self.rate, self.channels, self.bits = found, rate, channels, bits
        self.name = f"{found.name} ({found.system})"
        self.ended = ""
        self.delay_s = 0.0
        self.live = True
        self.notes: tuple[str, ...] = ()
        if rate != round(found.rate_hz):
            self.notes = (
                f"the sound card's own rate is {found.rate_hz:.0f} Hz by what the system says; at "
                f"{rate} Hz the system may have resampled, which cannot be asked",
            )
        self._stream: Any = None
        self._intake: Intake | None = None
        self._next_adc_s = math.nan
        sd = _portaudio()
        with _muted(), self._refusals(sd):
            sd.check_input_settings(found.number, channels, f"int{bits}", samplerate=rate)

    def start(self, intake: Intake) -> None:
        """Begin to deliver."""
        sd = _portaudio()
        self._intake = intake
        with _muted(), self._refusals(sd):
            self._stream = sd.RawInputStream(
                samplerate=self.rate,
                blocksize=0,
                device=self.device.number,
                channels=self.channels,
                dtype=f"int{self.bits}",
                latency=LATENCY_S,
                callback=self._callback,
                finished_callback=self._finished,
                dither_off=True,
                clip_off=True,
            )
            self._stream.start()

    def stop(self) -> None:
        """Stop delivering."""
        self.ended = self.ended or "stopped"
        with contextlib.suppress(Exception):  # an unplugged one has its own complaints
            self._stream.abort()
            self._stream.close()

    def _callback(self, data: Any, frames: int, moment: Any, status: Any) -> None:
        adc_s = float(moment.inputBufferAdcTime)
        if math.isnan(self._next_adc_s):
            age_s = float(moment.currentTime) - adc_s - frames / self.rate
            self.delay_s = age_s if 0 < age_s < 1 else 0.0
        overflowed, about_s = bool(status.input_overflow), math.nan
        if overflowed and adc_s - self._next_adc_s > ADC_LEAP_S:
            about_s = adc_s - self._next_adc_s
        self._next_adc_s = adc_s + frames / self.rate
        if self._intake is not None:
            self._intake.deliver(
                memoryview(data),
                overflowed=overflowed,
                about_s=about_s,
                padded=bool(status.input_underflow),
            )

    def _finished(self) -> None:
        self.ended = self.ended or f"{self.name} stopped delivering sound."

    @contextmanager
    def _refusals(self, sd: ModuleType) -> Iterator[None]:
        """Turn what PortAudio says into an error of ours."""
        try:
            yield
        except (sd.PortAudioError, ValueError) as error:
            words = " ".join(str(error).split()).rstrip(".")
            raise InputError(
                f"The sound card does not record {self.channels} channels at {self.rate} Hz and "
                f"{self.bits} bits: {words}.",
                where=self.name,
                remedy=f"It has {self.device.channels} channels and runs at "
                f"{self.device.rate_hz:.0f} Hz by itself; try these, or close other programs.",
            ) from None


def _chosen(device: int | str | None) -> InputDevice:
    """Find the device that is meant."""
    devices = input_devices()
    if not devices:
        raise SignalError(
            "This computer has no sound input.",
            where="sound card",
            remedy="Connect the interface, start again, and look with 'sigkit record --devices'.",
        )
    if device is None:
        found = [one for one in devices if one.usual] or (devices if len(devices) == 1 else [])
    elif isinstance(device, int) or device.isdecimal():
        found = [one for one in devices if one.number == int(device)]
    else:
        word = device.casefold()
        found = [one for one in devices if word == one.name.casefold()]
        found = found or [one for one in devices if word in one.name.casefold()]
    if len(found) != 1:
        many = "names several sound inputs" if found else "is no sound input of this computer"
        named = "None of the sound inputs is the usual one." if device is None else ""
        raise InputError(
            named or f"{device!r} {many}.",
            where="sound card",
            remedy="There are " + "; ".join(f"{one.number} {one.name}" for one in devices) + ".",
        )
    return found[0]


def _portaudio() -> ModuleType:
    """Return sounddevice, with PortAudio under it."""
    if sys.byteorder != "little":
        raise SignalError(
            "Recording is not made for this kind of computer.",
            where="big-endian processor",
            remedy="Record with another computer, and measure here.",
        )
    try:
        with _muted():
            import sounddevice
    except ImportError:
        raise SignalError(
            "The package that talks to sound cards is missing.",
            where="sounddevice",
            remedy="Install it with: pip install 'sigkit[record]'",
        ) from None
    except OSError:
        raise SignalError(
            "PortAudio, the library that talks to sound cards, is missing.",
            where="PortAudio",
            remedy="Debian, Ubuntu: apt install libportaudio2. Fedora: dnf install portaudio. "
            "macOS and Windows: pip install --force-reinstall sounddevice.",
        ) from None
    return sounddevice  # type: ignore[no-any-return]


@contextmanager
def _muted() -> Iterator[None]:
    """Keep the sound system's own chatter, written past Python, off the terminal."""
    try:
        keep = os.dup(2)
    except OSError:
        yield
        return
    try:
        with open(os.devnull, "wb") as nowhere:  # noqa: PTH123
            os.dup2(nowhere.fileno(), 2)
        yield
    finally:
        os.dup2(keep, 2)
        os.close(keep)
