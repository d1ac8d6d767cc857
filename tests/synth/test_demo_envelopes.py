"""What the README of the sample says of the envelopes is what was put in."""

import numpy as np
import pytest
from sample import demo_sound, numbers, row

from sigkit.synth.scenario import SCENARIO

NAMES = ("1_before/envelope-loudness.wav", "3_after/envelope-loudness.wav")


@pytest.mark.parametrize(("name", "column"), [(NAMES[0], 0), (NAMES[1], 1)])
def test_readme_on_envelopes(name, column):
    notes = demo_sound(name).truth["notes"]
    first = notes.iloc[0]
    for label, value, digits in (
        ("attack, 10 to 90 % of the peak, ms", 1000 * first["attack_s"], 3),
        ("onset to peak, ms", 1000 * first["onset_to_peak_s"], 3),
        ("decay, time constant, ms", 1000 * first["decay_time_constant_s"], 1),
        ("sustain without the leak, re the peak, dB", first["sustain_db"], 3),
        ("sag of what is held, dB in 10 s", first["sag_db_per_10s"], 3),
        ("release, time constant, s", first["release_time_constant_s"], 3),
    ):
        assert float(row(label)[column]) == pytest.approx(value, abs=0.51 * 10**-digits), label
    times = numbers(row("release to 20, 40 and 60 dB below, s")[column])
    assert times == pytest.approx([first[f"release_{db}_s"] for db in (20, 40, 60)], abs=6e-5)
    levels = numbers(row("peaks of the three presses re the first, dB")[column])
    assert levels == pytest.approx(notes["peak_db"].tolist(), abs=0.006)
    tau = SCENARIO[name].played.envelope.attack_time_constant_s
    assert float(row("attack, time constant, ms")[column]) == pytest.approx(1000 * tau)


def test_the_sound_does_what_its_truth_says():
    """Level over whole periods: peak, release and sag of the first press."""
    sound = demo_sound(NAMES[0])
    note = sound.truth["notes"].iloc[0]
    period = sound.rate / 880.0

    def level_db(at_s):
        begin = round(at_s * sound.rate)
        return 10 * np.log10(np.mean(sound.samples[begin : begin + round(11 * period)] ** 2))

    half_s = 5.5 * period / sound.rate
    off = note["gate_off_s"]
    down = level_db(off + 0.3 - half_s) - level_db(off + 0.3 + note["release_20_s"] - half_s)
    assert down == pytest.approx(20, abs=0.05)
    sag = level_db(off - 0.5) - level_db(off - 0.1)
    assert 25 * sag == pytest.approx(note["sag_db_per_10s"], rel=0.2)
