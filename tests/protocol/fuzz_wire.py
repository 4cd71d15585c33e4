"""Coverage-guided fuzzing of everything on the host that takes bytes from outside.

``python fuzz_wire.py [libFuzzer options]``.  The bytes are tried as a stream,
as a run file, and as frames whose CRC is made right, so that the fuzzer gets
past it.  Both parsers must agree on every stream.
"""

import sys

import atheris

with atheris.instrument_imports(include=["evenfall_wire", "evenfall.board.run_file", "evenfall.board.link"]):
    from evenfall.board import run_file
    from evenfall_wire import frames

from wire_references import HostParser, build_frame


def one(data: bytes) -> None:
    """One input; raises on any disagreement."""
    board: list[tuple[int, int, bytes]] = []
    parser = frames.Unframer()
    cut = data[0] if data else 0
    for piece in (data[:cut], data[cut:], b"\x00"):
        parser.feed(piece, lambda k, s, p: board.append((k, s, bytes(p))))
    host: list[tuple[int, int, bytes]] = []
    receiver = HostParser()
    for piece in (data[:cut], data[cut:], b"\x00"):
        receiver.feed(piece, lambda k, s, p: host.append((k, s, p)))
    assert host == board, (host, board)
    assert receiver.bad == parser.bad
    run_file.decode_run(data)
    # forged: the same bytes as (type, payload) frames with a right CRC
    forged = []
    at = 0
    while at < len(data) and len(forged) < 40:
        size = data[at]
        kind = data[at + 1] if at + 1 < len(data) else 0x80
        forged.append((kind, len(forged), data[at + 2 : at + 2 + size]))
        at += 2 + size
    stream = b"".join(build_frame(*f) for f in forged)
    assert [f[:2] for f in map(run_file.open_frame, stream.split(b"\x00")[:-1])] == [f[:2] for f in forged]
    run_file.decode_run(stream)
    for kind, _, payload in forged:
        try:
            run_file.decode_message(kind, payload)
        except ValueError as error:
            if "shorter" not in str(error):
                raise


if __name__ == "__main__":
    atheris.Setup(sys.argv, one)
    atheris.Fuzz()
