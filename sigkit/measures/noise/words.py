"""What a reader of the noise test should know, in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from sigkit.captures.fitness import STEP
from sigkit.captures.remarks import spoken_span
from sigkit.captures.wav import Capture
from sigkit.measures.noise.numbers import QuietSum
from sigkit.measures.noise.spectrum import HIGHEST_HZ, noise_band_hz
from sigkit.measures.noise.tone import LEAST_S, FullTone

if TYPE_CHECKING:
    from sigkit.measures.noise.measure import SortedOut

MARGIN_DB = 3.0
"""One family is called the stronger where it is so by this much."""
NEAR_STEP_DB = 3.0
"""A floor so close to what rounding makes may be the recorder's."""
RARE = 4
LEAST_SWING_DB = 0.2
TOO_LOUD_DBFS, TOO_MUCH_DB = -50.0, 30.0


def why_nothing(sorted_out: SortedOut, capture: Capture) -> str:
    """Say why a capture has no quiet to be measured, and what to do."""
    if sorted_out.silent and not sorted_out.short_s:
        return (
            "digital silence: every sample is the same, so nothing came from a converter; check "
            "the input and switch off the recorder's gate"
        )
    return (
        f"the longest steady part has {sorted_out.short_s:.1f} s of {capture.duration_s:.1f} s, "
        f"{LEAST_S:g} s are needed; record 10 s with no key held"
    )


def hint_of(quiet: QuietSum) -> str:
    """Say what odd against even family may mean."""
    odd, even = quiet.answers["hum_odd"], quiet.answers["ripple"]
    if not odd.measurable and not even.measurable:
        return ""
    levels = [q.value if q.measurable else -math.inf for q in (odd, even)]
    by = abs(levels[0] - levels[1])
    much = f"by {by:.0f} dB" if math.isfinite(by) else "alone"
    if levels[1] > levels[0] + MARGIN_DB:
        return (
            f"even multiples of the mains are the stronger, {much}: a hint at ripple behind a "
            "rectifier (filter capacitors, regulator), no proof: test the supply under load"
        )
    if levels[0] > levels[1] + MARGIN_DB:
        return (
            f"odd multiples of the mains are the stronger, {much}: a hint at a loop or a field "
            "(leads, earth, transformer nearby), no proof: try a battery computer, other leads"
        )
    return (
        "odd and even multiples of the mains are about alike: distorted hum has both, so neither "
        "loop nor ripple is hinted at"
    )


def remarks_of(
    capture: Capture, sorted_out: SortedOut, quiet: QuietSum, tone: FullTone
) -> tuple[str, tuple[str, ...]]:
    """Return the hint, and every other remark."""
    out: list[str] = []
    parts = sorted_out.quiet
    seconds = math.fsum(p.seconds for p in parts)
    if parts:
        low, high = noise_band_hz(capture.rate)
        top = f"{high / 1000:.4g} kHz"
        less = "" if high >= HIGHEST_HZ else ", as far as the sample rate reaches"
        out.append(
            f"noise is that of {low:g} Hz to {top}{less}, lines of the mains left out, over "
            f"{seconds:.1f} s of quiet"
        )
    if any(p.mains.kind == "wrong rate" or p.mains.said for p in parts):
        out += list(dict.fromkeys(p.mains.said for p in parts if p.mains.said))
    out += _other_tones(quiet) + _above(capture, quiet)
    total = quiet.answers["total"]
    if any(p.mains.doubtful for p in parts) and total.value > TOO_LOUD_DBFS:
        out.append(
            f"what may be mains or a note has {total.value:.1f} dBFS: if a key was held, this is "
            "no idle noise, and nothing here speaks of hum"
        )
    if tone.where:
        out.append(f"relative to the tone at {tone.where}, at {tone.level.value:.1f} dBFS")
    out += _spans(sorted_out)
    bursts = [p for p in parts if p.bursts]
    if bursts:
        at = ", ".join(f"{(a + b) / 2:.1f}" for p in bursts for a, b in p.bursts[:RARE])
        out.append(
            f"short bursts, up to {max(p.loudest_db for p in bursts):.0f} dB over the rest, near "
            f"{at} s were left out: a switch or a refrigerator, or a fault of the instrument"
        )
    if quiet.excess_db > LEAST_SWING_DB:
        out.append(f"the noise is not steady: it swings by some {quiet.excess_db:.1g} dB")
    out += _recorder(capture, quiet)
    hint = hint_of(quiet)
    if hint and any(p.mains.doubtful for p in parts):
        hint = f"if it is the mains that is heard: {hint}"
    return hint, tuple(out)


