import importlib.util
import sys
from pathlib import Path

import joblib
import pytest

from sigkit.evidence.report import pictures
from sigkit.measures import BenchTest

_spec = importlib.util.spec_from_file_location("sigkit_fake", Path(__file__).with_name("fake.py"))
fake = sys.modules["sigkit_fake"] = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(fake)


@pytest.fixture
def fake_slider(monkeypatch):
    """Let the slider test measure with the small fake, in threads: workers would not know it.

    The fake draws itself, as a result without passes cannot be drawn as a travel strip.
    """
    chart = pictures._of_chart
    monkeypatch.setattr(
        pictures, "_of_chart", lambda kind, test: None if test == "slider" else chart(kind, test)
    )
    real = BenchTest.measure.fget
    monkeypatch.setattr(
        BenchTest,
        "measure",
        property(lambda test: fake.measure_level if test.name == "slider" else real(test)),
    )
    with joblib.parallel_config(backend="threading"):
        yield fake


@pytest.fixture
def job_folder(tmp_path, fake_slider):
    """Return a small job: one slider better, one worse, one tested only before."""
    folder = tmp_path / "Jane Doe" / "job"
    for take, peak in enumerate((0.5, 0.52), start=1):
        fake_slider.tone(folder / f"before/slider-volume-t{take}.wav", peak, seed=take)
        fake_slider.tone(folder / f"after/slider-volume-t{take}.WAV", peak / 10, seed=9 + take)
    fake_slider.tone(folder / "before/slider-release.wav", 0.2)
    fake_slider.tone(folder / "after/slider-release.wav", 0.4)
    fake_slider.tone(folder / "before/slider-noise-half.wav", 0.3)
    return folder
