"""What has no capture by intention: not fitted to the unit, or not tested, each with its reason."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from sigkit.errors import InputError
from sigkit.evidence.job.names import known_test

if TYPE_CHECKING:
    from sigkit.evidence.job.settings import Settings

FILE = "job.toml"


def reasons(document: Mapping[str, Any], section: str) -> dict[str, str]:
    """Return a section of job.toml that names what has no capture: ``TEST`` or ``TEST-SUBJECT``.

    Raises
    ------
    InputError
        No such bench test, or a reason that is no text.
    """
    found: dict[str, str] = {}
    for name, why in document.get(section, {}).items():
        known_test(name.partition("-")[0], where=f"{FILE}, [{section}], {name}")
        if not isinstance(why, str):
            raise InputError(
                f"{name} must be a text; got {why!r}.",
                where=f"{FILE}, [{section}], {name}",
                remedy='Write the reason in quotation marks, or "" where there is none to give.',
            )
        found[name] = why
    return found


def check_absent(settings: Settings, captures: Mapping[str, str]) -> None:
    """Refuse a capture of what the settings say is not fitted or was not tested.

    Parameters
    ----------
    settings : Settings
        Those of the job.
    captures : mapping of str to str
        A capture of each ``TEST-SUBJECT`` that has one.

    Raises
    ------
    InputError
        There is a capture, and a reason why there is none.
    """
    for section, named in (
        ("not_fitted", settings.not_fitted),
        ("not_tested", settings.not_tested),
    ):
        for name in named:
            own = [key for what, key in captures.items() if f"{what}-".startswith(f"{name}-")]
            if own:
                raise InputError(
                    f"There is a capture of {name!r}, and a reason why there is none.",
                    where=f"{FILE}, [{section}], {name}",
                    remedy=f"Remove the reason, or the capture {own[0]}.",
                )
