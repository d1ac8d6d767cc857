import io
import warnings

import numpy as np
from PIL import Image

from sigkit.evidence.job.folder import open_job
from sigkit.evidence.report.pictures import draw_groups, draw_stages, shown_takes


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
    monkeypatch.setattr("sigkit.evidence.report.pictures._of_chart", lambda *_: None)
    draw_stages(shown_takes(evidence, ("slider", "volume", "")))
    before, after = axes
    assert before.get_ylim() == after.get_ylim()
    assert before.get_xlim() == after.get_xlim()
    low, high = before.get_ylim()
    assert low < 0.05 < 0.5 < high
    assert [ax.get_title("left") for ax in axes] == ["before", "after"]


def test_pictures_are_pictures_without_dates(job_folder, monkeypatch):
    monkeypatch.setattr("sigkit.evidence.report.pictures._of_chart", lambda *_: None)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        pictures = draw_groups(open_job(job_folder).measure(progress=False))
    assert list(pictures) == ["slider-noise-half", "slider-release", "slider-volume"]
    image = Image.open(io.BytesIO(pictures["slider-volume"]))
    assert set(image.info) == {"dpi"}
    assert np.ptp(np.asarray(image.convert("L"))) > 200
    assert image.width >= 800


def test_limits_of_the_job_are_drawn_with_their_source(sample_part):
    """The band of a level reaches up to the limit that the rows are held against."""
    from dataclasses import replace

    from matplotlib.figure import Figure

    from sigkit.charts.noise import beside_noise
    from sigkit.evidence.report.pictures import limits_of
    from sigkit.judging.limits import Limit

    own = Limit(-61.5, "dB", "set for this job")
    rows = tuple(
        replace(row, limit=own) if row.judged.quantity == "floor_re_tone" else row
        for row in sample_part.rows
    )
    evidence = replace(sample_part, rows=rows)
    group = ("noise", "output", "")
    limits = limits_of(evidence, group)
    assert limits["floor_re_tone"] == (-61.5, "set for this job")
    stages = {o.take.stage: o.result for o in shown_takes(evidence, group)}
    ax = beside_noise(stages, Figure().add_subplot(), limits=limits)
    edges = [band.get_paths()[0].vertices[:, 0].max() for band in ax.collections[-3:]]
    assert -61.5 in edges
    assert any("set for this job" in text.get_text() for text in ax.texts)
    bare = beside_noise(stages, Figure().add_subplot())
    assert not any("limit" in text.get_text() for text in bare.texts)
