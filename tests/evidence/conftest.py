import contextlib
import importlib.util
import json
import shutil
import sys
from pathlib import Path

import joblib
import pytest
from reports import COMPLAINT

import sigkit
from sigkit.evidence.listing.kit import kit_of
from sigkit.evidence.report import pictures
from sigkit.measures import BenchTest

if "sigkit_fake" not in sys.modules:  # other rooms' tests use these fixtures too
    _spec = importlib.util.spec_from_file_location(
        "sigkit_fake", Path(__file__).with_name("fake.py")
    )
    sys.modules["sigkit_fake"] = importlib.util.module_from_spec(_spec)
    _spec.loader.exec_module(sys.modules["sigkit_fake"])
fake = sys.modules["sigkit_fake"]


@contextlib.contextmanager
def faked():
    """Let the slider test measure with the small fake, in threads: workers would not know it.

    The fake draws itself, as a result without passes cannot be drawn as a travel strip.
    """
    chart = pictures._of_chart
    real = BenchTest.measure.fget
    with pytest.MonkeyPatch.context() as patch, joblib.parallel_config(backend="threading"):
        patch.setattr(
            pictures,
            "_of_chart",
            lambda kind, test: None if test == "slider" else chart(kind, test),
        )
        patch.setattr(
            BenchTest,
            "measure",
            property(lambda test: fake.measure_level if test.name == "slider" else real(test)),
        )
        patch.setattr("sigkit.evidence.run.progress.QUIET_S", 3600.0)
        yield fake


@pytest.fixture
def fake_slider():
    with faked() as module:
        yield module


def make_job(folder):
    """Make a small job: one slider better, one worse, one tested only before."""
    for take, peak in enumerate((0.5, 0.52), start=1):
        fake.tone(folder / f"before/slider-volume-t{take}.wav", peak, seed=take)
        fake.tone(folder / f"after/slider-volume-t{take}.WAV", peak / 10, seed=9 + take)
    fake.tone(folder / "before/slider-release.wav", 0.2)
    fake.tone(folder / "after/slider-release.wav", 0.4)
    fake.tone(folder / "before/slider-noise-half.wav", 0.3)
    return folder


@pytest.fixture
def job_folder(tmp_path, fake_slider):  # noqa: ARG001
    return make_job(tmp_path / "Jane Doe" / "job")


@pytest.fixture
def evidence(job_folder):
    """Return what the small job shows, with dates and an owner that nothing may tell."""
    (job_folder / "job.toml").write_text(
        'unit = "K14"\n[stages.before]\ndate = "2026-03-02"\n[stages.after]\ndate = "2026-03-23"\n'
        '[private]\nowner = "Jane Doe"\n'
    )
    return sigkit.open_job(job_folder).measure(progress=False)


@pytest.fixture
def kit(evidence):
    """Return the files of its listing kit."""
    return kit_of(evidence, "0123456789abcdef")


@pytest.fixture(scope="session")
def finished_job(tmp_path_factory):
    """Return the small job with its evidence, made once; to be copied, not changed."""
    folder = make_job(tmp_path_factory.mktemp("finished") / "job")
    with faked():
        sigkit.open_job(folder).measure(progress=False).write(folder / "evidence")
    return folder


@pytest.fixture
def finished(finished_job, tmp_path):
    """Return a copy of the small job with its evidence, which may be changed."""
    return shutil.copytree(finished_job, tmp_path / "job")


@pytest.fixture
def written(finished):
    return finished / "evidence"


PART = ("stability-oscillator_2", "waveform-oscillator_2-square", "noise-output")
PART_SLIDER = "slider-oscillator_2_level"


@pytest.fixture(scope="session")
def sample_part(tmp_path_factory):
    """Evidence of four quick tests of the sample job: better, unchanged, outside, not tested."""
    from sample import SAMPLE

    from sigkit.evidence.evidence import Evidence
    from sigkit.evidence.job.folder import open_job
    from sigkit.evidence.run.takes import measure_take
    from sigkit.measures import TESTS

    folder = tmp_path_factory.mktemp("part")
    for stage in ("1_before", "2_cleaned", "3_after"):
        (folder / stage).mkdir()
        for name in (*PART, PART_SLIDER):
            path = SAMPLE / stage / f"{name}.wav"
            if path.exists():
                shutil.copy(path, folder / stage)
    (folder / "job.toml").write_text(
        'unit = "K14"\ndescription = "44-key two-oscillator keyboard synthesizer"\nmains_hz = 50\n'
        '[report]\nby = "bench 2"\nplace = "workshop"\nreceived = 2026-02-20\nissued = 2026-03-24\n'
        f"complaint = {json.dumps(COMPLAINT)}\n"
        + "".join(
            f'[stages.{stage}]\ndate = "{date}"\nroom_c = 20.5\ngain_db = 24\n'
            "rails_v = { plus15 = 15.02, minus15 = -14.98 }\n"
            for stage, date in (
                ("1_before", "2026-03-02"),
                ("2_cleaned", "2026-03-09"),
                ("3_after", "2026-03-23"),
            )
        )
        + "".join(
            f'[captures."{stage}/{PART[1]}"]\nnominal_duty = 50\n'
            for stage in ("1_before", "3_after")
        )
    )
    shutil.copy(SAMPLE / "repairs.csv", folder)
    (folder / "readings.csv").write_text(
        "stage;minutes;room_c;rail_plus15_v\n1_before;0;19,5;+15,02\n3_after;30;20,5;+15,02\n"
    )
    job = open_job(folder)
    outcomes = [measure_take(take, TESTS[take.name.test].measure) for take in job.takes]
    return Evidence.of(job, outcomes)


@pytest.fixture(scope="session")
def sample_folder(sample_part, tmp_path_factory):
    """Return the folder that this evidence was written to."""
    return sample_part.write(tmp_path_factory.mktemp("written") / "evidence")


@pytest.fixture
def bare(monkeypatch):
    """Leave out pictures and kit, which are not asked about here."""
    monkeypatch.setattr("sigkit.evidence.report.pictures.drawings_of", lambda *_: [])
    monkeypatch.setattr("sigkit.evidence.listing.pictures.listing_drawings", lambda *_: [])
    monkeypatch.setattr("sigkit.evidence.listing.kit.kit_of", lambda *_, **__: {})
