"""The job's settings in the manifest, without private fields, and read back from there."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from typing import Any

from sigkit.evidence.job.settings import Settings

_TABLES = ("wide", "stages", "options", "captures")


def public_settings(settings: Settings) -> dict[str, Any]:
    """Return settings ready for JSON; dates and times as ISO 8601 has them."""
    found: dict[str, Any] = {"unit": settings.unit, "description": settings.description}
    found |= {name: _plain(getattr(settings, name)) for name in _TABLES}
    found["limits"] = {
        f"{test}.{quantity}": value for (test, quantity), value in settings.limits.items()
    }
    return found


def settings_from(found: Mapping[str, Any]) -> Settings:
    """Return the settings that a manifest holds."""
    tables = {name: dict(found[name]) for name in _TABLES}
    for capture in tables["captures"].values():
        if "switched_on" in capture:
            capture["switched_on"] = datetime.datetime.fromisoformat(capture["switched_on"])
    limits = {}
    for name, value in found["limits"].items():
        test, _, quantity = name.partition(".")
        limits[test, quantity] = value
    return Settings(found["unit"], found["description"], **tables, limits=limits)


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    return value.isoformat() if isinstance(value, datetime.date) else value
