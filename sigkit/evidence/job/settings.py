"""job.toml: what a file name cannot say, checked key by key."""

from __future__ import annotations

import datetime
import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sigkit.errors import InputError
from sigkit.evidence.job.keys import FILE, NUMBER, check, check_kind, wrong
from sigkit.evidence.job.names import known_test, suggestion
from sigkit.judging.next_step import CLEANINGS
from sigkit.measures import BenchTest

__all__ = [
    "FILE",
    "Settings",
    "capture_options",
    "check_cleaned",
    "check_complained",
    "read_settings",
    "toml_key",
]


POWER_ON = {"power_on_s": NUMBER, "power_on_earliest_s": NUMBER, "power_on_latest_s": NUMBER}
CAPTURE: Mapping[str, tuple[type, ...]] = {
    "channel": (int,),
    "gap_s": (*NUMBER, list),
    "switched_on": (datetime.datetime,),
    **POWER_ON,
}
"""Keys of a capture beside the options of its bench test."""
COMPLAINT_TESTS = "complaint_tests"
WIDE: Mapping[str, tuple[type, ...]] = {
    "mains_hz": NUMBER,
    "lowest_key": (str, int),
    "keys": (int,),
    "power_on_s": NUMBER,
    "response_db": NUMBER,
}
"""Options of bench tests that hold for the whole job."""

_TOP: Mapping[str, tuple[type, ...]] = {
    "unit": (str,),
    "description": (str,),
    **WIDE,
    "clock_ppm": NUMBER,
    "stages": (dict,),
    "options": (dict,),
    "captures": (dict,),
    "limits": (dict,),
    "not_fitted": (dict,),
    "not_tested": (dict,),
    "report": (dict,),
    "private": (dict,),
}
_REPORT: Mapping[str, tuple[type, ...]] = {
    "by": (str,),
    "place": (str,),
    "made_for": (str,),
    "condition": (str,),
    "complaint": (str,),
    "complaint_tests": (list,),
    "received": (datetime.date, str),
    "issued": (datetime.date, str),
}
"""What the report says of itself, in public."""
_STAGE: Mapping[str, tuple[type, ...]] = {
    "date": (datetime.date, str),
    "room_c": NUMBER,
    "reason": (str,),
    "rails_v": (dict,),
    "cleaning": (str, dict),
    "gain_db": NUMBER,
}


@dataclass(frozen=True)
class Settings:
    """What job.toml says, without its private fields.

    Parameters
    ----------
    unit, description : str
        The unit under test, as the restorer names it in public.
    wide : mapping
        Options of bench tests that hold for the whole job, such as ``mains_hz``.
    stages : mapping of str to mapping
        Date, room temperature, reason, rails and the recorder's gain by stage, and what was done to
        its sliders.
    options : mapping of str to mapping
        Options by bench test.
    captures : mapping of str to mapping
        Channel, power-on time and options by ``STAGE/NAME``.
    limits : mapping of (str, str) to float
        The job's own limits by bench test and quantity.
    report : mapping of str to str
        By whom, where, for whom and when the report was made, and what the owner said was wrong, as
        it says in public.
    complaint_tests : tuple of str
        Bench tests of what the owner complained of, ``TEST`` or ``TEST-SUBJECT``.
    limit_sources : mapping of (str, str) to str
        Where they come from, as far as it is said.
    clock_ppm : float or None
        Largest error of the sound card's clock, parts per million; None where it isn't known.
    not_fitted, not_tested : mapping of str to str
        What the unit does not have and what was not tested, by ``TEST`` or ``TEST-SUBJECT``, and
        why.
    """

    unit: str = ""
    description: str = ""
    wide: Mapping[str, Any] = field(default_factory=dict)
    stages: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    options: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    captures: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    limits: Mapping[tuple[str, str], float] = field(default_factory=dict)
    report: Mapping[str, str] = field(default_factory=dict)
    complaint_tests: tuple[str, ...] = ()
    limit_sources: Mapping[tuple[str, str], str] = field(default_factory=dict)
    clock_ppm: float | None = None
    not_fitted: Mapping[str, str] = field(default_factory=dict)
    not_tested: Mapping[str, str] = field(default_factory=dict)


