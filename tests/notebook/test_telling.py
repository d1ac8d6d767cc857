"""What a notebook says of the results agrees with the report of the same job."""

import shutil

import pytest
from sample import SAMPLE

import sigkit
from sigkit.evidence.report.front import is_bad
from sigkit.judging.limits import OUTSIDE, WITHIN

LAST = "2 after"


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """Noise with hum before; after the repair only a waveform was recorded."""
    job = tmp_path_factory.mktemp("telling") / "job"
    for stage, of, name in (
        ("1_before", "1_before", "noise-output"),
        ("1_before", "1_before", "waveform-oscillator_2-square"),
        ("2_after", "3_after", "waveform-oscillator_2-square"),
    ):
        (job / stage).mkdir(parents=True, exist_ok=True)
        shutil.copy(SAMPLE / of / f"{name}.wav", job / stage)
    (job / "job.toml").write_text("mains_hz = 50\n[limits.noise]\nripple_re_tone = -20\n")
    bench = sigkit.open_bench(job)
    bench.measure(progress=False)
    return bench


def part(text, title):
    """Return the lines below a title, up to the next one."""
    lines = text.splitlines()
    found = []
    for line in lines[lines.index(title) + 1 :]:
        if not line.startswith("- "):
            break
        found.append(line)
    return found


def test_a_fault_that_was_not_tested_again_is_still_one(bench):
    """As on page one of the report, where it stays under "still outside"."""
    text = str(bench.meaning())
    told = part(text, f"Outside its limit, and not tested in {LAST}")
    bad = [row for row in bench.evidence.rows if row.since and is_bad(row)]
    assert 0 < len(bad) == len(told)
    for row in bad:
        assert any(f", {row.judged.label}: 1 before " in line for line in told)
    assert "battery" in text.split("Next at the bench")[1]
    assert "ask for no work" not in text.split("Next at the bench")[1]
    assert any(row.cause is not None for row in bad)
    assert "What that often comes from" in text


def test_what_was_within_its_limit_earlier_is_not_said_of_the_last_stage(bench):
    text = str(bench.meaning())
    earlier = [r for r in bench.evidence.rows if r.since and r.held.word == WITHIN]
    assert earlier
    told = " ".join(part(text, f"Not tested in {LAST}"))
    for row in earlier:
        assert row.judged.label in told
        assert f"{WITHIN} in 1 before" in told
    now = part(text, f"Within its limit in {LAST}") if f"Within its limit in {LAST}" in text else []
    assert not any(row.judged.label in line for row in earlier for line in now)


def test_the_table_says_how_it_stood_and_when(bench):
    rows = [r for r in bench.evidence.rows if r.since and r.held.word == OUTSIDE]
    lines = [line for line in str(bench.numbers()).splitlines() if " | " in line]
    for row in rows:
        (line,) = [line for line in lines if line.startswith(f"{row.judged.label} | ")]
        assert line.endswith("in 1 before, not tested since")
        assert OUTSIDE in line


def test_another_limit_is_held_against_what_was_last_tested(bench):
    text = str(bench.held_against("noise", "floor_re_tone", -90.0, -20.0))
    first, second = [line for line in text.splitlines() if "in 1 before, not tested since" in line]
    assert OUTSIDE in first
    assert WITHIN in second
