"""readings.csv as spreadsheets and hands write it."""

import datetime
import math

import pytest

from sigkit.errors import InputError
from sigkit.evidence.job.folder import open_job
from sigkit.evidence.logs.readings import (
    Rail,
    rails_of,
    read_readings,
    room_of,
    temperature,
)

STAGES = ("before", "after")
HEAD = "stage,minutes,test,subject,room_c,ripple_mv,rail_plus_v,rail_minus_v,note"


def read(tmp_path, data):
    path = tmp_path / "readings.csv"
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return read_readings(path, STAGES)


def test_no_file_no_readings(tmp_path):
    assert read_readings(tmp_path / "readings.csv", STAGES) == ()


def test_a_plain_table(tmp_path):
    text = (
        f"{HEAD}\nbefore,0,warmup,Oscillator 1,20.5,1.2,+14.60,-14.55,lid open\n\nafter,,,,22,,,,"
    )
    first, second = read(tmp_path, text)
    assert (first.line, first.stage, first.test, first.subject) == (
        *(2, "before", "warmup"),
        "oscillator_1",
    )
    assert (first.time_s, first.clock) == (0.0, None)
    assert first.values == {"room_c": 20.5, "ripple_mv": 1.2}
    assert first.rails["plus"] == Rail(14.6, pytest.approx(0.01))
    assert str(first.rails["minus"]) == "-14.55"
    assert (second.line, second.values, second.rails) == (4, {"room_c": 22.0}, {})
    assert math.isnan(second.time_s)
    assert "lid open" not in repr((first, second))


@pytest.mark.parametrize(
    "data",
    [
        "\ufeffstage;minutes;room_c;rail_plus_v\r\nbefore;2,5;20,5;14,98\r\n".encode(),
        "stage\tminutes\troom_c\trail_plus_v\nbefore\t2,5\t20,5\t14,98\n".encode("utf-16"),
        b'sep=,\nStage,Minutes,Room_C,Rail_Plus_V\nbefore,"2,5","20,5","14,98"\n',
        b"stage;time_s;room_c;rail_plus_v;note\nbefore;150;20.5;14.98;26 \xb0C drau\xdfen\n",
        b"stage,minutes,room_c,rail_plus_v\nbefore, 2.5, 20.5,14.98",
    ],
)
def test_decimal_commas_byte_order_marks_and_semicolons(tmp_path, data):
    (reading,) = read(tmp_path, data)
    assert reading.time_s == 150.0
    assert reading.values["room_c"] == 20.5
    assert reading.rails["plus"].volts == 14.98


@pytest.mark.parametrize(
    ("head", "cell", "value"),
    [
        ("rail_x_v", "15,02 V", 15.02),
        ("rail_x_v", "15,02\N{NO-BREAK SPACE}V", 15.02),
        ("rail_x_v", "\N{MINUS SIGN}15,02", -15.02),
        ("rail_x_v", "\N{EN DASH}15,02", -15.02),
        ("rail_x_v", "15.020", 15.02),
        ("room_c", "20,5 °C", 20.5),
        ("ripple_mv", "1\N{NARROW NO-BREAK SPACE}234,5 mV", 1234.5),
        ("ripple_mv", "0,125", 0.125),
        ("minutes", "1 000", 60_000.0),
    ],
)
def test_numbers_as_spreadsheets_and_hands_write_them(tmp_path, head, cell, value):
    (reading,) = read(tmp_path, f"stage;{head};note;;\nbefore;{cell};;;\n")
    rails = {f"rail_{name}_v": rail.volts for name, rail in reading.rails.items()}
    assert {"minutes": reading.time_s, **reading.values, **rails}[head] == pytest.approx(value)


def test_a_decimal_mark_that_the_table_shows_leaves_no_doubt(tmp_path):
    first, second = read(tmp_path, "stage,ripple_mv\nbefore,1.2\nbefore,1.250\n")
    assert (first.values["ripple_mv"], second.values["ripple_mv"]) == (1.2, 1.25)


def test_a_time_of_day_may_lack_its_zero(tmp_path):
    (reading,) = read(tmp_path, "stage;date_time\nbefore;2.3.2026 9:05\n")
    assert reading.clock == datetime.datetime(2026, 3, 2, 9, 5)


def test_rails_and_room_over_several_readings(tmp_path):
    rows = read(
        tmp_path,
        "stage,minutes,room_c,rail_plus_v,rail_minus_v\nbefore,0,20,15.01,\nbefore,30,21,15.02,-15\n"
        "before,60,25,14.7,-15.1",
    )
    assert room_of(rows) == 22.0
    assert rails_of(rows)["plus"] == Rail(15.01, pytest.approx(0.1))
    assert rails_of(rows)["minus"] == Rail(-15.05, 1.0)
    assert room_of(()) is None


def test_temperature_over_time_since_switch_on(tmp_path):
    rows = read(
        tmp_path,
        "stage,minutes,date_time,room_c\nbefore,30,,21.5\nbefore,0,,20\nbefore,60,,\n"
        "before,,2026-03-02 10:25:30,21\nbefore,,2026-03-02T11:15,22\n",
    )
    found = temperature(rows)
    assert list(found.columns) == ["time_s", "room_c"]
    assert found.to_numpy().tolist() == [[0.0, 20.0], [1800.0, 21.5]]
    found = temperature(rows, datetime.datetime(2026, 3, 2, 10, 15))
    assert found.time_s.tolist() == [0.0, 630.0, 1800.0, 3600.0]
    assert temperature(rows[2:]) is None


