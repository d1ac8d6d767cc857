"""results.json against the schema that is shipped with it."""

import json
from importlib import resources

import jsonschema
import pytest

SCHEMA = json.loads(
    resources.files("sigkit.evidence").joinpath("results_schema.json").read_text("utf-8")
)


@pytest.fixture(scope="module")
def validator():
    """JSON Schema, draft 2020-12, as the library jsonschema reads it."""
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    return jsonschema.Draft202012Validator(SCHEMA)


@pytest.fixture
def document(sample_folder):
    return json.loads((sample_folder / "results.json").read_text(encoding="utf-8"))


def test_results_follow_their_schema(validator, document):
    assert [e.message for e in validator.iter_errors(document)] == []
    assert document["schema_version"] == 3
    assert document["report"]["by"] == "bench 2"


def test_what_the_fake_job_gives_follows_it_too(validator, job_folder):
    """Two takes, counts without passes, a capture that cannot be read, a stage without captures."""
    from sigkit.evidence.job.folder import open_job

    (job_folder / "after/slider-hiss.wav").write_bytes(b"no sound at all")
    (job_folder / "job.toml").write_text('[stages.later]\nreason = "not yet"\n')
    document = json.loads(
        json.dumps(open_job(job_folder).measure(progress=False).to_dict(), allow_nan=False)
    )
    assert [e.message for e in validator.iter_errors(document)] == []


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("schema_version",), 2),
        (("rows", 0, "limit_verdict"), "fine"),
        (("rows", 0, "p_within"), 1.5),
        (("rows", 0, "unit"), None),
        (("captures", 0, "sha256"), "abc"),
        (("captures", 0, "owner"), "a name"),
        (("report", "owner"), "a name"),
    ],
)
def test_what_does_not_follow_it_is_noticed(validator, document, path, value):
    *outer, last = path
    place = document
    for key in outer:
        place = place[key]
    place[last] = value
    assert list(validator.iter_errors(document))


def test_every_field_is_described_or_named_for_what_it_is():
    """Each kind of object lists its fields, but for what a bench test may add."""
    open_objects = [n for n, d in SCHEMA["$defs"].items() if d.get("additionalProperties") is True]
    assert open_objects == ["result"]
    assert SCHEMA["additionalProperties"] is False
    assert set(SCHEMA["required"]) == set(SCHEMA["properties"])
