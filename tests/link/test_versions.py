"""This host against boards of other protocol versions: the real firmware on a changed wire package."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from evenfall.board import link, run_file
from evenfall.errors import BoardError, LinkError
from evenfall_bench.image import PROJECT, make_image
from line_rig import LiveBench, record_runs, runs_on_flash, with_link

WIRE = PROJECT / "protocol" / "evenfall_wire"


def board_with(folder: Path, changes: dict[str, str]) -> Path:
    """A fresh flash image whose messages.py is changed by replacing text."""
    other = folder / "evenfall_wire"
    shutil.copytree(WIRE, other, ignore=shutil.ignore_patterns("__pycache__"))
    text = (other / "messages.py").read_text()
    for old, new in changes.items():
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    (other / "messages.py").write_text(text)
    image = folder / "made.img"
    make_image(image, wire=other, blocks=with_link()["flash"]["blocks"])
    return image


def test_a_newer_minor_version_with_more_fields_is_understood(tmp_path):
    """Every message without repeating fields has four bytes more; the run file of such a board, too."""
    image = board_with(
        tmp_path,
        {
            "PROTO_MINOR = 1": "PROTO_MINOR = 7",
            "        offset += size\n    return offset\n": (
                "        offset += size\n"
                '    if EACH[name] == "<" and BY_NAME[name][0] >= 0x40:\n'
                '        struct.pack_into("<I", buffer, offset, 0xA5A5A5A5)\n'
                "        offset += 4\n"
                "    return offset\n"
            ),
        },
    )
    record_runs(image, runs=1)
    stored = runs_on_flash(image)[1][0]
    place = tmp_path / "board"
    place.mkdir()
    with LiveBench(with_link(), place, image) as bench, link.Link(bench.url) as line:
        assert line.info and line.info.protocol == "2.7"
        assert line.status()["state"] == "rest"
        (entry,) = line.runs()
        data = line.read_run(entry, tmp_path / "part")
        line.acknowledge(entry.run_id, data)
        assert "Traceback" not in bench.console
    assert data == stored
    run = run_file.decode_run(data)
    assert not run.damage and run.complete and run.verdict
    assert run.board_uid.startswith("e660")


@pytest.mark.parametrize(
    ("major", "error", "sentence"),
    [
        (3, LinkError, r"speaks protocol 3\.1, this evenfall speaks 2\.1: update evenfall"),
        (0, BoardError, r"speaks protocol 0, this evenfall speaks 2\.1: update the board's firmware"),
    ],
)
def test_another_major_version_is_one_clear_sentence(major, error, sentence, tmp_path):
    image = board_with(tmp_path, {"PROTO_MAJOR = 2": f"PROTO_MAJOR = {major}"})
    place = tmp_path / "board"
    place.mkdir()
    with LiveBench(with_link(), place, image) as bench:
        with pytest.raises(error, match=sentence) as caught:
            link.Link(bench.url).open()
        assert "\n" not in str(caught.value)
        assert bench.session.board.boots == 1
