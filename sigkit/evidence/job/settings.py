"""job.toml: what a file name cannot say, checked key by key."""

from __future__ import annotations

import datetime
import json
import math
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sigkit.errors import InputError
from sigkit.evidence.job.names import known_test, suggestion
from sigkit.judging.next_step import CLEANINGS
from sigkit.measures import BenchTest
from sigkit.measures.keyboard.keys import key_number

FILE = "job.toml"
NUMBER = (float, int)
POWER_ON = {"power_on_s": NUMBER, "power_on_earliest_s": NUMBER, "power_on_latest_s": NUMBER}
CAPTURE: Mapping[str, tuple[type, ...]] = {
    "channel": (int,),
    "gap_s": (*NUMBER, list),
    "switched_on": (datetime.datetime,),
    **POWER_ON,
}
"""Keys of a capture beside the options of its bench test."""
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
_WORDS = {
    str: "a text",
    int: "a whole number",
    float: "a number",
    dict: "a table",
    list: "a list",
    bool: "true",
    datetime.datetime: "a date with a time of day",
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
        By whom, where, for whom and when the report was made, as it says in public.
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
    if not path.is_file():
        raise InputError(
            "The job's settings are not a regular file.",
            where=FILE,
            remedy="Write them into a text file, or remove this.",
        )
    try:
        document = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
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
    check(document, _TOP, "")
    from sigkit.evidence.job.absent import reasons

    stages = _tables(document, "stages")
    for name, stage in stages.items():
        check(stage, _STAGE, f"stages.{name}")
        for rail, volts in stage.get("rails_v", {}).items():
            check_kind(volts, NUMBER, f"stages.{name}.rails_v", rail)
        _check_cleaning(stage.get("cleaning", {}), f"stages.{name}")
    report = document.get("report", {})
    check(report, _REPORT, "report")
    options = _tables(document, "options")
    for test, values in options.items():
        known = known_test(test, where=f"{FILE}, [options.{test}]").options
        check(values, known, f"options.{test}")
    limits: dict[tuple[str, str], float] = {}
    sources: dict[tuple[str, str], str] = {}
    for test, values in _tables(document, "limits").items():
        units = {
            j.quantity: j.unit for j in known_test(test, where=f"{FILE}, [limits.{test}]").judged
        }
        known = {q: (dict,) if isinstance(values.get(q), dict) else NUMBER for q in units}
        check(values, known, f"limits.{test}")
        for quantity, value in values.items():
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
    return Settings(
        unit=document.get("unit", ""),
        description=document.get("description", ""),
        wide={key: document[key] for key in WIDE if key in document},
        stages=stages,
        options=options,
        captures=_tables(document, "captures"),
        limits=limits,
        report={key: str(value) for key, value in report.items()},
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


def check(table: Mapping[str, Any], known: Mapping[str, tuple[type, ...]], where: str) -> None:
    """Refuse unknown keys, and values of the wrong kind or without sense, in a table."""
    for key, value in table.items():
        if key not in known:
            raise InputError(
                f"Unknown key {key!r} in the job's settings.",
                where=f"{FILE}, [{where}]" if where else FILE,
                remedy=suggestion(key, known, "keys"),
            )
        check_kind(value, known[key], where, key)
        if key in _SENSE:
            makes_sense, wanted, remedy = _SENSE[key]
            if not makes_sense(value):
                raise _wrong(value, wanted, where, key, remedy)


def check_kind(value: object, kinds: tuple[type, ...], section: str, key: str) -> None:
    """Refuse a value that is of none of the kinds, or a number that is not finite."""
    fits = isinstance(value, kinds) and (not isinstance(value, bool) or bool in kinds)
    if fits and isinstance(value, float) and not math.isfinite(value):
        fits = False
    if not fits:
        words = [_WORDS.get(k, "a date") for k in kinds if k is not int or float not in kinds]
        wanted = " or ".join(words)
        raise _wrong(value, wanted, section, key, _advice(kinds, section, key))


def _advice(kinds: tuple[type, ...], section: str, key: str) -> str:
    """Return how a value of one of the kinds is written."""
    if key in _SENSE:
        return _SENSE[key][2]
    if dict in kinds:
        name = f"{section}.{key}" if section else f"{key}.NAME" if key != "private" else key
        return f"Write [{name}] on a line of its own, with its keys below."
    if float in kinds:
        return "Write numbers without quotation marks and with a decimal point."
    if int in kinds:
        return "Write whole numbers without quotation marks and without a decimal point."
    return "Write texts in quotation marks."


def _wrong(value: object, wanted: str, section: str, key: str, remedy: str) -> InputError:
    shown = str(value) if isinstance(value, datetime.date) else repr(value)
    return InputError(
        f"{section}.{key} must be {wanted}; got {shown}."
        if section
        else f"{key} must be {wanted}; got {shown}.",
        where=f"{FILE}, [{section}], {key}" if section else f"{FILE}, {key}",
        remedy=remedy,
    )


def _is_key(value: Any) -> bool:
    """Whether it is a MIDI note number, or a note name of one (C4 is 60)."""
    try:
        key_number(value)
    except InputError:
        return False
    return True


def _is_date(value: Any) -> bool:
    if isinstance(value, datetime.date):
        return True
    try:
        datetime.datetime.fromisoformat(value)
    except ValueError:
        return False
    return True


_SENSE: Mapping[str, tuple[Callable[[Any], bool], str, str]] = {
    "mains_hz": (
        lambda value: 40 <= value <= 70,
        "from 40 to 70",
        "Give the frequency of the mains in hertz, without quotation marks: 50 or 60.",
    ),
    "clock_ppm": (
        lambda value: value > 0,
        "above 0",
        "Give the largest error of the sound card's clock in parts per million, such as 50.",
    ),
    "response_db": (
        lambda value: 0 <= value <= 6,
        "from 0 to 6",
        "Give the most that the recorder departs from flat, 20 Hz to 20 kHz, in dB, such as 0.1.",
    ),
    "keys": (
        lambda value: value >= 1,
        "1 or more",
        "Give the number of keys of the keyboard, without quotation marks.",
    ),
    "lowest_key": (
        _is_key,
        "a MIDI note number from 0 to 127 or a note name",
        'Write a note such as "C2" or "F#3" in quotation marks, or its MIDI note number.',
    ),
    "room_c": (
        lambda value: -30 <= value <= 60,
        "from -30 to 60",
        "Give the room temperature in degrees Celsius, without quotation marks.",
    ),
    "gap_s": (
        lambda value: all(
            isinstance(gap, NUMBER) and not isinstance(gap, bool) and 0 <= gap <= 3600
            for gap in (value if isinstance(value, list) else [value])
        ),
        "from 0 to 3600, or a list of such numbers",
        "Give the seconds missing between two parts of a take, or a list with one for each seam.",
    ),
    "date": (
        _is_date,
        "a date",
        "Write year, month and day, such as date = 2026-03-02.",
    ),
}
"""What a value must be to make sense: the check, the words for it, and what to do."""


def _check_limit(limit: float, unit: str, section: str, key: str) -> None:
    """Refuse a limit that nothing can keep; levels in dB lie below zero, a number may be none."""
    if (limit < 0 or (limit == 0 and unit)) and not unit.startswith("dB"):
        remedy = f"Give the largest size in {unit} that is still good, without a sign."
        raise _wrong(limit, "above 0", section, key, remedy)


def _no_limit(section: str) -> InputError:
    return InputError(
        "The limit itself is missing.",
        where=f"{FILE}, [{section}]",
        remedy='Write it as { limit = 900, source = "service document, page 12" }.',
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
            raise _wrong(word, wanted, where, key, remedy)


def _tables(document: Mapping[str, Any], key: str) -> dict[str, dict[str, Any]]:
    for name, table in document.get(key, {}).items():
        if not isinstance(table, dict):
            raise InputError(
                f"{key}.{name} must be a table; got {table!r}.",
                where=f"{FILE}, [{key}], {name}",
                remedy=f"Write [{key}.{name}] on a line of its own, with its keys below.",
            )
    return dict(document.get(key, {}))
