"""A new job's folder: settings to fill in, empty logs, a first stage, and sheets to print."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from sigkit.errors import InputError
from sigkit.evidence.job.files import SHEETS
from sigkit.evidence.job.settings import FILE, toml_key
from sigkit.evidence.logs.readings import FILE as READINGS
from sigkit.evidence.logs.repairs import COLUMNS as REPAIR_COLUMNS
from sigkit.evidence.logs.repairs import FILE as REPAIRS
from sigkit.evidence.sheets.pages import write_sheets

FIRST = ("1_before",)
READING_COLUMNS = "stage,test,subject,minutes,room_c,rail_plus15_v,rail_minus15_v,note"
SETTINGS = """\
# What the names of captures cannot say. Take the # away where you fill something in.
{unit}
# description = "44-key two-oscillator keyboard synthesizer"
{mains}
# lowest_key = "F2"
# keys = 44
{stages}
# A stage without recordings says why:
# [stages.1_before]
# reason = "not safe to power"

# What the owner said was wrong, in the owner's own words; no names, as the report shows it:
# [report]
# complaint = "..."
# complaint_tests = ["slider-volume", "warmup"]

# Limits of your own, or of a service document, go before the guide values:
# [limits.keyboard]
# scale_error = 2

# Never leaves this folder:
# [private]
# owner = "..."
"""
STAGE = """
[stages.{name}]
# date = "2026-03-02"
# room_c = 20.5
# gain_db = 24          # of the recorder's input, as you wrote it down
"""


def new_job(
    folder: str | Path,
    *,
    unit: str = "",
    mains_hz: float | None = None,
    stages: Sequence[str] = FIRST,
    sheets: bool = True,
    paper: str = "a4",
) -> list[Path]:
    """Make the folder of a new job; whatever is there already is left as it is.

    Parameters
    ----------
    folder : str or Path
        Where; made if it is not there.
    unit : str, optional
        Code of the unit under test; no serial number, as it stands in the report.
    mains_hz : float, optional
        Frequency of the mains.
    stages : sequence of str, optional
        Names of its stages; more are made when they are recorded.
    sheets : bool, optional
        Whether to put protocol sheets beside them, as HTML to print.
    paper : {"a4", "letter"}, optional
        Paper of the sheets.

    Returns
    -------
    list of Path
        What was made, in order.

    Raises
    ------
    InputError
        A folder that holds a job already or cannot be written to, a stage that is no plain name, or
        no such paper.
    """
    folder = Path(folder)
    if (folder / FILE).exists():
        raise InputError(
            "There is a job in this folder already.",
            where=str(folder / FILE),
            remedy="Choose a new folder; nothing was changed.",
        )
    for name in stages:
        if not name.strip() or Path(name).name != name or name.startswith((".", "evidence")):
            raise InputError(
                f"{name!r} cannot be the name of a stage.",
                where=str(folder),
                remedy="Give a plain name, such as 1_before.",
            )
    texts = {
        FILE: SETTINGS.format(
            unit=f"unit = {json.dumps(unit)}" if unit else '# unit = "A1"',
            mains="# mains_hz = 50" if mains_hz is None else f"mains_hz = {mains_hz:g}",
            stages="".join(STAGE.format(name=toml_key(name)) for name in stages),
        ),
        READINGS: f"{READING_COLUMNS}\n",
        REPAIRS: f"{','.join(REPAIR_COLUMNS)}\n",
    }
    made: list[Path] = []
    try:
        for name in stages:
            (folder / name).mkdir(parents=True, exist_ok=True)
            made.append(folder / name)
        for file, text in texts.items():
            if not (folder / file).exists():
                (folder / file).write_text(text, encoding="utf-8")
                made.append(folder / file)
    except OSError as error:
        raise InputError(
            f"The job cannot be made: {error.strerror}.",
            where=str(folder),
            remedy="Choose a folder that you may write to.",
        ) from error
    if sheets:
        made += write_sheets([], folder / SHEETS, paper=paper, pdf=False)
    return made