def read_settings(path: Path) -> Settings:
    """Read and check job.toml; without the file every setting is empty.

    Raises
    ------
    InputError
        Not TOML, an unknown key or test, or a value of the wrong kind or without sense; with a
        suggestion.
    """
    if not path.exists():
        return Settings()
    document = _document(path)
    check(document, _TOP, "")
    from sigkit.evidence.job.absent import reasons

    report = document.get("report", {})
    check(report, _REPORT, "report")
    limits, sources = _limits_of(document)
    return Settings(
        unit=document.get("unit", ""),
        description=document.get("description", ""),
        wide={key: document[key] for key in WIDE if key in document},
        stages=_stages_of(document),
        options=_options_of(document),
        captures=_tables(document, "captures"),
        limits=limits,
        report={key: str(value) for key, value in report.items() if key != COMPLAINT_TESTS},
        complaint_tests=_complained(report),
        limit_sources=sources,
        clock_ppm=document.get("clock_ppm"),
        not_fitted=reasons(document, "not_fitted"),
        not_tested=reasons(document, "not_tested"),
    )


def capture_options(
    test: BenchTest, settings: Settings, own: Mapping[str, Any], key: str
) -> tuple[dict[str, Any], tuple[float, float] | None]:
    """Return the options of one capture, nearest setting first, and its power-on time.

    Parameters
    ----------
    test : BenchTest
        The bench test of the capture.
    settings : Settings
        The job's settings.
    own : mapping
        The capture's own entry in job.toml.
    key : str
        Name of that entry, for errors.

    Returns
    -------
    dict
        Keyword options for the measure, those of the whole job first, then those for the test,
        then the capture's own; without the power-on time.
    tuple of float, or None
        Earliest and latest power-on time in seconds from the start of the capture, equal where it
        is known; None where nothing is said of it.
    """
    check(own, {**CAPTURE, **test.options}, f'captures."{key}"')
    chosen = {k: v for k, v in settings.wide.items() if k in test.options}
    chosen |= settings.options.get(test.name, {})
    chosen |= {k: v for k, v in own.items() if k in test.options and k not in POWER_ON}
    edges = [own[k] for k in ("power_on_earliest_s", "power_on_latest_s") if k in own]
    if not edges:
        known = own.get("power_on_s", chosen.pop("power_on_s", None))
        return chosen, None if known is None else (float(known), float(known))
    chosen.pop("power_on_s", None)
    if len(edges) == 1 or edges[0] > edges[1] or "power_on_s" in own:
        raise InputError(
            "A power-on time is either power_on_s, or an earliest and a later latest one.",
            where=f'{FILE}, [captures."{key}"]',
            remedy="Give power_on_s alone, or both power_on_earliest_s and power_on_latest_s.",
        )
    return chosen, (float(edges[0]), float(edges[1]))


def toml_key(name: str) -> str:
    """Return a name as a key of TOML, in quotation marks where it needs them."""
    plain = re.fullmatch(r"[A-Za-z0-9_-]+", name)
    return name if plain else json.dumps(name, ensure_ascii=False)


def _document(path: Path) -> dict[str, Any]:
    if not path.is_file():
        raise InputError(
            "The job's settings are not a regular file.",
            where=FILE,
            remedy="Write them into a text file, or remove this.",
        )
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(
            f"The job's settings are not valid TOML: {error}.",
            where=FILE,
            remedy="Write one 'key = value' a line, texts in quotation marks, file in UTF-8.",
        ) from error
    except OSError as error:
        raise InputError(
            f"The job's settings cannot be read: {error.strerror}.",
            where=FILE,
            remedy="Check that it is a file that you may read.",
        ) from error


def _stages_of(document: Mapping[str, Any]) -> Mapping[str, Mapping[str, Any]]:
    stages = _tables(document, "stages")
    for name, stage in stages.items():
        check(stage, _STAGE, f"stages.{name}")
        for rail, volts in stage.get("rails_v", {}).items():
            check_kind(volts, NUMBER, f"stages.{name}.rails_v", rail)
        _check_cleaning(stage.get("cleaning", {}), f"stages.{name}")
    return stages


def _options_of(document: Mapping[str, Any]) -> Mapping[str, Mapping[str, Any]]:
    options = _tables(document, "options")
    for test, values in options.items():
        known = known_test(test, where=f"{FILE}, [options.{test}]").options
        check(values, known, f"options.{test}")
    return options


