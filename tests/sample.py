"""The sample job and what its README says of it, for the tests."""

import functools
import re
from pathlib import Path

from sigkit.synth import demo

SAMPLE = Path(__file__).parents[1] / "sample_audio"
README = (SAMPLE / "README.md").read_text(encoding="utf-8").replace("\N{MINUS SIGN}", "-")

demo_sound = functools.cache(demo.demo_sound)


def rows(name):
    """Cells of every table row of the README that begins with a capture's name."""
    lines = [line for line in README.splitlines() if line.startswith(f"| `{name}` |")]
    return [[cell.strip() for cell in line.strip("|").split("|")][1:] for line in lines]


def row(label):
    line, *others = (line for line in README.splitlines() if line.startswith(f"| {label} |"))
    assert not others
    return [cell.strip() for cell in line.strip("|").split("|")][1:]


def numbers(text):
    return [float(n) for n in re.findall(r"[-+]?\d+\.?\d*", text)]
