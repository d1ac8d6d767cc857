import shutil

import pytest

from sigkit.errors import InputError
from sigkit.evidence.job import open_job
from sigkit.evidence.run import measure_takes


def settings(folder, text):
    (folder / "job.toml").write_text(text, encoding="utf-8")
    return folder


def test_a_folder_needs_no_settings(job_folder):
    job = open_job(job_folder)
    assert [stage.name for stage in job.stages] == ["before", "after"]
    assert [take.key for take in job.takes] == [
        "before/slider-noise-half.wav",
        "before/slider-release.wav",
        "before/slider-volume-t1.wav",
        "before/slider-volume-t2.wav",
        "after/slider-release.wav",
        "after/slider-volume-t1.WAV",
        "after/slider-volume-t2.WAV",
    ]
    assert job.problems == ()
    assert "7 captures" in str(job)


def test_evidence_and_hidden_folders_are_no_stages(job_folder, fake_slider):
    for name in ("evidence", "evidence-1", ".hidden"):
        fake_slider.tone(job_folder / name / "slider-volume.wav", 0.5)
    (job_folder / "after" / ".slider-trash.wav").write_bytes(b"")
    job = open_job(job_folder)
    assert [stage.name for stage in job.stages] == ["before", "after"]
    assert len(job.takes) == 7
    assert job.problems == ()


def test_every_wrong_file_is_reported_and_stops_no_other(job_folder):
    for wrong in (
        "slider-loose.wav",
        "before/sldier-volume.wav",
        "before/deeper/slider-volume.wav",
        "before/slider-volume-t02.wav",
        "after/slider-release.W64",
        "after/slider-volume.mp3",
    ):
        path = job_folder / wrong
        path.parent.mkdir(exist_ok=True)
        shutil.copy(job_folder / "after/slider-release.wav", path)
    (job_folder / "after" / "notes.txt").write_text("not a capture")
    job = open_job(job_folder)
    problems = {error.where: (error.problem, error.remedy) for error in job.problems}
    assert "outside every stage" in problems["slider-loose.wav"][0]
    assert "Did you mean 'slider-volume.wav'" in problems["before/sldier-volume.wav"][1]
    assert "deeper" in problems["before/deeper/slider-volume.wav"][0]
    assert "already has this take" in problems["before/slider-volume-t2.wav"][0]
    assert "already has this take" in problems["after/slider-release.wav"][0]
    assert "must be a WAV file" in problems["after/slider-volume.mp3"][0]
    assert len(problems) == 6
    assert len(job.takes) == 7


@pytest.mark.parametrize(
    ("text", "problem", "remedy"),
    [
        ("unti = 'K14'", "Unknown key 'unti'", "Did you mean 'unit'"),
        ("unit = 14", "unit must be a text; got 14", ""),
        ("mains_hz = '50'", "mains_hz must be a number", "without quotation marks"),
        ("mains_hz = true", "mains_hz must be a number", ""),
        ("keys = nan", "keys must be a whole number", ""),
        ("clock_ppm = inf", "clock_ppm must be a number", ""),
        ("unit = ", "not valid TOML", "key = value"),
        ("[stages.befor]\nroom_c = 20", "stage 'befor'", "Did you mean 'before'"),
        ("[stages.x]\nroom_c = 20", "stage 'x'", 'reason = "not safe to power"'),
        ("[stages.before]\nroom = 20", "Unknown key 'room'", "room_c"),
        ("[stages.before.rails_v]\nplus = 'x'", "rails_v.plus must be a number", ""),
        ("[stages]\nbefore = 1", "stages.before must be a table", "[stages.before]"),
        ("[options.warmpu]\nband_cents = 1", "no bench test named 'warmpu'", "'warmup'"),
        ("[options.warmup]\nband = 1", "Unknown key 'band'", "band_cents"),
        ("[options.warmup]\nband_cents = 'x'", "band_cents must be a number", ""),
        ("[limits.warmup]\nsettle = 1", "Unknown key 'settle'", "settling_time"),
        ("[limits.warmup]\nsettling_time = 'x'", "settling_time must be a number", ""),
        ("[captures.'before/slider-volum-t1.wav']\nchannel = 0", "no capture", "slider-volume-t1"),
        ("[captures.'before/slider-release']\nchanel = 0", "Unknown key 'chanel'", "channel"),
        ("[captures.'before/slider-release']\nchannel = 0.5", "channel must be a whole", ""),
        ("[captures.'before/slider-release']\nband_cents = 1", "Unknown key 'band_cents'", ""),
        ("[captures.'before/slider-release']\npower_on_latest_s = 1", "power-on time", "both"),
    ],
)
def test_wrong_settings_are_refused_with_a_suggestion(job_folder, text, problem, remedy):
    with pytest.raises(InputError) as error:
        open_job(settings(job_folder, text))
    assert problem in error.value.problem
    assert remedy in error.value.remedy
    assert "job.toml" in error.value.where
    assert len(str(error.value).splitlines()) == 3


