import importlib.util
import sys
from pathlib import Path

_spec = importlib.util.spec_from_file_location("packing", Path(__file__).with_name("packing.py"))
sys.modules["packing"] = packing = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(packing)
