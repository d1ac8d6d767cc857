"""What a recorder left on the disk."""

import json

import numpy as np

import sigkit
from sigkit.captures.recording import list_path


def stored(path, bits=24):
    capture = sigkit.open_capture(path, channel=0)
    assert not capture.salvaged
    frames = np.concatenate([block for _, block in capture.frame_blocks()])
    return np.round(frames * 2 ** (bits - 1)).astype(np.int32)


def listed(recording):
    data = json.loads(list_path(recording.path).read_text())
    assert data == json.loads(json.dumps(recording.to_dict()))
    return data


def three_lines(error):
    return len(str(error.value).splitlines()) == 3
