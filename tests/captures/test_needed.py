"""Functions of a capture say how to open one where they are handed the name of a file."""

from pathlib import Path

import numpy as np
import pytest

import sigkit

NEED_ONE = [name for name in sigkit.__all__ if name.startswith(("measure_", "track_", "read_cue"))]


@pytest.mark.parametrize("name", NEED_ONE)
@pytest.mark.parametrize("path", ["take 1.wav", Path("take 1.wav")])
def test_the_name_of_a_file_is_refused_with_the_call_that_opens_it(name, path):
    with pytest.raises(sigkit.InputError) as error:
        getattr(sigkit, name)(path)
    assert error.value.where == name
    assert error.value.remedy == f"Open the file first: {name}(open_capture('take 1.wav'))."


def test_anything_else_is_named_by_its_type():
    with pytest.raises(sigkit.InputError, match="got ndarray"):
        sigkit.measure_noise(np.zeros(9))
