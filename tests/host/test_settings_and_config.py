"""Settings typed with units and names, what is remembered, and lists of runs."""

import json
import os

import evenfall.cli
import pytest
from evenfall import config, units
from evenfall.archive.archive import write_whole
from evenfall.board import settings
from evenfall.errors import InputError
from evenfall_wire.settings import SETTINGS


@pytest.mark.parametrize(
    ("name", "text", "value"),
    [
        ("arm_length", "250 mm", 250_000),
        ("arm_length", "0,25 m", 250_000),
        ("arm_length", "10 in", 254_000),  # an inch is 25.4 mm
        ("arm-length", "250000", 250_000),
        ("sweep_time", "10 s", 10_000),
        ("servo_open", "2 ms", 2000),
        ("overspeed", "13500 rpm", 13_500),
        ("load_limit", "90 lbf", 400),  # 90 * 4.4482216 N = 400.34 N: no whole number, refused below
        ("fail_valve", "open", 1),
        ("fail_valve", "Stays", 2),
        ("kill_fitted", "off", 0),
        ("amplifier", "i2c-80", 2),
        ("amplifier_gain", "128", 0),
        ("pin_kill", "none", -1),
        ("span", "42000 counts/N", 42_000_000),
        ("span", "-42000000", -42_000_000),
        ("engine_teeth", "14", 14),
    ],
)
def test_values_take_units_and_names(name, text, value):
    if text == "90 lbf":
        with pytest.raises(InputError, match="no whole number of N"):
            settings.value_of(name, text)
        return
    assert settings.value_of(name, text) == value


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("arm_length", "3 m", "20 mm to 2000 mm"),
        ("arm_length", "250 parsecs", "unit 'parsecs' is not known"),
        ("arm_length", "long", "will not do"),
        ("fail_valve", "ajar", "shut or open or stays"),
        ("fail_valve", "7", "shut or open or stays"),
        ("kill_fitted", "2", "bounds: on or off"),
        ("pin_kill", "30", "bounds: none or 0 to 29"),
        ("engine_teeth", "14 mm", "whole number"),
        ("engine_teeth", "14.5", "no whole number"),
        ("engine_tooth", "14", "did you mean engine_teeth"),
        ("arm_length", "1,250", "1250 or as 1.250"),
    ],
)
def test_what_will_not_do_is_said(name, text, words):
    with pytest.raises(InputError, match=words.replace(".", r"\.")):
        settings.value_of(name, text)


@pytest.mark.parametrize("row", SETTINGS, ids=lambda row: row[1])
def test_what_is_shown_can_be_typed_back(row):
    made = settings.Setting(*row)
    for value in (made.default, made.low, made.high):
        assert settings.value_of(made.name, settings.shown(made, value)) == value


def test_a_comma_is_a_decimal_comma_unless_it_may_divide_thousands():
    assert units.typed("0,5 kg", "mass", "weight") == 0.5
    assert units.typed("12,34 kg", "mass", "weight") == 12.34
    assert units.typed("0,125 kg", "mass", "weight") == 0.125
    with pytest.raises(InputError, match="1013 or as 1"):
        units.typed("1,013 hPa", "pressure", "pressure")


@pytest.fixture
def cli(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("EVENFALL_CONFIG", str(tmp_path / "deep" / "config.toml"))
    for name in ("EVENFALL_UNITS", "EVENFALL_ARCHIVE", "EVENFALL_PORT"):
        monkeypatch.delenv(name, raising=False)

    def run(*words):
        code = evenfall.cli.run(list(words))
        out, err = capsys.readouterr()
        return code, out, err

    return run


def test_what_is_told_once_is_remembered(cli, tmp_path):
    code, out, _ = cli(
        "config",
        "units=si",
        f"archive={tmp_path / 'kept'}",
        'bench=crew "bench"',
        "standard=SAE J1349",
        "--json",
    )
    assert code == 0
    assert json.loads(out)["standard"] == "j1349"
    assert config.load()["bench"] == 'crew "bench"'
    cli("engine", "add", "post auger")
    assert (tmp_path / "kept" / "evenfall.sqlite").exists()
    code, out, _ = cli("air", "standard")
    assert next(line for line in out.splitlines() if line.startswith("*")).split()[1] == "j1349"
    cli("config", "standard=")
    code, out, _ = cli("air", "standard")
    assert next(line for line in out.splitlines() if line.startswith("*")).split()[1] == "iso1585"


@pytest.mark.parametrize(
    ("change", "words"),
    [("colour=red", "cannot be remembered"), ("units", "NAME=VALUE"), ("units=shop", "si, us"),
     ("standard=x", "not known")],
)  # fmt: skip
def test_what_cannot_be_remembered_is_said(cli, change, words):
    code, _, err = cli("config", change)
    assert (code, words in err) == (2, True), err
    assert not config.path().exists()


def test_a_broken_file_is_named(cli):
    config.path().parent.mkdir(parents=True)
    config.path().write_text("units = \n")
    code, _, err = cli("runs", "list")
    assert code == 2 and str(config.path()) in err


def test_environment_goes_before_what_is_remembered(cli, tmp_path, monkeypatch):
    cli("config", f"archive={tmp_path / 'kept'}")
    monkeypatch.setenv("EVENFALL_ARCHIVE", str(tmp_path / "other"))
    cli("engine", "add", "post auger")
    assert (tmp_path / "other" / "evenfall.sqlite").exists() and not os.path.exists(tmp_path / "kept")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--engine", "post augur"], "no engine 'post augur'; engines here: post auger"),
        (["--engine", "post auger", "--build", "bored"], "no build 'bored'"),
        (["--build", "bored"], "no build 'bored'"),
        (["--tag", "bset"], "no tag 'bset'"),
        (["--flag", "broken"], "no flag 'broken'"),
        (["--session", "9"], "no session 9"),
    ],
)
def test_an_unknown_name_in_a_filter_is_said(cli, tmp_path, words, said):
    cli("engine", "add", "post auger", "--use", "--archive", str(tmp_path / "a"))
    for verb in (["runs", "list"], ["runs", "find", "oil"], ["runs", "reduce"]):
        code, _, err = cli(*verb, *words, "--archive", str(tmp_path / "a"))
        assert code == 6 and said in err, err


def test_what_is_no_file_is_not_replaced(monkeypatch, tmp_path):
    """As root, a name in /dev would have become a plain file, for every program of the computer."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    monkeypatch.setenv("EVENFALL_CONFIG", str(pipe))
    with pytest.raises(InputError, match="no file"):
        config.save({"units": "si"})
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    write_whole(pipe, b"data")
    assert os.read(reader, 10) == b"data" and pipe.is_fifo()
    os.close(reader)


def test_a_folder_that_takes_no_file_is_named(monkeypatch, tmp_path):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("EVENFALL_CONFIG", str(tmp_path / "file" / "config.toml"))
    with pytest.raises(InputError, match="cannot be written"):
        config.save({"units": "si"})