def _limits_of(
    document: Mapping[str, Any],
) -> tuple[dict[tuple[str, str], float], dict[tuple[str, str], str]]:
    """Return the job's own limits, and where they come from as far as it is said."""
    limits: dict[tuple[str, str], float] = {}
    sources: dict[tuple[str, str], str] = {}
    for test, values in _tables(document, "limits").items():
        judged = known_test(test, where=f"{FILE}, [limits.{test}]").judged
        units = {j.quantity: j.unit for j in judged}
        shown_only = {j.quantity for j in judged if j.better == "none"}
        known = {q: (dict,) if isinstance(values.get(q), dict) else NUMBER for q in units}
        check(values, known, f"limits.{test}")
        for quantity, value in values.items():
            if quantity in shown_only:
                raise _never_judged(test, quantity, [q for q in units if q not in shown_only])
            limit = value
            if isinstance(value, dict):
                section = f"limits.{test}.{quantity}"
                check(value, {"limit": NUMBER, "source": (str,)}, section)
                if "limit" not in value:
                    raise _no_limit(section)
                limit = value["limit"]
                sources |= {(test, quantity): value["source"]} if "source" in value else {}
            _check_limit(limit, units[quantity], f"limits.{test}", quantity)
            limits[test, quantity] = float(limit)
    return limits, sources


def _check_limit(limit: float, unit: str, section: str, key: str) -> None:
    """Refuse a limit that nothing can keep; levels in dB lie below zero, a number may be none."""
    if (limit < 0 or (limit == 0 and unit)) and not unit.startswith("dB"):
        remedy = f"Give the largest size in {unit} that is still good, without a sign."
        raise wrong(limit, "above 0", section, key, remedy)


def _never_judged(test: str, quantity: str, judged: Sequence[str]) -> InputError:
    return InputError(
        f"{quantity} is shown and never held against a limit: neither way is better.",
        where=f"{FILE}, [limits.{test}], {quantity}",
        remedy=f"Remove it. With limits: {', '.join(judged)}.",
    )


def _no_limit(section: str) -> InputError:
    return InputError(
        "The limit itself is missing.",
        where=f"{FILE}, [{section}]",
        remedy='Write it as { limit = 900, source = "service document, page 12" }.',
    )


def _complained(report: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the bench tests of the owner's complaint; refuse what is none."""
    for name in report.get(COMPLAINT_TESTS, ()):
        if not isinstance(name, str):
            remedy = 'Write bench tests in quotation marks: complaint_tests = ["slider-volume"].'
            raise wrong(name, "a text", "report", COMPLAINT_TESTS, remedy)
        known_test(name.partition("-")[0], where=f"{FILE}, [report], {COMPLAINT_TESTS}")
    return tuple(report.get(COMPLAINT_TESTS, ()))


def check_complained(settings: Settings, captures: set[str]) -> None:
    """Refuse a subject of the owner's complaint of which the job has no capture.

    Raises
    ------
    InputError
        No such ``TEST-SUBJECT``, with a suggestion.
    """
    for name in settings.complaint_tests:
        if "-" in name and name not in captures:
            raise InputError(
                f"There is no capture of {name!r}, which the owner's complaint names.",
                where=f"{FILE}, [report], {COMPLAINT_TESTS}",
                remedy=suggestion(name, sorted(captures), "tests and subjects"),
            )


def check_cleaned(settings: Settings, sliders: set[str]) -> None:
    """Refuse a slider under ``cleaning`` of which the job has no capture."""
    for stage, entry in settings.stages.items():
        cleaning = entry.get("cleaning", {})
        for name in cleaning if isinstance(cleaning, dict) else ():
            if name not in sliders:
                raise InputError(
                    f"There is no slider {name!r} in the job.",
                    where=f"{FILE}, [stages.{stage}.cleaning]",
                    remedy=suggestion(name, sliders, "sliders"),
                )


def _check_cleaning(value: str | Mapping[str, Any], section: str) -> None:
    """Refuse what sliders are not cleaned with: one word for all, or one for each slider."""
    for key, word in ({"cleaning": value} if isinstance(value, str) else value).items():
        if word not in CLEANINGS:
            wanted = f"one of {', '.join(CLEANINGS)}"
            remedy = 'Write cleaning = "cleaner" for all sliders, or { volume = "air" } for some.'
            where = section if isinstance(value, str) else f"{section}.cleaning"
            raise wrong(word, wanted, where, key, remedy)


def _tables(document: Mapping[str, Any], key: str) -> dict[str, dict[str, Any]]:
    for name, table in document.get(key, {}).items():
        if not isinstance(table, dict):
            raise InputError(
                f"{key}.{name} must be a table; got {table!r}.",
                where=f"{FILE}, [{key}], {name}",
                remedy=f"Write [{key}.{name}] on a line of its own, with its keys below.",
            )
    return dict(document.get(key, {}))
