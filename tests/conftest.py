"""Lets every test import the helpers that lie beside this file."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