def _other_tones(quiet: QuietSum) -> list[str]:
    floor, hiss = quiet.answers["floor"], quiet.answers["hiss"]
    out = []
    if floor.measurable and hiss.measurable and len(quiet.tones):
        first = quiet.tones.iloc[0]
        count = len(quiet.tones)
        if first["level_dbfs"] > max(TOO_LOUD_DBFS, hiss.value + TOO_MUCH_DB):
            out.append("a tone sounds all the time: this is no idle noise")
        if floor.value - hiss.value > max(0.1, 2 * floor.u):
            out.append(
                f"{count if count < 20 else '20 or more'} other tone(s), the strongest at "
                f"{first['frequency_hz']:.1f} Hz with {first['level_dbfs']:.1f} dBFS, are in the "
                f"floor; without them it is {hiss.value:.1f} dBFS"
            )
    own = [row for row in quiet.hum.itertuples() if str(row.remark).startswith("told apart")]
    if own:
        where = ", ".join(f"{row.frequency_hz:.1f}" for row in own)
        out.append(f"a tone close to the mains line at {where} Hz was told apart from it")
    own = [row for row in quiet.hum.itertuples() if str(row.remark).startswith("does not")]
    if own:
        where = ", ".join(f"{row.frequency_hz:.1f}" for row in own)
        out.append(
            f"at {where} Hz lies another tone, such as a note, on a line of the mains: left out of "
            "the families"
        )
    return out


def _above(capture: Capture, quiet: QuietSum) -> list[str]:
    """Say which steady lines lie above the band: no number counts them, and they do harm."""
    if not quiet.above:
        return []
    edge = noise_band_hz(capture.rate)[1]
    named = [
        f"{t.hz / 1000:.2f} kHz with {10 * math.log10(t.power):.1f} dBFS"
        for t in quiet.above[:RARE]
    ]
    more = f" and {len(quiet.above) - RARE} more" if len(quiet.above) > RARE else ""
    return [
        f"steady line(s) above the band, which ends at {edge / 1000:.4g} kHz: {', '.join(named)}"
        f"{more}; a switching supply, a monitor or a converter may make these; in no level here"
    ]


def _spans(sorted_out: SortedOut) -> list[str]:
    out = []
    if sorted_out.silent:
        length = math.fsum(b - a for a, b in sorted_out.silent)
        first = sorted_out.silent[0]
        out.append(
            f"{length:.1f} s of digital silence, the first from {spoken_span(*first)}, left "
            "out: no converter gives that"
        )
    if sorted_out.other and sorted_out.quiet:
        level = sorted_out.quiet[0].level_dbfs
        spans = ", ".join(
            f"{spoken_span(a, b)} ({other - level:+.0f} dB)"
            for a, b, other in sorted_out.other[:RARE]
        )
        out.append(f"parts of another level left out: {spans}")
    if sorted_out.left_s > 0:
        out.append(f"{sorted_out.left_s:.0f} s of further quiet not used")
    return out


def _recorder(capture: Capture, quiet: QuietSum) -> list[str]:
    """Say where the floor is no higher than what rounding to the file's step makes."""
    step, floor = STEP.get(capture.subtype), quiet.answers["hiss"]
    if step is None or not floor.measurable:
        return []
    rounding = 10 * math.log10(2 * step**2 / 12)
    # Dither makes rounding noise three times as strong.
    if floor.value > rounding + 10 * math.log10(3) + NEAR_STEP_DB:
        return []
    return [
        f"the floor is that of the file's own steps ({capture.subtype.replace('_', ' ')}): the "
        "instrument may be quieter; record with 24 bits or more gain"
    ]
