import dataclasses
import io
import warnings

import numpy as np
import pytest
from PIL import Image

from sigkit.evidence.job import Stage, Take, open_job
from sigkit.evidence.names import CaptureName
from sigkit.evidence.pictures import draw_groups, draw_stages, shown_takes
from sigkit.evidence.rows import comparable
from sigkit.evidence.run import Outcome
from sigkit.measures.result import Result, Source
from sigkit.quantity import Quantity


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Tone(Result):
    test = "stability"
    frequency: Quantity


def outcome(stage, frequency_hz=220.0, **options):
    tone = Tone(
        source=Source(name="x.wav", rate=8000, channel=0, duration_s=1.0),
        settings={},
        frequency=Quantity(frequency_hz, 0.01, "Hz"),
    )
    take = Take(stage, CaptureName("stability", "x"), None, options=options)
    return Outcome(take, tone, sha256=f"{stage}{frequency_hz}", duration_s=1.0)


@pytest.mark.parametrize(("cents", "same"), [(90, True), (-90, True), (110, False), (-110, False)])
def test_notes_more_than_a_semitone_apart_are_not_compared(cents, same):
    """A semitone is 100 cents by definition (equal temperament)."""
    stages = Stage("before", room_c=20.0), Stage("after", room_c=22.9)
    notes = [outcome("before")], [outcome("after", 220.0 * 2 ** (cents / 1200))]
    why, remarks = comparable("stability", *stages, *notes)
    assert (why == "") == same
    assert remarks == ()


def test_unknown_rooms_and_unequal_lengths_are_remarks():
    first, last = outcome("before"), dataclasses.replace(outcome("after", 221.0), duration_s=2.0)
    why, remarks = comparable("warmup", Stage("before"), Stage("after"), [first], [last])
    assert why == ""
    assert remarks == (
        "room temperature not given for both stages",
        "captures of 1 s and 2 s compared",
    )


def test_power_on_times_may_differ():
    first, last = outcome("before", power_on_s=1.0), outcome("after", 221.0, power_on_s=2.0)
    stages = Stage("before", room_c=20.0), Stage("after", room_c=20.0)
    assert comparable("warmup", *stages, [first], [last]) == ("", ())


def test_the_first_take_of_each_stage_is_drawn(job_folder):
    evidence = open_job(job_folder).measure(progress=False)
    shown = shown_takes(evidence, ("slider", "volume", ""))
    assert [o.take.key for o in shown] == [
        "before/slider-volume-t1.wav",
        "after/slider-volume-t1.WAV",
    ]


def test_stages_share_their_scales(job_folder, monkeypatch):
    axes = []
    evidence = open_job(job_folder).measure(progress=False)
    plot = type(evidence.outcomes[0].result).plot

    def remember(result, ax=None):
        axes.append(ax)
        return plot(result, ax)

    monkeypatch.setattr(type(evidence.outcomes[0].result), "plot", remember)
    monkeypatch.setattr("sigkit.evidence.pictures._overlay", lambda _: None)
    draw_stages(shown_takes(evidence, ("slider", "volume", "")))
    before, after = axes
    assert before.get_ylim() == after.get_ylim()
    assert before.get_xlim() == after.get_xlim()
    low, high = before.get_ylim()
    assert low < 0.05 < 0.5 < high
    assert [ax.get_title("left") for ax in axes] == ["before", "after"]


def test_pictures_are_pictures_without_dates(job_folder, monkeypatch):
    monkeypatch.setattr("sigkit.evidence.pictures._overlay", lambda _: None)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        pictures = draw_groups(open_job(job_folder).measure(progress=False))
    assert list(pictures) == ["slider-noise-half", "slider-release", "slider-volume"]
    image = Image.open(io.BytesIO(pictures["slider-volume"]))
    assert set(image.info) == {"dpi"}
    assert np.ptp(np.asarray(image.convert("L"))) > 200
    assert image.width >= 800
