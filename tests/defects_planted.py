"""One defect planted in a clean capture of `defects`, with its kind, place and size."""

from __future__ import annotations

import io
import math
from dataclasses import replace

import numpy as np
import soundfile as sf
from defects import Made, gates, held, hiss, mains, make_clean, wave
from scipy import signal


def base(rng, *names) -> Made:
    made = make_clean(str(rng.choice(names)), int(rng.integers(2**31)))
    return replace(made, subtype="PCM_24")


STEADY = ("stability", "beating", "drawn saw", "closed filter")
ANY = (*STEADY, "glide", "envelope", "cutoff slider", "keyboard")


def hard_clipped(rng):
    made = base(rng, "stability", "glide", "envelope", "tremolo")
    over = 10 ** (rng.uniform(2, 12) / 20) / np.abs(made.frames).max()
    return replace(made, frames=np.clip(over * made.frames, -1, 1), kinds=("clipped",))


def clipped_below(rng):
    rate = 48000
    n = np.arange(6 * rate)
    x = wave(
        str(rng.choice(["sine", "saw", "triangle"])), rng.uniform(40, 400) * n / rate, 400, rate
    )
    x = np.clip(x * 10 ** (rng.uniform(2, 8) / 20), -1, 1) * rng.uniform(0.2, 0.8)
    return Made("waveform", x, rate, kinds=("clipped",))


def soft_clipped(rng):
    """A stage that saturates (tanh), driven by notes that rise and fall."""
    rate, seconds = 48000, 10.0
    t = np.arange(round(seconds * rate)) / rate
    shape = 0.02 + 0.98 * np.abs(np.sin(np.pi * t / rng.uniform(2.5, 5))) ** 2
    x = held(rng, rate, seconds, str(rng.choice(["sine", "triangle", "saw"])), 100, 600) * shape
    drive = rng.uniform(1.0, 2.5)
    x = np.tanh(drive * x) / math.tanh(drive) * rng.uniform(0.2, 0.6)
    made = Made("envelope", x + hiss(t.size, -85, rng), rate, kinds=("soft clipping",))
    return replace(made, size=20 * math.log10(drive / math.tanh(drive)))


def over_between_samples(rng):
    """A tone near a quarter of the rate whose samples straddle its peaks."""
    rate = int(rng.choice([44100, 48000]))
    n = np.arange(6 * rate)
    hz = rate / 4 * (1 + rng.uniform(-1, 1) * 1e-9)
    x = np.sin(2 * np.pi * hz * n / rate + np.pi / 4)
    x *= 0.985 / np.abs(x).max()
    return Made("stability", x, rate, kinds=("inter-sample overs",), size=3.0)


def silent(rng):
    made = base(rng, *ANY)
    x = hiss(len(made.frames), -105, rng) if rng.random() < 0.5 else 0 * made.frames
    return replace(made, frames=x, kinds=("silent",))


def wrong_channel(rng):
    """The gate louder than the sound, so that the louder channel is the wrong one."""
    rate, seconds = 48000, 8.0
    gate, notes = np.zeros(round(seconds * rate)), gates(rng, seconds)
    for begin, stop in notes:
        gate[round(begin * rate) : round(stop * rate)] = 1
    sound = np.convolve(gate, np.ones(480) / 480, "same") * held(
        rng, rate, seconds, "saw", 400, 1200
    )
    key = signal.sosfilt(signal.butter(1, rng.uniform(3, 30), "high", fs=rate, output="sos"), gate)
    sound *= rng.uniform(0.05, 0.5) * key.std() / sound.std()  # the key is the louder one
    both = [0.5 * sound, 0.5 * key]
    x = np.stack([y + hiss(y.size, -75, rng) for y in both], axis=1)
    return Made("envelope", x, rate, kinds=("wrong channel",))


def mono_in_stereo(rng):
    made = base(rng, "envelope", "glide", "cutoff slider")
    gain = rng.choice([1.0, 0.5, -1.0])
    both = np.stack([made.frames, gain * made.frames], axis=1)
    return replace(made, frames=both, kinds=("mono in stereo",))


def offset(rng):
    made = base(rng, "stability", "glide", "tune slider")
    dc = rng.choice([-1, 1]) * rng.uniform(0.03, 0.3)
    return replace(made, frames=made.frames + dc, kinds=("DC offset",), size=100 * abs(dc))


def hum(rng):
    made = base(rng, *STEADY[:1], "envelope", "keyboard", "slow attack")
    x = made.frames
    level = 20 * math.log10(np.abs(x).max()) - rng.uniform(12, 34)
    t = np.arange(len(x)) / made.rate
    x = x + mains(t, level, rng, rng.choice([50.0, 60.0]))
    return replace(made, frames=x, kinds=("hum",))


