"""Glide results made by hand from their times: what a measure would hand on, truth known."""

from hashlib import sha256
from pathlib import Path

import numpy as np
import pandas as pd

from sigkit.evidence.evidence import Evidence
from sigkit.evidence.job.folder import Job, Stage, Take
from sigkit.evidence.job.names import CaptureName
from sigkit.evidence.job.settings import Settings
from sigkit.evidence.run.takes import File, Outcome
from sigkit.measures.glide.curve import Curve
from sigkit.measures.glide.measure import FAULT_COLUMNS, GLIDE_COLUMNS, GlideResult
from sigkit.measures.result import Source
from sigkit.quantity import Term, combine, not_measurable

OTHERS = {
    "time_up": "s",
    "time_down": "s",
    "up_down_difference": "%",
    "repeat_spread": "%",
    "time_constant": "s",
    "time_to_5_cents": "s",
    "landing_error": "cents",
    "overshoot": "cents",
    "glitches": "",
}


def glided(
    time_s=None,
    *,
    relative=0.01,
    at_most_s=None,
    reason="the tone stops",
    cents=2400.0,
    glitches=(0,),
):
    """Return a result with one time, or a bound of it, or the reason why there is none.

    ``glitches``: the steps and plateaux of each of its glides.
    """
    row = dict.fromkeys(GLIDE_COLUMNS, float("nan")) | {"law": "exponential", "glitches": 0}
    row |= {"interval_cents": cents, "reason": ""}
    if time_s is not None:
        row |= {"glide_time_s": time_s, "u_glide_time_s": relative * time_s}
        time = combine(time_s, "s", [Term("scatter of the marks", relative * time_s, "A")])
    else:
        reason = f"at most {1000 * at_most_s:.2g} ms" if at_most_s is not None else reason
        time = not_measurable("s", reason)
        row |= {"reason": reason, "law": ""}
        row |= {"at_most_s": at_most_s} if at_most_s is not None else {}
    return GlideResult(
        source=Source(name="glide-portamento.wav", rate=48000, channel=0, duration_s=10.0),
        settings={},
        glide_time=time,
        **{name: not_measurable(unit, "not in the fake") for name, unit in OTHERS.items()},
        glides=pd.DataFrame([row | {"glitches": n} for n in glitches], columns=list(GLIDE_COLUMNS)),
        faults=pd.DataFrame(columns=list(FAULT_COLUMNS)),
        curves=(_curve(time_s or 0.01, cents),),
    )


def _curve(time_s, cents):
    """A single pole: ln 9 time constants from 10 to 90 %."""
    t = np.linspace(-0.2, 3, 200) * time_s
    pitch = -cents * np.expm1(-np.maximum(t, 0) * np.log(9) / time_s)
    return Curve(t, pitch, np.full_like(t, 0.1))


def evidence_of(stages, *, subject="portamento"):
    """Return the evidence of a job: by stage, results by the name of their setting.

    A list of results are takes of one setting.
    """
    takes, outcomes = [], []
    for stage, found in stages.items():
        for setting, results in found.items():
            listed = results if isinstance(results, list) else [results]
            for number, result in enumerate(listed, start=1):
                name = CaptureName("glide", subject, setting, number)
                path = Path(f"/nowhere/{stage}/glide-{subject}-{setting}-t{number}.wav")
                takes.append(Take(stage, name, path))
                file = File(takes[-1].key, sha256(takes[-1].key.encode()).hexdigest(), 44)
                outcomes.append(Outcome(takes[-1], result, files=(file,)))
    job = Job(Path("/nowhere"), Settings(), tuple(map(Stage, stages)), tuple(takes))
    return Evidence.of(job, outcomes)
