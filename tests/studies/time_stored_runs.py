"""Time spent on stored runs by the host under one checkout: python time_stored_runs.py CHECKOUT RUN_FILE RUNS

Prints milliseconds a run of processor time: all, read and decode, reduce, keep (median over batches of 50).
Runs are reduced ten together, as `runs reduce` does.  A program of its own, so that two checkouts can take
turns.
"""

import statistics
import sys
import tempfile
import time
from pathlib import Path

if __name__ == "__main__":
    sys.path[:0] = [str(Path(sys.argv[1]) / part) for part in ("host", "protocol")]

from evenfall.archive.archive import Archive
from evenfall.board import run_file
from evenfall.model import Air, Calibration, Reduction, Setup
from evenfall.workflow import reduce_service
from evenfall_wire import messages

BATCH = 50
TOGETHER = 10
CALIBRATION = dict(zero_count=0.0, span_u_rel=0.001, arm_m=0.25)
SETUP = Setup(inertia_kg_m2=0.0025, inertia_u_kg_m2=5e-5)
AIR = Air(98_000.0, 293.15, 0.5)


def numbered(data: bytes, run_id: int) -> bytes:
    """The same run under another number: the header's frame made anew."""
    first, rest = data.split(b"\x00", 1)
    frame = run_file.open_frame(first)
    assert frame and frame.kind == run_file.TYPE_OF["run_header"]
    head, _ = messages.unpack("run_header", frame.payload)
    names = [f[0] for f in messages.BY_NAME["run_header"][2]]
    values = [run_id if n == "run_id" else v for n, v in zip(names, head, strict=True)]
    return run_file.frame_bytes("run_header", 0, values) + rest


def figures(archive: Archive, numbers: list[int]) -> list[Reduction]:
    """Of those runs; one by one where a version knows no other way."""
    if hasattr(reduce_service, "reduce_kept_together"):
        return reduce_service.reduce_kept_together(archive, numbers)
    return [reduce_service.reduce_kept(archive, number)[0] for number in numbers]


def main(file: Path, many: int) -> None:
    data = file.read_bytes()
    span = run_file.decode_run(data).settings["span"] / 1000.0
    rows = []
    with tempfile.TemporaryDirectory() as folder, Archive(Path(folder) / "archive") as archive:
        filed = {
            "calibration_id": archive.add_record(Calibration(span_count_per_N=span, **CALIBRATION)),
            "setup_id": archive.add_record(SETUP),
            "air_id": archive.add_record(AIR),
        }
        with archive.change():
            runs = [archive.store_run(numbered(data, n), **filed) for n in range(1, many + 1)]
        for first in range(0, many, BATCH):
            decoded = figured = kept = 0.0
            with archive.change():
                for i in range(first, min(first + BATCH, many), TOGETHER):
                    some = runs[i : min(i + TOGETHER, first + BATCH)]
                    at = time.process_time()
                    for number in some:  # once more than needed, to know its share
                        archive.run(number)
                    begun = time.process_time()
                    results = figures(archive, some)
                    done = time.process_time()
                    for number, result in zip(some, results, strict=True):
                        archive.store_reduction(number, result, 250.0)
                    end = time.process_time()
                    decoded, figured, kept = decoded + begun - at, figured + done - begun, kept + end - done
            size = len(runs[first : first + BATCH])
            rows.append([1000 * t / size for t in (figured + kept, decoded, figured - decoded, kept)])
    print(*(f"{statistics.median(column):.4f}" for column in zip(*rows, strict=True)))


if __name__ == "__main__":
    main(Path(sys.argv[2]), int(sys.argv[3]))
