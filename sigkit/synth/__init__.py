"""Signals of exactly known truth, for the demo and the tests."""

from sigkit.synth.demo import demo_sound, make_demo
from sigkit.synth.dirt import Place
from sigkit.synth.filters import LowPass
from sigkit.synth.noise import hum, pink, thump, white
from sigkit.synth.oscillators import Oscillator, dbfs, rms, stream, tone
from sigkit.synth.paths import (
    Envelope,
    at_cents,
    caught_hz,
    cents_above,
    fade,
    glide_line_cents,
    glide_rc_cents,
    jump_cents,
    line_cents,
    pulled_hz,
    random_walk_cents,
    settling_time_s,
    vibrato_cents,
    wander_cents,
    warmup_cents,
)
from sigkit.synth.presses import Presses, evenly
from sigkit.synth.sliders import (
    audio_taper,
    dirty_level_slider,
    dirty_pitch_slider,
    dirty_timbre_slider,
    dirty_width_slider,
)
from sigkit.synth.sound import Sound, quantise, write_blocks, write_wav
from sigkit.synth.travel import Travel, travel

__all__ = [
    "Envelope",
    "LowPass",
    "Oscillator",
    "Place",
    "Presses",
    "Sound",
    "Travel",
    "at_cents",
    "audio_taper",
    "caught_hz",
    "cents_above",
    "dbfs",
    "demo_sound",
    "dirty_level_slider",
    "dirty_pitch_slider",
    "dirty_timbre_slider",
    "dirty_width_slider",
    "evenly",
    "fade",
    "glide_line_cents",
    "glide_rc_cents",
    "hum",
    "jump_cents",
    "line_cents",
    "make_demo",
    "pink",
    "pulled_hz",
    "quantise",
    "random_walk_cents",
    "rms",
    "settling_time_s",
    "stream",
    "thump",
    "tone",
    "travel",
    "vibrato_cents",
    "wander_cents",
    "warmup_cents",
    "white",
    "write_blocks",
    "write_wav",
]
