import random

import pytest

from sigkit.errors import InputError
from sigkit.evidence.job.names import CaptureName, read_name, stage_order


@pytest.mark.parametrize(
    ("filename", "name"),
    [
        ("warmup-oscillator_1.wav", CaptureName("warmup", "oscillator_1")),
        ("slider-filter_cutoff-t2.wav", CaptureName("slider", "filter_cutoff", "", 2)),
        ("slider-volume-half-t12.WAV", CaptureName("slider", "volume", "half", 12)),
        ("Slider-Filter cutoff.wav", CaptureName("slider", "filter_cutoff")),
        ("stability-oszillator_ü-16_fuß.wav", CaptureName("stability", "oszillator_ü", "16_fuss")),
        ("stability-oszillator_u\u0308.wav", CaptureName("stability", "oszillator_ü")),
        ("slider-t2x.wav", CaptureName("slider", "t2x")),
        ("warmup-osc-p2.wav", CaptureName("warmup", "osc", part=2)),
        ("warmup-osc-low-t3-p12.wav", CaptureName("warmup", "osc", "low", 3, 12)),
        ("Warmup-Osc-P1.WAV", CaptureName("warmup", "osc", part=1)),
        ("warmup-p2x.wav", CaptureName("warmup", "p2x")),
    ],
)
def test_names(filename, name):
    assert read_name(filename) == name


@pytest.mark.parametrize(
    ("filename", "hint"),
    [
        ("warmpu-oscillator_1-t2.wav", "Did you mean 'warmup-oscillator_1-t2.wav'"),
        ("sliders-volume.wav", "Did you mean 'slider-volume.wav'"),
        ("warmup_oscillator_1.wav", "Did you mean 'warmup-oscillator_1.wav'"),
        ("zzz-oscillator_1.wav", "Known tests: stability"),
        ("warmup.wav", "TEST-SUBJECT"),
        ("warmup-.wav", "TEST-SUBJECT"),
        ("warmup-t2.wav", "Put the take last"),
        ("warmup-a-b-c-t1.wav", "TEST-SUBJECT"),
        ("sweep-osc_a.wav", "Known tests: stability"),
        ("slider-volume-t0.wav", "Takes count from 1"),
        ("slider-volume-half-t00.wav", "Takes count from 1"),
        ("warmup-a-t1-half.wav", "Put the take last"),
        ("warmup-a!b.wav", "TEST-SUBJECT"),
        ("warmup-p2.wav", "Put the take last"),
        ("warmup-a-p1-t1.wav", "behind it the part"),
        ("warmup-a-p1-half.wav", "behind it the part"),
        ("warmup-a-p0.wav", "Parts count from 1: -p1, -p2"),
        ("warmpu-a-t2-p1.wav", "Did you mean 'warmup-a-t2-p1.wav'"),
    ],
)
def test_wrong_names_come_with_a_suggestion(filename, hint):
    with pytest.raises(InputError) as error:
        read_name(filename, where="before/" + filename)
    assert hint in error.value.remedy
    assert error.value.where == "before/" + filename
    assert len(str(error.value).splitlines()) == 3


def test_a_name_that_is_not_close_is_not_suggested():
    with pytest.raises(InputError) as error:
        read_name("sweep-osc_a.wav")
    assert error.value.problem == "There is no bench test named 'sweep'."
    assert "Did you mean" not in error.value.remedy


def test_stages_in_natural_order():
    for ordered in (
        ["before", "after"],
        ["as_before", "cleaned", "after", "follow_up"],
        ["1_before", "2_rails", "9_cleaned", "10_after", "11_before_shipping"],
        ["Before", "2_rails", "10_other", "After"],
    ):
        mixed = ordered[:]
        random.Random(4).shuffle(mixed)
        assert sorted(mixed, key=stage_order) == ordered
