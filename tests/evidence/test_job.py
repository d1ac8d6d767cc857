import os
import shutil
from pathlib import Path

import pytest

from sigkit.errors import InputError
from sigkit.evidence.job.folder import open_job
from sigkit.evidence.job.public_settings import public_settings, settings_from
from sigkit.evidence.run.takes import measure_takes


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
    ("text", "problem", "remedy", "place"),
    [
        ("unit = 14", "unit must be a text", "texts in quotation marks", "job.toml, unit"),
        ("stages = 2", "stages must be a table", "[stages.NAME]", "job.toml, stages"),
        (
            *("[stages]\nbefore = 1", "stages.before must be a table", "[stages.before]"),
            "job.toml, [stages], before",
        ),
        ("private = 2", "private must be a table", "[private]", "job.toml, private"),
        ("mains_hz = 0", "mains_hz must be from 40 to 70; got 0", "50 or 60", "job.toml, mains_hz"),
        ("mains_hz = -50", "from 40 to 70", "hertz", "job.toml, mains_hz"),
        ("mains_hz = 500", "from 40 to 70", "hertz", "job.toml, mains_hz"),
        ("clock_ppm = 0", "clock_ppm must be above 0", "parts per million", "job.toml, clock_ppm"),
        ("keys = 0", "keys must be 1 or more", "number of keys", "job.toml, keys"),
        ("lowest_key = 'H2'", "a MIDI note number from 0", "F#3", "job.toml, lowest_key"),
        ("lowest_key = 'G#9'", "a MIDI note number from 0", "F#3", "job.toml, lowest_key"),
        ("lowest_key = 128", "a MIDI note number from 0", "F#3", "job.toml, lowest_key"),
        ("lowest_key = 2.5", "lowest_key must be a text or a whole", "F#3", "job.toml, lowest_key"),
        (
            *("[stages.before]\nroom_c = 210", "room_c must be from -30 to 60", "Celsius"),
            "job.toml, [stages.before], room_c",
        ),
        (
            *("[stages.before]\ndate = '2.3.2026'", "date must be a date", "date = 2026-03-02"),
            "job.toml, [stages.before], date",
        ),
        (
            *("[stages.before]\ndate = 2026", "date must be a date", "date = 2026-03-02"),
            "job.toml, [stages.before], date",
        ),
        (
            *("[stages.before]\nrails_v = 15", "must be a table", "[stages.before.rails_v]"),
            "job.toml, [stages.before], rails_v",
        ),
        (
            *("[stages.before]\nreason = 'none'", "has captures, and a reason", "or the captures"),
            "job.toml, [stages.before], reason",
        ),
        (
            *("[limits.warmup]\nsettling_time = { source = 'service document' }", "limit itself"),
            "source =",
            "job.toml, [limits.warmup.settling_time]",
        ),
        (
            *("[limits.warmup]\nsettling_time = '900'", "must be a number", "without quotation"),
            "job.toml, [limits.warmup], settling_time",
        ),
        (
            *("[limits.stability]\nfrequency = 3", "never held against a limit", "spread, drift"),
            "job.toml, [limits.stability], frequency",
        ),
        (
            *("[limits.warmup]\ntotal_drift = -15", "must be above 0", "in cents"),
            "job.toml, [limits.warmup], total_drift",
        ),
        (
            "[limits.slider]\nevent_rate = 0",
            "above 0",
            "1/s",
            "job.toml, [limits.slider], event_rate",
        ),
    ],
)
def test_values_without_sense_are_refused_with_their_place(
    job_folder, text, problem, remedy, place
):
    with pytest.raises(InputError) as error:
        open_job(settings(job_folder, text))
    assert problem in error.value.problem
    assert remedy in error.value.remedy
    assert error.value.where == place
    assert len(str(error.value).splitlines()) == 3


def test_values_at_the_edge_of_sense_are_taken(job_folder):
    """MIDI note 0 is C-1 and 127 is G9, with middle C, note 60, as C4; common practice."""
    for key in ("'C2'", "'f#3'", "'Bb-1'", "'C-1'", "'G9'", "0", "127"):
        job = open_job(settings(job_folder, f"lowest_key = {key}\nmains_hz = 40\nkeys = 1"))
        assert job.settings.wide["mains_hz"] == 40
    settings(
        job_folder,
        "mains_hz = 70.0\nclock_ppm = 0.1\n[limits.slider]\nworst_level = -60\n"
        "[stages.before]\nroom_c = -30\ndate = '2026-03-02'\n"
        "[stages.after]\nroom_c = 60\ndate = 2026-03-09\n",
    )
    assert [stage.date for stage in open_job(job_folder).stages] == ["2026-03-02", "2026-03-09"]


def test_a_stray_folder_is_an_error_that_says_to_move_it(job_folder):
    (job_folder / "my photos").mkdir()
    with pytest.raises(InputError, match="no captures") as error:
        open_job(job_folder)
    assert error.value.where == "my photos"
    assert "move the folder elsewhere" in error.value.remedy
    assert '[stages."my photos"]' in error.value.remedy


def test_what_is_not_a_regular_file_is_refused_and_links_are_followed(job_folder):
    os.mkfifo(job_folder / "before/stability-pipe.wav")
    (job_folder / "before/stability-folder.wav").mkdir()
    (job_folder / "before/stability-nothing.wav").symlink_to(job_folder / "none.wav")
    (job_folder / "before/stability-device.wav").symlink_to("/dev/zero")
    (job_folder / "before/slider-link.wav").symlink_to(job_folder / "before/slider-release.wav")
    job = open_job(job_folder)
    told = {error.where: error.problem for error in job.problems}
    for name, what in (
        ("pipe", "not a regular file"),
        ("folder", "a folder"),
        ("nothing", "a link to nothing"),
        ("device", "not a regular file"),
    ):
        expected = f"A capture must be a WAV file; this is {what}."
        assert told.pop(f"before/stability-{name}.wav") == expected
    assert told == {}
    assert all(len(str(error).splitlines()) == 3 for error in job.problems)
    evidence = job.measure(progress=False)
    assert len(evidence.capture_list()) == 8
    assert all(outcome.used for outcome in evidence.outcomes)


