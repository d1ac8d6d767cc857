"""The job's settings in the manifest, without private fields, and read back from there."""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Mapping
from typing import Any

from sigkit.evidence.job.settings import Settings

PAIRED = "limit"
"""Tables whose names begin so have two names for a key: bench test and quantity."""


def public_settings(settings: Settings) -> dict[str, Any]:
    """Return settings ready for JSON; dates and times as ISO 8601 has them."""
    return {f.name: _plain(getattr(settings, f.name)) for f in dataclasses.fields(settings)}


def settings_from(found: Mapping[str, Any]) -> Settings:
    """Return the settings that a manifest holds."""
    known = {f.name for f in dataclasses.fields(Settings)}
    values = {name: value for name, value in found.items() if name in known}
    for name in values:
        if name.startswith(PAIRED):
            pairs = [(key.partition("."), value) for key, value in values[name].items()]
            values[name] = {(test, quantity): value for (test, _, quantity), value in pairs}
    captures = {key: dict(own) for key, own in values.get("captures", {}).items()}
    for own in captures.values():
        if "switched_on" in own:
            own["switched_on"] = datetime.datetime.fromisoformat(own["switched_on"])
    complained = tuple(values.get("complaint_tests", ()))
    return Settings(**{**values, "captures": captures, "complaint_tests": complained})


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {_name(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    return value.isoformat() if isinstance(value, datetime.date) else value


def _name(key: object) -> str:
    return ".".join(map(str, key)) if isinstance(key, tuple) else str(key)
