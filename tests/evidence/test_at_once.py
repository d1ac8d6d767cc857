"""Pictures drawn in several processes are those that one would draw."""

import functools
import os
import warnings

import joblib
import matplotlib as mpl
import pytest

from sigkit.evidence.report import at_once
from sigkit.evidence.report.at_once import drawn_at_once
from sigkit.evidence.report.front_charts import front_drawings
from sigkit.evidence.report.pictures import drawings_of


def deadly(own):
    """End the process that draws, if it is not the one that asked."""
    if os.getpid() != own:
        os._exit(1)
    return b"drawn here"


def remarks():
    warnings.warn("no room for the legend", UserWarning, stacklevel=1)
    return b"drawn"


def test_the_same_bytes_whoever_draws(sample_part, monkeypatch):
    """And whatever the notebook that asks has set matplotlib to; warnings come back too."""
    monkeypatch.setattr(at_once, "ENOUGH", 1)
    bundles = [*drawings_of(sample_part)[:2], *front_drawings(sample_part)[:1]]
    with joblib.parallel_config(n_jobs=1), drawn_at_once(bundles) as pictures:
        one_by_one = list(pictures)
    own = dict.fromkeys(("lines.linewidth", "axes.labelsize", "xtick.labelsize"), 17)
    with mpl.rc_context({**own, "font.family": "serif"}):
        with joblib.parallel_config(n_jobs=1), drawn_at_once(bundles) as pictures:
            assert list(pictures) == one_by_one
        told = pytest.warns(UserWarning, match="no room for the legend")
        with drawn_at_once([*bundles, {"last": remarks}]) as pictures, told:
            found = list(pictures)
    assert mpl.rcParams["font.family"] != ["serif"]
    apart = {name: data for some in found for name, data in some.items()}
    assert apart.pop("last") == b"drawn"
    assert apart == {name: data for some in one_by_one for name, data in some.items()}
    assert all(data.startswith(b"\x89PNG") for data in apart.values())


def test_where_a_process_dies_the_rest_is_drawn_here(monkeypatch):
    monkeypatch.setattr(at_once, "ENOUGH", 1)
    bundles = [{str(number): functools.partial(deadly, os.getpid())} for number in range(3)]
    with drawn_at_once(bundles) as pictures:
        drawn = {name: data for some in pictures for name, data in some.items()}
    assert drawn == dict.fromkeys("012", b"drawn here")


def test_few_pictures_start_no_process(monkeypatch):
    monkeypatch.setattr("joblib.Parallel", None)
    with drawn_at_once([{"one": functools.partial(deadly, os.getpid())}]) as pictures:
        assert list(pictures) == [{"one": b"drawn here"}]
