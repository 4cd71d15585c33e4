"""The board as an emulated RP2040.  What needs an image is skipped with that reason."""

import pytest
from evenfall_bench import scenario as scenarios
from evenfall_bench.batch import run_one
from evenfall_bench.chip import parts
from evenfall_bench.image import PROJECT, BenchError


def found() -> parts.Parts:
    """The chip's parts, or a skip that says what is missing."""
    try:
        return parts.find()
    except BenchError as error:
        pytest.skip(str(error))


def test_a_missing_image_is_said_in_one_sentence(monkeypatch, tmp_path):
    monkeypatch.delenv(parts.IMAGE_VARIABLE, raising=False)
    with pytest.raises(BenchError, match=r"--chip IMAGE\.uf2 or in EVENFALL_CHIP_IMAGE"):
        parts._image("")
    with pytest.raises(BenchError, match="there is no image"):
        parts._image(tmp_path / "none.uf2")
    (tmp_path / "other.uf2").write_bytes(b"not a UF2")
    with pytest.raises(BenchError, match="is no UF2 file"):
        parts._image(tmp_path / "other.uf2")


def test_a_missing_emulator_is_said_in_one_sentence(monkeypatch, tmp_path):
    monkeypatch.setattr(parts.sys, "prefix", str(tmp_path))
    with pytest.raises(BenchError, match="run `make chip`"):
        parts._emulator()
    monkeypatch.setattr(parts.shutil, "which", lambda _: None)
    with pytest.raises(BenchError, match=r"Node\.js"):
        parts._node()


def test_the_firmware_sweeps_on_the_chip():
    chip = found()
    scenario = scenarios.load("trail-crew")  # with a barometer on the bus
    result = run_one(scenario, 1, 1, True, False, PROJECT / "firmware", chip)
    assert "error" not in result, result.get("error")
    (run,) = result["runs"]
    assert run["host"]["verdict"] == "good"
    assert run["tracking"]["rms_percent"] < 1.0
    assert run["torque_error"]["rms_percent"] < 0.5
    assert [e["what"] for e in result["board_log"]] == ["boot", "kill output", "valve", "kill line"]