def test_a_stage_without_captures_needs_a_reason(job_folder):
    shutil.rmtree(job_folder / "before")
    (job_folder / "before").mkdir()
    with pytest.raises(InputError, match="no captures") as error:
        open_job(job_folder)
    assert 'reason = "not safe to power"' in error.value.remedy
    settings(job_folder, '[stages.before]\nreason = "not safe to power"')
    assert open_job(job_folder).stages[0].reason == "not safe to power"
    (job_folder / "before").rmdir()
    assert [stage.name for stage in open_job(job_folder).stages] == ["before", "after"]


def test_nearest_setting_wins_and_the_rest_reaches_the_measure(job_folder, fake_slider):
    fake_slider.tone(job_folder / "after/warmup-osc.wav", 0.5)
    fake_slider.tone(job_folder / "before/warmup-osc.wav", 0.5)
    job = open_job(
        settings(
            job_folder,
            "\ufeffunit = 'K14'\nmains_hz = 50\npower_on_s = 2\nclock_ppm = 3.5\n"
            "[options.warmup]\nband_cents = 3\n"
            "[captures.'after/warmup-osc.wav']\nband_cents = 4\nchannel = 0\n"
            "power_on_earliest_s = -900\npower_on_latest_s = -300\n"
            "[stages.before]\ndate = 2024-02-03\nroom_c = 21.5\nrails_v = {plus = 15.01}\n",
        )
    )
    options = {take.key: (dict(take.options), take.power_on_width_s) for take in job.takes}
    assert options["before/warmup-osc.wav"] == ({"power_on_s": 2, "band_cents": 3}, 0.0)
    assert options["after/warmup-osc.wav"] == ({"power_on_s": -600, "band_cents": 4}, 600.0)
    assert options["after/slider-release.wav"] == ({}, 0.0)
    channels = {take.key: take.channel for take in job.takes}
    assert channels["after/warmup-osc.wav"] == 0
    assert channels["before/warmup-osc.wav"] is None
    before = job.stages[0]
    assert (before.date, before.room_c, before.rails_v) == ("2024-02-03", 21.5, {"plus": 15.01})


def test_places_that_are_no_job(tmp_path):
    with pytest.raises(InputError, match="no such job folder"):
        open_job(tmp_path / "none")
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="not a folder"):
        open_job(tmp_path / "file")
    with pytest.raises(InputError, match="no stages"):
        open_job(tmp_path)


def test_a_bug_is_not_swallowed(job_folder, monkeypatch, fake_slider):
    def broken(capture, **options):
        raise ZeroDivisionError(capture, options)

    monkeypatch.setattr(fake_slider, "measure_level", broken)
    with pytest.raises(ZeroDivisionError):
        open_job(job_folder).measure(progress=False)


def test_outcomes_keep_the_order_of_the_takes(job_folder):
    takes = open_job(job_folder).takes
    outcomes = measure_takes(takes, progress=False)
    assert [outcome.take for outcome in outcomes] == list(takes)
    alone = measure_takes(takes[2:3], progress=False)[0]
    assert alone.result.worst_level.value == outcomes[2].result.worst_level.value
