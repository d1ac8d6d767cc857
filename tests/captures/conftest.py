import importlib.util
import sys
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location("packing", Path(__file__).with_name("packing.py"))
sys.modules["packing"] = packing = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(packing)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "stability-oscillator_1.wav"
