"""The queue between sound card and disk, against a plain list."""

import numpy as np

from sigkit.captures.intake import Intake, Mark


def test_queue_of_frames():
    queue = Intake(2, 4)
    queue.deliver(memoryview(b"aabb"))
    assert bytes(queue.take()) == b"aabb"
    queue.release(4)
    queue.deliver(memoryview(b"ccddee"))
    assert bytes(queue.take()) == b"ccdd"  # to the end of the ring
    queue.release(4)
    queue.deliver(memoryview(b"ffgghhii"))  # no room: four frames lost
    assert (queue.held, queue.room, queue.missed) == (2, 3, 4)
    queue.deliver(memoryview(b"jj"))  # more than half of it is free: it goes on
    assert bytes(queue.take()) == b"ee"
    queue.release(2)
    assert queue.take() == Mark(10, 4)
    assert bytes(queue.take()) == b"jj"
    queue.release(2)
    assert queue.take() is None
    queue.deliver(memoryview(b"k" * 10))
    queue.close()
    assert queue.take() == Mark(12, 5)
    queue.deliver(memoryview(b"ll"))
    assert queue.take() is None
    assert queue.delivered == 15


def test_queue_against_a_plain_list():
    """Random deliveries and takes: what comes out, zeros for what was lost, is what went in."""
    rng = np.random.default_rng(5)
    for _ in range(200):
        queue, put, got = Intake(2, int(rng.integers(3, 30))), [], []
        for _ in range(int(rng.integers(5, 80))):
            if rng.random() < 0.5:
                block = rng.integers(1, 256, 2 * int(rng.integers(1, 12)), np.uint8).tobytes()
                queue.deliver(memoryview(block))
                put.append(block)
            elif (piece := queue.take()) is not None:
                take_over(queue, piece, got, rng)
        queue.close()
        while (piece := queue.take()) is not None:
            take_over(queue, piece, got, rng)
        sent, heard = b"".join(put), b"".join(got)
        assert len(heard) == len(sent) == 2 * queue.delivered
        assert all(h in (0, s) for h, s in zip(heard, sent, strict=True))
        assert queue.held == 0


def take_over(queue, piece, got, rng):
    if isinstance(piece, Mark):
        got.append(bytes(2 * piece.frames))
    else:
        some = piece[: 2 * int(rng.integers(1, len(piece) // 2 + 1))]
        got.append(bytes(some))
        queue.release(len(some))
