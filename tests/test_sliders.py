"""The truth of made-up slider sweeps, looked up in their sound."""

import numpy as np
import pytest
import sliders
from scipy import signal
from sliders import KINDS, LEVEL, RATE, sweep


@pytest.fixture
def _nothing_else(monkeypatch):
    monkeypatch.setattr(sliders, "outside", lambda *_: 0.0)


def rms_db(x):
    return 10 * np.log10(np.mean(x**2) + 1e-30)


@pytest.mark.usefixtures("_nothing_else")
@pytest.mark.parametrize("kind", KINDS)
def test_planted_events_are_what_the_sound_differs_by(kind):
    """Without hiss and hum: 99 % of a difference lies in its event, at the level told.

    The voice's coupling capacitor adds a slow tail, of less than a quarter of the energy, to dirt
    of the width and the cutoff; the rest is exact.
    """
    room = 0.05 if kind in ("level", "pitch") else 1.3
    for seed in range(4):
        made = sweep(seed, kind=kind, pops=False)
        difference = made.sound - made.clean
        free = np.ones(difference.size, bool)
        for e in (e for e in made.events if e.kind != "pitch jump"):
            a, b = round(e.start_s * RATE), round(e.stop_s * RATE)
            free[a - RATE // 10 : b + RATE // 5] = False
            long = max(b - a, 48)
            level = 10 * np.log10(np.sum(difference[a:b] ** 2) / 0.99 / long)
            assert level - 20 * np.log10(made.hiss) == pytest.approx(e.over_noise_db, abs=room)
            around = made.clean[a - RATE // 50 : b + RATE // 50]
            if b - a > 480:
                assert level - rms_db(around) == pytest.approx(e.level_db, abs=room + 0.5)
        assert len(made.events) > 0
        assert rms_db(difference[free]) < 20 * np.log10(made.hiss) - 20


@pytest.mark.usefixtures("_nothing_else")
def test_pitch_jumps_have_their_size_in_the_sound():
    """Slope of a sine's phase over the middle half of a jump that is held, against the control."""
    seen = 0
    for seed in range(8):
        made = sweep(seed, kind="pitch", waveform="sine", causes={"jump": 1.0}, pops=False)
        for e in made.events:
            held = e.stop_s - e.start_s
            if held < 0.06:
                continue
            a, b = (int((e.start_s + share * held) * RATE) for share in (0.25, 0.75))
            phase = np.unwrap(np.angle(signal.hilbert(made.clean[a - 4800 : b + 4800])))[4800:-4800]
            hz = (phase[-1] - phase[0]) / (2 * np.pi) * RATE / (phase.size - 1)
            cents = 1200 * (np.log2(hz) - np.mean(made.control[a:b]))
            assert cents == pytest.approx(e.size_cents, abs=3 + 0.03 * abs(e.size_cents))
            seen += 1
    assert seen > 10


@pytest.mark.parametrize("kind", KINDS)
def test_clean_sweeps_are_clean_and_passes_lie_where_the_slider_moves(kind):
    made = sweep(7, kind=kind, dirty=False, snr_db=60.0, pops=False)
    assert made.events == []
    assert 20 * np.log10(made.hiss / LEVEL) == pytest.approx(-60)
    moving = np.abs(np.diff(made.position)) > 1e-12
    inside = np.zeros(made.position.size, bool)
    for p in made.passes.itertuples():
        inside[round(p.start_s * RATE) : round(p.stop_s * RATE)] = True
        ends = made.position[[round(p.start_s * RATE), round(p.stop_s * RATE) - 1]]
        assert ends * 100 == pytest.approx([p.from_percent, p.to_percent], abs=0.01)
    assert not moving[~inside[1:]].any()
    assert made.press_s + 0.29 < made.passes.start_s.min()
    assert made.passes.stop_s.max() < made.release_s - 0.29


def test_what_a_measure_may_pass_over_is_marked():
    excused = {}
    for seed in range(12):
        made = sweep(seed, kind="level", snr_db=50.0)
        for e in made.events:
            excused.setdefault(e.excused, []).append(e)
            near = min(e.start_s - made.press_s, made.release_s - e.stop_s) < 0.2
            dim = e.tone_db < max(20 - 50, -40)
            assert bool(e.excused) == (near or dim)
    assert len(excused[""]) > 50
    assert excused["faint tone"]
