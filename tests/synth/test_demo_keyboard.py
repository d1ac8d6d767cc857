"""What the README of the sample says of the key sweeps is what was put in."""

import numpy as np
import pytest
from sample import demo_sound, numbers, row

NAMES = ("1_before/keyboard-oscillator_1.wav", "3_after/keyboard-oscillator_1.wav")


@pytest.mark.parametrize(("name", "column"), [(NAMES[0], 0), (NAMES[1], 1)])
def test_readme_on_keys(name, column):
    keys = demo_sound(name).truth["keys"]
    plain = keys[keys["key"] != 12]
    line = np.polyfit((plain["key"] - 1) / 12, plain["error_cents"], 1)
    errors = keys["error_cents"].to_numpy()
    assert numbers(row("slope of a line through all keys but E3, cents/octave")[column]) == [
        pytest.approx(line[0], abs=0.0051)
    ]
    assert numbers(row("error of F2, A4 and C6, cents")[column]) == pytest.approx(
        errors[[0, 28, 43]], abs=0.0051
    )
    assert numbers(row("error of E3, cents")[column]) == pytest.approx(errors[[11]], abs=0.0051)
    faults = keys[keys["status"] != "ok"].set_index("key")["status"].to_dict()
    assert faults == ({17: "missing", 27: "double trigger", 33: "stuck"} if column == 0 else {})
    assert row("dead, bouncing, stuck")[column] == ("A3, G4, C#5" if column == 0 else "none")


def test_the_sound_does_what_its_truth_says():
    """A dead key is silent; a stuck one still sounds where the next but one begins."""
    sound = demo_sound(NAMES[0])
    keys = sound.truth["keys"].set_index("key")

    def level_db(at_s, seconds=0.03):
        begin = round(at_s * sound.rate)
        return 10 * np.log10(
            2 * np.mean(sound.samples[begin : begin + round(seconds * sound.rate)] ** 2)
        )

    assert level_db(keys["on_s"][17] + 0.1) < -65
    assert level_db(keys["on_s"][16] + 0.1) == pytest.approx(-15, abs=0.5)
    assert level_db(keys["on_s"][35] - 0.05) == pytest.approx(-15, abs=0.5)
    assert level_db(keys["on_s"][38] - 0.05) < -30
    after_touch = keys["on_s"][27] + 0.007
    # 1.02 (1 - exp(-1.2/1.5)) of the held level, faded for 7.1 ms with 12 ms: -10.2 dB.
    assert level_db(after_touch, 0.0026) + 15 == pytest.approx(-10.2, abs=1.0)
