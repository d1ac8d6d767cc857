"""How a note of a sweep speaks: one attack, or a first touch and a second one."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from sigkit.arrays import Real
from sigkit.tracks.keyboard.notes import KeyNote
from sigkit.tracks.keyboard.pitch import NotePitch
from sigkit.tracks.keyboard.sound import KeySound
from sigkit.tracks.keyboard.wave import HeldWave

BEFORE_S, AFTER_S = 0.06, 0.09
"""Sound that is looked at before and after the rough onset."""
NEAR_S = 0.02
"""A note that begins further from where it seems to is looked at about that instant anew."""
BLOCK_S = 0.00025
RISES_S = np.geomspace(0.0002, 0.06, 22)
"""Time constants of one attack that are tried."""
USUAL_RISE = (0.7, 1.0, 1.4)
"""Time constants of the attack that follows a touch, re that of the other keys."""
TOUCH_RISE_S = 0.001
FALLS_S = (0.012, 0.08)
"""Time constants with which the level falls while the contact is open."""
LEAST_OPEN_S, MOST_OPEN_S = 0.0015, 0.0445
MOST_CONTACT_S, RELEASES_S = 0.021, (0.0015, 0.5)
"""Longest touch, and time constants of the level while the contact is open, that are fitted."""
FEWEST_BLOCKS, QUIET_LEAD_S, REACH_S = 100, 0.015, 0.03
LEAST_TOUCH = 0.08
COUPLINGS_S = np.geomspace(0.008, 0.16, 10)
"""Time constants of the coupling of an input, 20 to 1 Hz."""
SETTLES_AFTER_S, SETTLES_LEAVES = 0.01, 0.5
"""What it does is told from so long after the onset on, where it leaves so little of what the wave
does."""


@dataclass(frozen=True, eq=False)
class Attack:
    """How a note speaks, by one attack.

    Parameters
    ----------
    onset_s : float
        When it begins, from the start of the capture.
    tau_s : float
        Time constant of one attack.
    left_s : float
        Energy that one attack leaves, as the time for which the held note would have it.
    time_s, product, energy : ndarray, shape (n_blocks,)
        Blocks of 0.25 ms: their time, the sound times the held note's wave, and that wave's square.
    base, noise, power : float
        Energy of the sound, of the noise in it, and power of the held note.
    misfit : float
        Power that the note's wave, held steady, leaves beside the noise from 45 ms on, as a share.
    """

    onset_s: float
    tau_s: float
    left_s: float
    time_s: Real
    product: Real
    energy: Real
    base: float
    noise: float
    power: float
    misfit: float


@dataclass(frozen=True)
class Touch:
    """A first touch and a second attack.

    Parameters
    ----------
    onset_s : float
        When the touch lifts the level.
    open_s : float
        From then to the second attack.
    level : float
        That of the touch, 0 to 1.
    left_s : float
        Energy that this leaves, as the time for which the held note would have it.
    """

    onset_s: float
    open_s: float
    level: float
    left_s: float


def note_attack(whole: KeySound, note: KeyNote, pitch: NotePitch) -> Attack | None:
    """Fit one attack to the onset of a note.

    Parameters
    ----------
    whole : KeySound
        The sweep, without notes that sound on under this one.
    note : KeyNote
        Where it is.
    pitch : NotePitch
        Its pitch.

    Returns
    -------
    Attack or None
        None where the note has too little sound before or after its onset.

    Notes
    -----
    The wave of the held note, run back along its phase, times an envelope is compared with the
    sound in blocks of 0.25 ms: their products are sufficient for least squares. One attack is a
    capacitor that is charged, straight on with the level of the held part.
    """
    wave = HeldWave.of(whole, note, pitch)
    if wave is None:
        return None
    found = _attack(whole, wave, note.start_s, note.stop_s)
    if found is not None and abs(found.onset_s - note.start_s) > NEAR_S:
        found = _attack(whole, wave, found.onset_s, note.stop_s) or found
    return found


def _attack(whole: KeySound, wave: HeldWave, start_s: float, stop_s: float) -> Attack | None:
    """Fit one attack about a rough onset."""
    first = max(0.0, start_s - BEFORE_S)
    last = min(start_s + AFTER_S, stop_s)
    size = max(1, round(BLOCK_S * whole.rate))
    a = round(first * whole.rate)
    sound = whole.sound[a : round(last * whole.rate)].astype(np.float64)
    count = sound.size // size
    if count < FEWEST_BLOCKS:
        return None
    t = np.arange(a, a + count * size) / whole.rate
    w, x = wave.at(t), sound[: count * size]
    found = _Found.of(t, x, w, size, start_s)
    settling = _settling(t, x, w, found.onset_s, found.tau_s)
    if settling is not None:
        # A bounce too leaves something that fades; taken for a coupling it would leave more.
        again = _Found.of(t, x - settling, w, size, start_s)
        found = again if again.left < found.left else found
    time_s, product, energy, total = found.time_s, found.product, found.energy, found.total
    noise = found.noise
    late = time_s > start_s + AFTER_S / 2
    explained = float(product[late].sum()) ** 2 / max(float(energy[late].sum()), 1e-300)
    rest = float(total[late].sum()) - explained
    rest = rest / max(1, int(np.count_nonzero(late)))
    noise = min(noise, rest) * int(np.count_nonzero(~late))
    # What the wave does not explain of the held note is no sign of a second attack.
    noise += rest * int(np.count_nonzero(time_s > start_s))
    block_s = size / whole.rate
    misfit = max(rest - whole.floor * block_s, 0.0) / (wave.power * block_s)
    base = float(total.sum())
    left_s = max(found.left - noise, 0.0) / wave.power
    return Attack(
        found.onset_s, found.tau_s, left_s, time_s, product, energy, base, noise, wave.power, misfit
    )


@dataclass(frozen=True, eq=False)
class _Found:
    """One attack as fitted to blocks: what it leaves, and the noise of a block before it."""

    onset_s: float
    tau_s: float
    left: float
    noise: float
    time_s: Real
    product: Real
    energy: Real
    total: Real

    @classmethod
    def of(cls, t: Real, x: Real, w: Real, size: int, start_s: float) -> _Found:
        step_s = float(t[1] - t[0])
        product, energy, total = (
            v.reshape(-1, size).sum(axis=1) * step_s for v in (x * w, w * w, x * x)
        )
        time_s = t.reshape(-1, size).mean(axis=1)
        noise = _noise(total[time_s < start_s - QUIET_LEAD_S])
        near = time_s > start_s - REACH_S
        time_s, product, energy, total = (v[near] for v in (time_s, product, energy, total))
        one = _one(time_s, product, energy, float(total.sum()), start_s)
        return cls(*one, noise, time_s, product, energy, total)


def _settling(t: Real, x: Real, w: Real, onset_s: float, tau_s: float) -> Real | None:
    """Return how the middle of the wave settles behind a coupling capacitor; None: not seen.

    A wave that begins anywhere but at its mean moves that, and the coupling of an input takes it
    back to zero with its time constant: a note of 50 Hz behind 5 Hz begins up to a tenth of its
    amplitude off.
    """
    since = t - onset_s
    own = since > max(SETTLES_AFTER_S, 5 * tau_s)
    if np.count_nonzero(own) < FEWEST_BLOCKS:
        return None
    y, wave = x[own], w[own]
    rest = y - wave * float(y @ wave) / max(float(wave @ wave), 1e-300)
    best, best_left = None, SETTLES_LEAVES * float(rest @ rest)
    for settles_s in COUPLINGS_S:
        fade = np.exp(-since / settles_s)
        a = np.stack([wave, fade[own]], axis=1)
        solved, *_ = np.linalg.lstsq(a, y, rcond=None)
        left = float(np.sum((y - a @ solved) ** 2))
        if left < best_left:
            best, best_left = np.where(since > 0, float(solved[1]) * fade, 0.0), left
    return best


def second_attack(attack: Attack, tau_s: float) -> Touch:
    """Fit a touch and a second attack to an onset.

    Parameters
    ----------
    attack : Attack
        The onset.
    tau_s : float
        Time constant of the attack of the other keys.

    Returns
    -------
    Touch
        A touch that lifts the level part of the way, lets it fall for 1.5 to 44 ms and charges it
        again; with a slow release that is a plateau, no dip.
    """
    time, product, energy = attack.time_s, attack.product, attack.energy
    best, start = Touch(attack.onset_s, 0.0, 0.0, math.inf), (tau_s, FALLS_S[0])
    seconds = attack.onset_s + np.arange(-0.006, 0.0265, 0.0005)
    later = time[None, :] - seconds[:, None]
    after = np.maximum(later, 0)
    for rise in tau_s * np.array(USUAL_RISE):
        off = np.exp(-after / rise)
        on = 1 - off
        on_on, on_x = (on**2) @ energy, on @ product
        for fall in FALLS_S:
            for wait in np.arange(LEAST_OPEN_S, MOST_OPEN_S, 0.001):
                since = later + wait
                lifted = -np.expm1(-np.maximum(since, 0) / min(rise, TOUCH_RISE_S))
                touch = lifted * np.exp(-np.clip(since, 0, wait) / fall) * off
                t_t, t_x, t_on = (touch**2) @ energy, touch @ product, (touch * on) @ energy
                det = np.maximum(on_on * t_t - t_on**2, 1e-300)
                full = (on_x * t_t - t_x * t_on) / det
                level = (t_x * on_on - on_x * t_on) / det
                left = attack.base - full * on_x - level * t_x
                left[~((level > LEAST_TOUCH * full) & (level < 1.05 * full))] = math.inf
                i = int(np.argmin(left))
                left_s = max(float(left[i]) - attack.noise, 0.0) / attack.power
                if left_s < best.left_s:
                    onset = float(seconds[i] - wait)
                    best = Touch(onset, float(wait), float(level[i] / full[i]), left_s)
                    start = rise, fall
    return _refined(attack, best, *start, tau_s) if math.isfinite(best.left_s) else best


def _refined(attack: Attack, touch: Touch, rise: float, fall: float, tau_s: float) -> Touch:
    """Fit the capacitor that both attacks charge, from the nearest of the grid on."""

    def left(free: Real) -> float:
        onset = attack.onset_s + 1e-3 * float(free[0])
        contact, wait, up, down = (math.exp(f) for f in free[1:])
        inside = contact < MOST_CONTACT_S and contact + 0.5e-3 < wait < MOST_OPEN_S
        if not (inside and 0.4 < up / tau_s < 2.5 and RELEASES_S[0] < down < RELEASES_S[1]):
            return math.inf
        since = attack.time_s - onset
        level = -math.expm1(-contact / up)
        held = level * math.exp(-(wait - contact) / down)
        gain = np.where(since > 0, -np.expm1(-np.maximum(since, 0) / up), 0.0)
        falls = level * np.exp(-np.clip(since - contact, 0, None) / down)
        gain = np.where(since > contact, falls, gain)
        again = 1 - (1 - held) * np.exp(-np.clip(since - wait, 0, None) / up)
        gain = np.where(since > wait, again, gain)
        norm = float(gain**2 @ attack.energy)
        rest = attack.base - float(gain @ attack.product) ** 2 / max(norm, 1e-300)
        return max(rest - attack.noise, 0.0) / attack.power

    full = min(max(touch.level, 0.1), 0.98)
    contact = min(max(-rise * math.log1p(-full), 3e-4), MOST_CONTACT_S / 1.1, touch.open_s / 2)
    begin = np.array(
        [1e3 * (touch.onset_s - attack.onset_s), *np.log([contact, touch.open_s, rise, fall])]
    )
    steps = np.diag([0.3, 0.3, 0.1, 0.15, 0.5])
    found = optimize.minimize(
        left,
        begin,
        method="Nelder-Mead",
        options={
            "initial_simplex": np.vstack([begin, begin + steps]),
            "maxfev": 400,
            "xatol": 1e-3,
            "fatol": 1e-8,
        },
    )
    if not found.fun < touch.left_s:
        return touch
    onset = attack.onset_s + 1e-3 * float(found.x[0])
    contact, wait, up = (math.exp(f) for f in found.x[1:4])
    return Touch(onset, wait, -math.expm1(-contact / up), float(found.fun))


def _noise(lead: Real) -> float:
    """Energy of a block before the onset, in the quietest 5 ms there."""
    size = round(0.005 / BLOCK_S)
    count = lead.size // size
    if not count:
        return 0.0
    return float(lead[: count * size].reshape(count, size).mean(axis=1).min())


def _left(shapes: Real, product: Real, energy: Real, base: float) -> Real:
    """Return what is left of the sound after the best multiple of each shape, shape (n,)."""
    pull = shapes @ product
    norm = (shapes**2) @ energy
    out: Real = base - np.where(norm > 0, pull**2 / np.maximum(norm, 1e-300), 0.0)
    return out


def _one(
    time: Real, product: Real, energy: Real, base: float, near_s: float
) -> tuple[float, float, float]:
    """Onset and time constant of one attack, and what it leaves."""
    starts = np.arange(near_s - 0.025, near_s + 0.03, 0.001)
    best = (near_s, 0.001, math.inf)
    for step in (0.001, 0.00025, 0.0000625):
        since = time[None, None, :] - starts[:, None, None]
        shapes = -np.expm1(-np.maximum(since, 0) / RISES_S[None, :, None])
        left = _left(shapes.reshape(-1, time.size), product, energy, base)
        at = int(np.argmin(left))
        i, j = divmod(at, RISES_S.size)
        best = (float(starts[i]), float(RISES_S[j]), float(left[at]))
        starts = best[0] + step / 4 * np.arange(-6, 7)
    return best
