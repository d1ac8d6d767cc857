"""Notebooks as a user meets them: a real JupyterLab, a real browser, Run All Cells."""

import importlib.util

import lab
import pytest

pytestmark = pytest.mark.browser
NEEDED = ("jupyterlab", "ipywidgets", "playwright")
WITH_BROWSER = ("02_warmup_drift", "05_envelopes", "07_noise_and_hum")
"""Quick ones; every notebook is run without a browser by test_notebooks.py."""


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    missing = [name for name in NEEDED if importlib.util.find_spec(name) is None]
    if missing or lab.browser_path() is None:
        pytest.skip(f"needs {', '.join(missing or ['a Chromium'])}: see DEVELOPERS.md")
    with lab.jupyterlab(tmp_path_factory.mktemp("lab")) as address, lab.browser() as chromium:
        yield chromium, address


@pytest.mark.parametrize("notebook", WITH_BROWSER)
def test_run_all_in_a_browser(served, notebook, tmp_path):
    """No error, tables, charts, players that play, a bar that ends; nothing is cut off."""
    seen = lab.run_all(*served, notebook, picture=tmp_path / f"{notebook}.png")
    assert not seen.errors
    assert seen.tables >= 1
    assert seen.charts >= 1
    assert seen.players == 2
    assert seen.bars
    assert all("100%" in text for text in seen.bars)
    assert not seen.wide
    print(f"{notebook}: first result {seen.first_result_s:.1f} s, all {seen.seconds:.1f} s")
