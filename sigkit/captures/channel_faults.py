"""Channels that hold the same, or hold what the other should."""

from __future__ import annotations

import math

import numpy as np

from sigkit.captures.problem import ALL_TESTS, Problem
from sigkit.captures.survey import Survey

ALIKE = 0.99999
"""Correlation from which two channels hold one sound."""
TONE_SHARE, NO_TONE_SHARE = 0.4, 0.1
TONE_DB = 17.0
EMPTY_DBFS = -80.0
ON_KEYS = ("envelope", "glide", "slider", "keyboard")
"""Tests that may have a key, a gate or the cue on the second channel."""


def channel_faults(survey: Survey, test: str | None) -> list[Problem]:
    """Return the same sound on both channels, and sound on the channel of the key or cue."""
    if survey.other_channel < 0 or len(survey.power) < 4:
        return []
    return [*_alike(survey, test), *_swapped(survey)]


def _alike(survey: Survey, test: str | None) -> list[Problem]:
    own, other, both = survey.products.tolist()
    if own <= 0 or other <= 0:
        return []
    likeness = both / math.sqrt(own * other)
    if not survey.same and abs(likeness) < ALIKE:
        return []
    gain_db = 10 * math.log10(other / own)
    how = "sample for sample" if survey.same else f"{gain_db:+.1f} dB"
    how += ", turned over" if likeness < 0 else ""
    remedy = "None needed, unless a key, gate or cue belongs on the second channel."
    if test in ON_KEYS:
        remedy = "If a key, gate or cue belongs on channel 1, check its cable and input."
    return [
        Problem("mono in stereo", "both channels", f"the same sound, {how}", (), remedy, "remark")
    ]


def _swapped(survey: Survey) -> list[Problem]:
    own, other = survey.channel, survey.other_channel
    level = 10 * np.log10(np.maximum(2 * survey.power, 1e-20))
    top = np.percentile(level, 95, axis=0)
    if top[own] < EMPTY_DBFS:
        return []
    loud = level > np.maximum(top - 30, EMPTY_DBFS)
    if loud[:, own].sum() < 4 or loud[:, other].sum() < 4 or top[other] < -60:
        return []
    tonal = survey.contrast_db > TONE_DB
    mine = tonal[loud[:, own], 0].mean()
    periodic = (survey.clarity[loud[:, own]] > 0.8).mean()
    theirs = tonal[loud[:, other], 1].mean()
    if mine > NO_TONE_SHARE or periodic > NO_TONE_SHARE + 0.2 or theirs < TONE_SHARE:
        return []
    how = f"channel {other} holds a tone at {top[other]:.0f} dBFS, channel {own} none"
    remedy = f"Open the file with channel={other}; in job.toml: channel = {other}."
    where = f"channel {own} (counted from 0)"
    return [Problem("wrong channel", where, how, ALL_TESTS, remedy, "record again")]
