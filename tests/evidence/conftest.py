import contextlib
import importlib.util
import sys
from pathlib import Path

import joblib
import pytest

import sigkit
from sigkit.evidence.report import pictures
from sigkit.measures import BenchTest

_spec = importlib.util.spec_from_file_location("sigkit_fake", Path(__file__).with_name("fake.py"))
fake = sys.modules["sigkit_fake"] = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(fake)


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


@pytest.fixture(scope="session")
def finished_job(tmp_path_factory):
    """Return the small job with its evidence, made once; to be copied, not changed."""
    folder = make_job(tmp_path_factory.mktemp("finished") / "job")
    with faked():
        sigkit.open_job(folder).measure(progress=False).write(folder / "evidence")
    return folder