def test_settings_in_a_pipe_are_refused(job_folder):
    os.mkfifo(job_folder / "job.toml")
    with pytest.raises(InputError, match="not a regular file"):
        open_job(job_folder)


def test_a_pipe_that_took_a_captures_place_does_not_hang(job_folder):
    take = open_job(job_folder).takes[0]
    take.path.unlink()
    os.mkfifo(take.path)
    (outcome,) = measure_takes([take], progress=False)
    assert "not a regular file" in outcome.reason


@pytest.mark.parametrize(
    ("suffix", "remedy"),
    [
        ("flac", "Export it as WAV without changing rate or level, and keep the original."),
        ("aiff", "Export it as WAV without changing rate or level, and keep the original."),
        ("AIF", "Export it as WAV without changing rate or level, and keep the original."),
        ("mp3", "Record WAV: a compressed copy no longer shows what was recorded."),
        ("m4a", "Record WAV: a compressed copy no longer shows what was recorded."),
    ],
)
def test_other_kinds_of_sound_are_refused_by_kind(job_folder, suffix, remedy):
    (job_folder / f"before/slider-other.{suffix}").write_bytes(b"sound")
    (problem,) = open_job(job_folder).problems
    assert "WAV file" in problem.problem
    assert problem.remedy == remedy


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


def test_a_stage_that_may_not_be_read_is_not_taken_for_an_empty_one(job_folder, monkeypatch):
    real = Path.iterdir

    def refused(path):
        if path.name == "after":
            raise PermissionError(13, "Permission denied")
        return real(path)

    monkeypatch.setattr(Path, "iterdir", refused)
    with pytest.raises(InputError, match="cannot be read: Permission denied"):
        open_job(job_folder)


@pytest.mark.parametrize(
    ("tests", "problem", "remedy"),
    [
        ('["slidr"]', "no bench test named 'slidr'", "Did you mean 'slider'"),
        ('["slider-volme"]', "no capture of 'slider-volme'", "Did you mean 'slider-volume'"),
        ("[7]", "must be a text", "quotation marks"),
        ('"slider"', "must be a list", "complaint_tests"),
    ],
)
def test_what_the_complaint_names_must_be_there(job_folder, tests, problem, remedy):
    with pytest.raises(InputError) as caught:
        open_job(settings(job_folder, f"[report]\ncomplaint_tests = {tests}\n"))
    assert problem in caught.value.problem
    assert remedy in f"{caught.value.where} {caught.value.remedy}"
    assert len(str(caught.value).splitlines()) == 3


def test_the_complaint_is_read(job_folder):
    text = 'complaint = "it crackles"\ncomplaint_tests = ["slider-volume", "warmup"]\n'
    job = open_job(settings(job_folder, f"[report]\n{text}"))
    assert job.settings.report == {"complaint": "it crackles"}
    assert job.settings.complaint_tests == ("slider-volume", "warmup")
    assert settings_from(public_settings(job.settings)) == job.settings


def test_what_the_report_says_of_itself_is_read_and_checked(job_folder):
    """A date of TOML and one in words alike; what is private has no place there."""
    job = open_job(
        settings(job_folder, '[report]\nby = "bench 2"\nissued = 2026-03-24\nreceived = "March"\n')
    )
    assert job.settings.report == {"by": "bench 2", "issued": "2026-03-24", "received": "March"}
    for text, what in (('isued = "x"', "issued"), ('owner = "x"', "report"), ("by = 3", "by")):
        with pytest.raises(InputError) as caught:
            open_job(settings(job_folder, f"[report]\n{text}\n"))
        assert what in f"{caught.value.problem} {caught.value.where} {caught.value.remedy}"


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
    options = {take.key: (dict(take.options), take.power_on_s) for take in job.takes}
    assert options["before/warmup-osc.wav"] == ({"band_cents": 3}, (2, 2))
    assert options["after/warmup-osc.wav"] == ({"band_cents": 4}, (-900, -300))
    assert options["after/slider-release.wav"] == ({}, None)
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


def test_a_bug_is_said_and_does_not_stop_the_others(job_folder, monkeypatch, fake_slider):
    real = fake_slider.measure_level

    def broken(capture, **options):
        if capture.path.name == "slider-release.wav":
            raise ZeroDivisionError("nothing to divide by")
        return real(capture, **options)

    monkeypatch.setattr(fake_slider, "measure_level", broken)
    evidence = open_job(job_folder).measure(progress=False)
    assert sum(outcome.used for outcome in evidence.outcomes) == 5
    told = {problem.where: problem for problem in evidence.problems}
    assert set(told) == {"before/slider-release.wav", "after/slider-release.wav"}
    for problem in told.values():
        assert problem.lost
        assert "ZeroDivisionError: nothing to divide by (evidence/test_job.py, " in problem.problem
        assert "mistake in sigkit" in problem.remedy


def test_outcomes_keep_the_order_of_the_takes(job_folder):
    takes = open_job(job_folder).takes
    outcomes = measure_takes(takes, progress=False)
    assert [outcome.take for outcome in outcomes] == list(takes)
    alone = measure_takes(takes[2:3], progress=False)[0]
    assert alone.result.worst_level.value == outcomes[2].result.worst_level.value