def short(rng):
    made = base(rng, "stability", "warm-up", "keyboard", "glide")
    seconds = {"stability": 1.5, "warmup": 30.0, "keyboard": 3.0, "glide": 1.2}[made.test]
    middle = max(0, len(made.frames) // 2 - round(seconds * made.rate / 2))
    x = made.frames[middle : middle + round(seconds * made.rate)]
    return replace(made, frames=x, kinds=("too short",))


def too_low(rng):
    made = base(rng, "stability", "glide", "envelope")
    x = made.frames * 10 ** (-rng.uniform(72, 82) / 20) / np.abs(made.frames).max()
    return replace(made, frames=x, kinds=("level far too low", "silent"))


def noise_for_tone(rng):
    test = str(rng.choice(["stability", "warmup", "beating", "glide", "keyboard", "waveform"]))
    x = hiss(130 * 16000, rng.uniform(-40, -15), rng, rng.choice([0, 3]))
    return Made(test, x, 16000, kinds=("wrong content",))


def tone_for_noise(rng):
    made = base(rng, "stability", "narrow pulse", "drawn saw")
    n = len(made.frames)
    x = 0.2 * held(rng, made.rate, n / made.rate + 0.1, None, 130, 900)[:n] + hiss(n, -75, rng)
    return replace(made, test="noise", frames=x, kinds=("wrong content",))


def no_notes(rng):
    return replace(base(rng, "stability"), test="keyboard", kinds=("wrong content",))


def no_movement(rng):
    return replace(base(rng, "stability", "narrow pulse"), test="slider", kinds=("wrong content",))


def no_glide(rng):
    return replace(base(rng, "stability", "envelope"), test="glide", kinds=("wrong content",))


def no_presses(rng):
    rate = 48000
    x = 0.3 * held(rng, rate, 8, None, 300, 1200) + hiss(8 * rate, -75, rng)
    return Made("envelope", x, rate, kinds=("wrong content",))


def many_notes(rng):
    made = base(rng, "keyboard")
    test = str(rng.choice(["stability", "waveform"]))
    return replace(made, test=test, kinds=("wrong content",))


def zeros(rng):
    made = base(rng, *STEADY, "glide", "tune slider")
    x, found = made.frames.copy(), []
    for _ in range(rng.integers(1, 4)):
        size = int(rng.choice([64, 128, 256, 441, 1024]))
        at = int(rng.integers(0.8 * made.rate, len(x) - 0.8 * made.rate))
        x[at : at + size] = 0
        found.append(at)
    return replace(made, frames=x, kinds=("dropout",), at_s=min(found) / made.rate)


def repeated(rng):
    made = base(rng, *ANY)
    x = np.round(made.frames * 2**23) / 2**23
    size = int(rng.choice([64, 128, 256, 441, 512, 1024, 4096]))
    loud = np.flatnonzero(np.abs(x[8000:-9000]) > 0.1 * np.abs(x).max()) + 8000
    at = int(rng.choice(loud))
    x = np.concatenate([x[: at + size], x[at : at + size], x[at + size :]])
    kinds = ("samples repeated",)
    return replace(made, frames=x, kinds=kinds, at_s=(at + size) / made.rate, size=size)


def lost(rng):
    """A buffer missing from a held tone, by another length than whole periods."""
    rate, hz = 48000, rng.uniform(80, 600)
    n = np.arange(8 * rate)
    cycles = hz * n / rate + 0.0005 * np.sin(n / rate)
    x = wave(str(rng.choice(["saw", "triangle", "sine"])), cycles, hz, rate) * 0.3
    x += hiss(n.size, rng.uniform(-90, -65), rng)
    while True:
        size = int(rng.integers(16, 2000))
        if 0.12 < (size * hz / rate) % 1 < 0.88:
            break
    at = int(rng.integers(2 * rate, 6 * rate))
    x = np.delete(x, slice(at, at + size))
    return Made("stability", x, rate, kinds=("samples lost",), at_s=at / rate, size=size)


def pumping(rng):
    """An automatic gain (10 ms, 0.3 to 1.5 s) on notes with rests, over hiss."""
    rate, seconds = 48000, 12.0
    notes = gates(rng, seconds, (0.6, 1.0), (1.3, 2.2))
    env = np.zeros(round(seconds * rate))
    for begin, stop in notes:
        env[round(begin * rate) : round(stop * rate)] = 1
    env = np.convolve(env, np.ones(400) / 400, "same")
    x = held(rng, rate, seconds, None, 200, 800) * env * 0.3
    x += hiss(x.size, rng.uniform(-70, -55), rng)
    step = 48
    size = np.abs(x).reshape(-1, step).max(axis=1)
    level, gains, top = 1e-3, [], 10 ** (rng.uniform(15, 30) / 20)
    slow = math.exp(-step / rate / rng.uniform(0.3, 1.0))
    for value in size:
        level = value + (level - value) * (0.9 if value > level else slow)
        gains.append(min(top, 0.2 / max(level, 1e-6)))
    x *= np.repeat(gains, step) * 0.7
    return Made("envelope", x * min(1, 0.9 / np.abs(x).max()), rate, kinds=("gain pumping",))


def wrong_rate(rng):
    made = base(rng, "envelope", "idle and tone", "idle alone")
    rate, other = (48000, 44100) if rng.random() < 0.5 else (44100, 48000)
    n = 8 * rate
    t = np.arange(n) / rate
    x = hiss(n, rng.uniform(-80, -65), rng)
    x += mains(t, rng.uniform(-70, -50), rng, rng.choice([50.0, 60.0]))
    if made.test == "envelope":
        x[: n // 2] += 0.3 * held(rng, rate, 4.0, None, 400, 900)[: n // 2]
    return Made(made.test, x, other, kinds=("sample rate",), size=rate)


def lossy(rng):
    """Through a real lossy codec and back, by libsndfile."""
    made = base(rng, "stability", "envelope", "glide", "beating")
    x = made.frames + hiss(len(made.frames), -60, rng)
    rate = 48000 if made.rate == 96000 else made.rate
    x = signal.resample_poly(x, 1, 2) if made.rate == 96000 else x
    file = io.BytesIO()
    with sf.SoundFile(
        file, "w", rate, 1, format="MP3", subtype="MPEG_LAYER_III", compression_level=0.8
    ) as out:
        out.write(x)
    file.seek(0)
    y, rate = sf.read(file)
    return replace(made, frames=np.clip(y, -1, 1), rate=rate, kinds=("lossy history",))


def telephone(rng):
    """Brought up from 8, 16 or 32 kHz."""
    made = base(rng, "stability", "envelope", "beating")
    low = int(rng.choice([8000, 16000, 32000]))
    x = made.frames + hiss(len(made.frames), -55, rng)
    y = signal.resample_poly(signal.resample_poly(x, low, made.rate), made.rate, low)
    return replace(made, frames=y, kinds=("lossy history",), size=low / 2000)


def spoken(rng):
    """Somebody talks over idle noise: a buzz with moving pitch through formants, and hisses.

    Formants of vowels as any phonetics handbook has them: F1 300 to 800, F2 800 to 2300 Hz.
    """
    rate, parts = 48000, []
    pitch = rng.uniform(90, 230)
    while sum(map(len, parts)) < 8 * rate:
        n = round(rng.uniform(0.09, 0.22) * rate)
        f0 = pitch * 2 ** (np.linspace(*rng.uniform(-0.3, 0.3, 2), n) + rng.normal(0, 0.1))
        buzz = np.diff(np.floor(np.cumsum(f0) / rate), prepend=0.0)
        formants = (rng.uniform(300, 800), rng.uniform(800, 2300), rng.uniform(2400, 3000))
        for hz, width in zip(formants, (60, 90, 150), strict=True):
            r = math.exp(-math.pi * width / rate)
            turn = 2 * r * math.cos(2 * math.pi * hz / rate)
            buzz = signal.lfilter([1 - turn + r * r], [1, -turn, r * r], buzz)
        vowel = signal.lfilter([1], [1, -0.97], buzz) * np.hanning(n) ** 0.5
        parts.append(vowel / np.abs(vowel).max() * rng.uniform(0.4, 1))
        if rng.random() < 0.6:
            m = round(rng.uniform(0.06, 0.14) * rate)
            band = signal.butter(2, [rng.uniform(2500, 4000), 8000], "band", fs=rate, output="sos")
            parts.append(signal.sosfilt(band, hiss(m, -22, rng)) * np.hanning(m))
        parts.append(np.zeros(round(rng.choice([0.03, 0.05, 0.25]) * rate)))
    x = 0.2 * np.concatenate(parts)
    return Made("noise", x + hiss(x.size, -70, rng), rate, kinds=("speech",))


PLANTED = {
    "clipped": hard_clipped,
    "clipped below full scale": clipped_below,
    "soft clipping": soft_clipped,
    "inter-sample overs": over_between_samples,
    "silent": silent,
    "wrong channel": wrong_channel,
    "mono in stereo": mono_in_stereo,
    "DC": offset,
    "hum": hum,
    "too short": short,
    "too low": too_low,
    "noise for a tone": noise_for_tone,
    "tone for noise": tone_for_noise,
    "no notes": no_notes,
    "no movement": no_movement,
    "no glide": no_glide,
    "no presses": no_presses,
    "many notes": many_notes,
    "holes of zeros": zeros,
    "samples repeated": repeated,
    "samples lost": lost,
    "gain pumping": pumping,
    "sample rate": wrong_rate,
    "lossy": lossy,
    "telephone": telephone,
    "speech": spoken,
}


def make_planted(name: str, seed: int) -> Made:
    """Return a capture with one defect, named by its kind."""
    return PLANTED[name](np.random.default_rng([seed, 7, sorted(PLANTED).index(name)]))
