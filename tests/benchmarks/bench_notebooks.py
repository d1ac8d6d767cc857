"""Every notebook in a real JupyterLab: seconds to its first result, seconds in all.

First result: from Run All Cells to the first table of numbers; the kernel has started by then, the
library has not been imported. Wanted: 5 s and 60 s, on two cores with nothing else to do.
"""

from pathlib import Path

import lab
import pytest

pytestmark = [pytest.mark.benchmark, pytest.mark.browser]
NOTEBOOKS = sorted(path.stem for path in (Path(lab.ROOT) / "notebooks").glob("*.ipynb"))


def test_speed_as_felt(tmp_path):
    if lab.browser_path() is None:
        pytest.skip("needs a Chromium")
    print(f"\n{'notebook':24} first result, s    all, s")
    with lab.jupyterlab(tmp_path) as address, lab.browser() as chromium:
        for name in NOTEBOOKS:
            seen = lab.run_all(chromium, address, name)
            assert not seen.errors, name
            print(f"{name:24} {seen.first_result_s:15.1f} {seen.seconds:9.1f}")
