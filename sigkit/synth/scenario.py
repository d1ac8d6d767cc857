"""The invented scenario of the demo, as data: what is planted in each capture."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from sigkit.synth.dirt import Place
from sigkit.synth.glides import Glides
from sigkit.synth.idle import Idle
from sigkit.synth.keyed import Keyed
from sigkit.synth.paths import Envelope
from sigkit.synth.planted import Enveloped, Pair, Pitch, Slider
from sigkit.synth.presses import Presses, evenly
from sigkit.synth.waved import Waved

_BEFORE = Pitch(stage="1_before", seconds=6.0, rate=32000, seed=0)
_AFTER = Pitch(stage="3_after", seconds=6.0, rate=32000, seed=0)
_OSC_1 = replace(_BEFORE, wander_cents=2.4, wobble_cents=1.5, drift_cents_per_min=6.0)
_OSC_1_AFTER = replace(_AFTER, wander_cents=0.12, drift_cents_per_min=0.3)

_PAIR = Pair(
    stage="1_before",
    together_s=58.0,
    alone_s=7.0,
    seed=0,
    tune=((0.0, -4.0), (20.0, -4.0), (21.0, -7.0), (57.0, 5.0)),
)

_VOLUME = (
    Place(position=0.31, width=0.006, level_db=-20.0),
    Place(position=0.44, width=0.010, level_db=-24.0),
    Place(position=0.52, width=0.004, level_db=-28.0),
    Place(position=0.63, width=0.012, level_db=-18.0),
    Place(position=0.71, width=0.010, kind="dropout", level_db=-26.0, probability=0.8),
    Place(position=0.86, width=0.008, level_db=-22.0),
    Place(position=0.375, width=0.008, level_db=-19.0, probability=1.0, passes=1),
    Place(position=0.79, width=0.010, level_db=-21.0, probability=1.0, passes=1),
)
_VOLUME_CLEANED = (
    Place(position=0.44, width=0.006, level_db=-34.0, probability=0.7),
    Place(position=0.63, width=0.008, level_db=-30.0, probability=0.7),
)
_MIXER = (
    Place(position=0.28, width=0.008, level_db=-16.0),
    Place(position=0.47, width=0.010, level_db=-22.0),
    Place(position=0.58, width=0.006, level_db=-25.0),
    Place(position=0.77, width=0.010, level_db=-19.0),
    Place(position=0.90, width=0.006, level_db=-27.0),
)
_MIXER_CLEANED = tuple(replace(p, level_db=p.level_db - 6, probability=0.8) for p in _MIXER[1:])
_MIXER_AFTER = tuple(replace(p, level_db=p.level_db - 8, probability=0.9) for p in _MIXER[1:4:2])
_CUTOFF = (
    Place(position=0.22, width=0.016, kind="jumping value", jump=0.06, dwell_s=0.002),
    Place(position=0.36, width=0.010, level_db=-22.0),
    Place(position=0.48, width=0.024, kind="jumping value", jump=-0.10, dwell_s=0.003),
    Place(position=0.61, width=0.012, kind="chopped contact", level_db=-12.0),
    Place(position=0.74, width=0.020, kind="jumping value", jump=-0.16, dwell_s=0.002),
    Place(position=0.30, width=0.012, level_db=-18.0, probability=1.0, passes=1),
    Place(position=0.55, width=0.012, level_db=-16.0, probability=1.0, passes=1),
)
_CUTOFF_CLEANED = (
    Place(position=0.48, width=0.016, kind="jumping value", jump=-0.06, dwell_s=0.002),
    Place(position=0.74, width=0.010, level_db=-24.0, probability=0.7),
)
_TUNE = (
    Place(position=0.24, width=0.030, kind="pitch jump", size_cents=48.0),
    Place(position=0.39, width=0.040, kind="pitch jump", size_cents=-70.0),
    Place(position=0.57, width=0.030, kind="jumping value", jump=-0.12, dwell_s=0.006),
    Place(position=0.72, width=0.035, kind="pitch jump", size_cents=110.0),
    Place(
        position=0.31, width=0.040, kind="pitch jump", size_cents=90.0, probability=1.0, passes=1
    ),
    Place(
        position=0.48, width=0.035, kind="pitch jump", size_cents=-60.0, probability=1.0, passes=1
    ),
)
_TUNE_CLEANED = (Place(position=0.39, width=0.035, kind="pitch jump", size_cents=-45.0),)
_WIDTH = (
    Place(position=0.28, width=0.016, kind="jumping value", jump=0.10, dwell_s=0.002),
    Place(position=0.52, width=0.012, kind="jumping value", jump=-0.15, dwell_s=0.0015),
    Place(position=0.66, width=0.010, level_db=-24.0, probability=0.8),
    Place(position=0.41, width=0.012, level_db=-18.0, probability=1.0, passes=1),
)
_OSC_1_LEVEL = (
    Place(position=0.40, width=0.008, level_db=-24.0),
    Place(position=0.66, width=0.008, level_db=-28.0),
)

_LONGER = Slider(stage="1_before", seed=0, passes=6, travel_s=1.5, rest_s=0.4, low=0.0, rate=24000)
_CUTOFF_PASSES = replace(_LONGER, controls="timbre")
_TUNE_PASSES = replace(_LONGER, controls="pitch")
_WIDTH_PASSES = replace(_LONGER, controls="width")

_GLIDES = Glides(stage="1_before", seed=0, time_up_s=0.030, time_down_s=0.030, hold_s=0.9)
_GLIDES_AFTER = replace(_GLIDES, stage="3_after")
_LOUDNESS = Envelope(
    attack_time_constant_s=0.006,
    attack_target=1.4,
    decay_time_constant_s=0.09,
    sustain=0.6,
    release_time_constant_s=0.42,
    sag_time_constant_s=14.0,
)
_LOUDNESS_AFTER = replace(_LOUDNESS, release_time_constant_s=0.11, sag_time_constant_s=1000.0)
_LOOP = {1: -68.0, 3: -77.0, 5: -85.0}
_RIPPLE = {2: -50.0, 4: -57.0, 6: -62.0, 8: -66.0, 10: -69.0, 12: -72.0, 14: -75.0, 16: -78.0}
_RIPPLE |= {18: -81.0, 20: -84.0}
_PRESSES = evenly(3, first_s=0.9, held_s=1.4, apart_s=3.8)

_KEYS = Keyed(
    stage="1_before",
    seed=201,
    offset_cents=-4.0,
    scale_cents=6.0,
    scatter_cents=0.5,
    odd_cents={12: 14.0},
    dead=(17,),
    bounces={27: (0.0012, 0.009)},
    stuck={33: 3},
)
_KEYS_AFTER = replace(
    _KEYS,
    stage="3_after",
    seed=401,
    scale_cents=0.4,
    offset_cents=2.0,
    dead=(),
    bounces={},
    stuck={},
)

_SQUARE = Waved(stage="1_before", seed=0, shape="pulse", width=0.44, nominal_duty=50.0)
_TRIANGLE = Waved(stage="1_before", seed=0, shape="triangle", width=0.465)

SCENARIO: Mapping[str, Pitch | Slider | Pair | Glides | Enveloped | Keyed | Idle | Waved] = {
    "1_before/warmup-oscillator_1.wav": Pitch(
        stage="1_before",
        seconds=180.0,
        rate=8000,
        seed=101,
        offset_cents=-9.0,
        warmup_cents=72.0,
        warmup_s=260.0,
        wander_cents=0.5,
        wander_s=4.0,
        jump_cents=9.0,
        jump_s=118.0,
    ),
    "3_after/warmup-oscillator_1.wav": Pitch(
        stage="3_after",
        seconds=180.0,
        rate=8000,
        seed=301,
        offset_cents=-18.0,
        warmup_cents=18.0,
        warmup_s=32.0,
        wander_cents=0.08,
        wander_s=4.0,
    ),
    "1_before/stability-oscillator_1-t1.wav": replace(
        _OSC_1, seed=111, offset_cents=-14.0, jump_cents=-11.0, jump_s=2.4
    ),
    "1_before/stability-oscillator_1-t2.wav": replace(
        _OSC_1, seed=112, offset_cents=-13.0, jump_cents=12.0, jump_s=3.2
    ),
    "1_before/stability-oscillator_1-t3.wav": replace(
        _OSC_1, seed=113, offset_cents=-12.0, jump_cents=11.5, jump_s=3.7
    ),
    "1_before/stability-oscillator_2.wav": replace(
        _BEFORE, seed=121, offset_cents=-6.0, wander_cents=1.4, drift_cents_per_min=-2.0
    ),
    "3_after/stability-oscillator_1-t1.wav": replace(_OSC_1_AFTER, seed=311, offset_cents=0.4),
    "3_after/stability-oscillator_1-t2.wav": replace(_OSC_1_AFTER, seed=312, offset_cents=0.5),
    "3_after/stability-oscillator_1-t3.wav": replace(_OSC_1_AFTER, seed=313, offset_cents=0.5),
    "3_after/stability-oscillator_2.wav": replace(
        _AFTER, seed=321, offset_cents=-5.0, wander_cents=1.4, drift_cents_per_min=-2.0
    ),
    "1_before/beating-oscillators.wav": replace(
        _PAIR, seed=168, drift_1=-0.5, drift_2=4.5, wander_cents=0.12, lock_cents=1.6
    ),
    "3_after/beating-oscillators.wav": replace(
        _PAIR,
        stage="3_after",
        seed=368,
        drift_1=0.3,
        drift_2=0.2,
        wander_cents=0.03,
        lock_cents=0.05,
    ),
    "1_before/glide-portamento-25.wav": replace(
        _GLIDES, seed=191, time_up_s=0.034, time_down_s=0.026
    ),
    "1_before/glide-portamento-50.wav": replace(
        _GLIDES, seed=192, time_up_s=0.20, time_down_s=0.15, hold_s=1.3, plateau_s=0.07
    ),
    "1_before/glide-portamento-75.wav": replace(
        _GLIDES, seed=193, time_up_s=0.16, time_down_s=0.12, hold_s=1.2, scatter=0.08
    ),
    "3_after/glide-portamento-25.wav": replace(_GLIDES_AFTER, seed=391),
    "3_after/glide-portamento-50.wav": replace(
        _GLIDES_AFTER, seed=392, time_up_s=0.15, time_down_s=0.148, hold_s=1.1
    ),
    "3_after/glide-portamento-75.wav": replace(
        _GLIDES_AFTER, seed=393, time_up_s=0.60, time_down_s=0.59, hold_s=2.5
    ),
    "1_before/envelope-loudness.wav": Enveloped(
        stage="1_before",
        seconds=12.4,
        seed=191,
        played=Presses(_LOUDNESS, _PRESSES, peak_db=(0.0, -0.9, -0.3)),
    ),
    "3_after/envelope-loudness.wav": Enveloped(
        stage="3_after",
        seconds=12.4,
        seed=391,
        played=Presses(_LOUDNESS_AFTER, _PRESSES, peak_db=(0.0, -0.1, -0.05)),
    ),
    "1_before/noise-output.wav": Idle(
        stage="1_before", seed=201, hiss_dbfs=-76.0, lines_dbfs=_LOOP | _RIPPLE
    ),
    "3_after/noise-output.wav": Idle(
        stage="3_after", seed=401, hiss_dbfs=-86.0, lines_dbfs=_LOOP | {2: -92.0, 4: -99.0}
    ),
    "1_before/waveform-oscillator_1-triangle.wav": replace(_TRIANGLE, seed=194),
    "3_after/waveform-oscillator_1-triangle.wav": replace(_TRIANGLE, stage="3_after", seed=394),
    "1_before/waveform-oscillator_2-square.wav": replace(_SQUARE, seed=195),
    "3_after/waveform-oscillator_2-square.wav": replace(
        _SQUARE, stage="3_after", seed=395, width=0.503
    ),
    "1_before/slider-volume.wav": Slider(stage="1_before", seed=131, places=_VOLUME),
    "2_cleaned/slider-volume.wav": Slider(stage="2_cleaned", seed=231, places=_VOLUME_CLEANED),
    "3_after/slider-volume.wav": Slider(stage="3_after", seed=331),
    "1_before/slider-oscillator_2_level.wav": Slider(stage="1_before", seed=141, places=_MIXER),
    "2_cleaned/slider-oscillator_2_level.wav": Slider(
        stage="2_cleaned", seed=241, places=_MIXER_CLEANED
    ),
    "3_after/slider-oscillator_2_level.wav": Slider(stage="3_after", seed=341, places=_MIXER_AFTER),
    "1_before/slider-filter_cutoff.wav": replace(_CUTOFF_PASSES, seed=161, places=_CUTOFF),
    "2_cleaned/slider-filter_cutoff.wav": replace(
        _CUTOFF_PASSES, stage="2_cleaned", seed=261, places=_CUTOFF_CLEANED, travel_s=1.6
    ),
    "3_after/slider-filter_cutoff.wav": replace(_CUTOFF_PASSES, stage="3_after", seed=361),
    "1_before/slider-oscillator_2_tune.wav": replace(_TUNE_PASSES, seed=171, places=_TUNE),
    "2_cleaned/slider-oscillator_2_tune.wav": replace(
        _TUNE_PASSES, stage="2_cleaned", seed=271, places=_TUNE_CLEANED
    ),
    "3_after/slider-oscillator_2_tune.wav": replace(
        _TUNE_PASSES, stage="3_after", seed=371, travel_s=1.6
    ),
    "1_before/slider-pulse_width.wav": replace(_WIDTH_PASSES, seed=181, places=_WIDTH),
    "2_cleaned/slider-pulse_width.wav": replace(_WIDTH_PASSES, stage="2_cleaned", seed=281),
    "3_after/slider-pulse_width.wav": replace(_WIDTH_PASSES, stage="3_after", seed=381),
    "1_before/slider-oscillator_1_level.wav": Slider(
        stage="1_before", seed=151, places=_OSC_1_LEVEL, noise_db=-9.0
    ),
    "2_cleaned/slider-oscillator_1_level.wav": Slider(
        stage="2_cleaned", seed=251, overdrive_db=18.0
    ),
    "3_after/slider-oscillator_1_level.wav": Slider(stage="3_after", seed=351),
    "1_before/keyboard-oscillator_1.wav": _KEYS,
    "3_after/keyboard-oscillator_1.wav": _KEYS_AFTER,
}
"""What is planted in each capture of the demo, by ``STAGE/NAME.wav``."""
