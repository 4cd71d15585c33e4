"""Runs out of flash images whose file system is gone; littlefs itself (littlefs-python) makes the images."""

import random
import sys
from pathlib import Path

import pytest
from evenfall.archive.archive import Archive, Query
from evenfall.board.rescue import BLOCK, runs_in
from evenfall_bench import scenario
from evenfall_bench.session import Session
from littlefs import LittleFS
from sample_runs import sample_run

BLOCKS = 352


def image_with(runs, seed=0, rounds=1):
    """A used flash: written in pieces beside other files, some deleted again."""
    rng = random.Random(seed)
    fs = LittleFS(block_size=BLOCK, block_count=BLOCKS, prog_size=256, read_size=256)
    fs.mkdir("/runs")
    for n, data in enumerate(runs):
        for r in range(rounds - 1):
            with fs.open(f"/filler{r}", "wb") as f:
                f.write(rng.randbytes(rng.randrange(3000, 30000)))
        with fs.open(f"/runs/{n:08x}.tmp", "wb") as f:
            for at in range(0, len(data), 512):
                f.write(data[at : at + 512])
        fs.rename(f"/runs/{n:08x}.tmp", f"/runs/{n:08x}.run")
        if rounds > 1:
            fs.remove("/filler0")
    return bytearray(fs.context.buffer), fs


@pytest.fixture(scope="module")
def runs():
    return [sample_run(n, seconds=4.0 + 0.4 * n, seed=n) for n in range(14)]


def test_a_sound_image_gives_its_runs(runs):
    image, _ = image_with(runs)
    assert sorted(runs_in(bytes(image))) == sorted(runs)


def test_all_runs_are_found_without_superblock_and_directories(runs):
    """The blocks that hold metadata are those in which littlefs wrote no run's bytes: all of them go."""
    image, _ = image_with(runs, seed=1, rounds=3)
    sure = [data[k : k + 64] for data in runs for k in range(0, len(data) - 64, 64)]
    sure += [data[-16:] for data in runs]
    wiped = 0
    for number in range(BLOCKS):
        block = bytes(image[number * BLOCK : (number + 1) * BLOCK])
        if number < 2 or not any(piece in block for piece in sure):
            image[number * BLOCK : (number + 1) * BLOCK] = b"\xff" * BLOCK
            wiped += 1
    assert wiped > 10
    assert sorted(runs_in(bytes(image))) == sorted(runs)


def test_a_lost_block_costs_the_rest_of_one_run_only(runs):
    image, _ = image_with(runs)
    place = bytes(image).find(runs[8][5000:7000])
    assert place > 0
    at = place // BLOCK
    image[at * BLOCK : (at + 1) * BLOCK] = b"\xff" * BLOCK
    found = runs_in(bytes(image))
    assert set(runs) - set(found) == {runs[8]}
    (short,) = set(found) - set(runs)
    assert runs[8].startswith(short) and len(short) > 3000


def test_deleted_runs_are_found_while_their_blocks_are_there(runs):
    _, fs = image_with(runs[:4])
    fs.remove("/runs/00000002.run")
    assert runs[2] in runs_in(bytes(fs.context.buffer))


def test_noise_and_made_up_blocks_end(runs):
    rng = random.Random(3)
    assert runs_in(rng.randbytes(64 * BLOCK)) == []
    assert runs_in(b"") == []
    assert runs_in(b"\xff" * (BLOCKS * BLOCK)) == []
    # a first block, and every other block points back to it and to each other
    head = runs[0][:BLOCK]
    rest = b"".join((0).to_bytes(4, "little") + runs[0][BLOCK : 2 * BLOCK - 4] for _ in range(60))
    (found,) = runs_in(head + rest)
    assert runs[0].startswith(found)


def test_a_board_without_a_file_system_gives_its_runs_from_its_prompt(tmp_path, runs):
    """On the bench's board: the superblock is gone, so it waits at its prompt; its flash is read there."""
    image, _ = image_with(runs[:6])
    image[: 2 * BLOCK] = b"\x55" * (2 * BLOCK)  # neither erased nor sound: nothing is formatted
    flash = tmp_path / "flash.img"
    flash.write_bytes(image)
    folder = tmp_path / "kept"
    command = [
        Path(sys.executable).with_name("evenfall"),
        "board",
        "rescue",
        "--any-board",
        "--archive",
        folder,
    ]
    with Session(scenario.load("trail-crew"), runs=0, image=flash) as session:
        session.run_for(0.5)
        assert "prompt" in [what for _, what, _ in session.board.log], session.board.log
        done = session.run_beside([*map(str, command), "--port", session.port_path], 200.0)
    assert done.returncode == 0, done.stderr
    assert "6 runs found in 1408 KiB of flash" in done.stdout
    with Archive(folder) as archive:
        kept = [archive.raw(r["run"]) for r in archive.find(Query())]
    assert sorted(kept) == sorted(runs[:6])
    assert flash.read_bytes() == bytes(image)