@pytest.mark.parametrize(
    ("text", "problem", "remedy", "line"),
    [
        ("stage,room\nbefore,20", "Unknown column 'room'", "Known columns: stage, minutes", 1),
        ("stage,romm_c\nbefore,20", "Unknown column", "Did you mean 'room_c'?", 1),
        ("stage,rail_plus\nbefore,20", "Unknown column", "rail_NAME_v", 1),
        ("stage,room_c,Room_c\nbefore,20,21", "is there twice", "Remove one", 1),
        ("minutes,room_c\n1,20", "no column 'stage'", "Name the stage", 1),
        ("stage,room_c\nbefor,20", "no stage 'befor'", "Did you mean 'before'?", 2),
        ("stage,room_c\n\n,20", "no stage ''", "Known stages: before, after", 3),
        ("stage,test\nbefore,warmpu", "no bench test named 'warmpu'", "'warmup'", 2),
        ("stage,room_c\nbefore,20 F", "room_c must be a number; got '20 F'", "in °C or C", 2),
        ("stage,rail_x_v\nbefore,15020 mV", "must be a number", "in V", 2),
        ("stage,rail_x_v\nbefore,15020", "must lie from -1000 to 1000", "unit", 2),
        ("stage,rail_x_v\nbefore,01. Apr", "must be a number", "in V", 2),
        ("stage;minutes;room_c\nbefore;1.000;20,5", "may be 1.000 or 1000", "thousands", 2),
        ('stage,ripple_mv\nbefore,"1,234"', "may be 1.234 or 1234", "thousands", 2),
        ("stage;minutes\nbefore;1.000,5", "must be a number", "in min", 2),
        ("stage,minutes,room_c\nbefore,60,20,5,", "5 cells, and there are 3", "semicolons", 2),
        ("stage,room_c\nbefore,68", "must lie from -30 to 60; got 68", "unit", 2),
        ("stage,ripple_mv\nbefore,-1", "must lie from 0", "unit", 2),
        ("stage,rail_plus_v\nbefore,nan", "must be a number", "in V", 2),
        ("stage,room_c\nbefore,20,5", "3 cells, and there are 2 columns", "semicolons", 2),
        ("stage,minutes,time_s\nbefore,1,60", "switch-on twice", "minutes or time_s", 2),
        ("stage,date_time\nbefore,2.3.2026", "must be a date and a time", "2026-03-02 10:15", 2),
        ('stage,note\nbefore,"open', "are no table", "Save them", 1),
        ("\n\n", "are empty", "column names", 1),
    ],
)
def test_what_makes_no_sense_has_three_lines_and_its_place(tmp_path, text, problem, remedy, line):
    with pytest.raises(InputError) as error:
        read(tmp_path, text)
    assert problem in error.value.problem
    assert remedy in error.value.remedy
    assert error.value.where == f"readings.csv, line {line}"
    assert len(str(error.value).splitlines()) == 3


def test_a_folder_in_its_place_is_said(tmp_path):
    (tmp_path / "readings.csv").mkdir()
    with pytest.raises(InputError, match="cannot be read"):
        read_readings(tmp_path / "readings.csv", STAGES)


def test_readings_reach_the_stages_and_the_takes(job_folder, fake_slider):
    fake_slider.tone(job_folder / "before/warmup-osc.wav", 0.5)
    (job_folder / "readings.csv").write_text(
        "stage;minutes;test;subject;room_c;rail_plus_v\nbefore;0;warmup;osc;20,5;14,6\n"
        "before;30;warmup;osc;23,5;14,62\nafter;;;;21;15,00\nafter;;slider;volum;21;\n"
    )
    job = open_job(job_folder)
    before, after = job.stages
    assert (before.room_c, before.rails_v) == (22.0, {"plus": pytest.approx(14.61)})
    assert (after.room_c, after.rails_v) == (21.0, {"plus": 15.0})
    assert before.room_of("slider", "volume") == 22.0
    takes = {take.key: take for take in job.takes}
    assert takes["before/warmup-osc.wav"].room.time_s.tolist() == [0.0, 1800.0]
    assert takes["before/slider-release.wav"].room is None
    assert takes["after/slider-release.wav"].room is None
    (problem,) = job.problems
    assert (problem.where, problem.problem) == (
        "readings.csv, line 5",
        "There is no capture of 'volum' that the reading could belong to.",
    )
    assert "Did you mean 'volume'?" in problem.remedy


def test_job_toml_goes_before_readings_for_the_stage(job_folder):
    (job_folder / "readings.csv").write_text("stage,room_c,rail_plus_v\nbefore,20,15.00\n")
    (job_folder / "job.toml").write_text("[stages.before]\nroom_c = 25\nrails_v = {minus = -15}\n")
    before = open_job(job_folder).stages[0]
    assert (before.room_c, before.rails_v) == (25, {"minus": -15})
    assert set(before.rails_of("slider", "volume")) == {"minus", "plus"}
