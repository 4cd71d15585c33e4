"""Whether SQLite's write-ahead log holds changes that can no longer be read.

SQLite itself takes what comes before the first damaged frame and says nothing of the rest.  The
format is that of SQLite, "Database File Format", 4 ("The Write-Ahead Log").
"""

from __future__ import annotations

import numpy as np

HEADER, FRAME_HEADER = 32, 24
PAGE_SIZES = [1 << n for n in range(9, 17)]  # bytes
MAGIC = 0x377F0682  # or 1 more: the words of checksums are big-endian


def holds_lost_changes(log: bytes) -> bool:
    """Whether a committed change lies behind the first place where the log is damaged.

    A log that ends in an unfinished change is what a kill leaves; frames of before the log was begun
    anew carry other salts.  Neither is damage.
    """
    if len(log) <= HEADER:
        return False
    header = np.frombuffer(log[:HEADER], ">u4").astype(np.uint32)
    order, page = "<u4" if header[0] == MAGIC else ">u4", int(header[2])
    weights = _weights(HEADER - 8)
    start = weights @ np.frombuffer(log[: HEADER - 8], order).astype(np.uint32)
    if header[0] & ~np.uint32(1) != MAGIC or not np.array_equal(start, header[6:8]):
        return True
    if page not in PAGE_SIZES:
        return True
    count = (len(log) - HEADER) // (FRAME_HEADER + page)
    if not count:
        return False
    frames = np.frombuffer(log, np.uint8, count * (FRAME_HEADER + page), HEADER).reshape(count, -1)
    heads = np.ascontiguousarray(frames[:, :FRAME_HEADER]).view(">u4").astype(np.uint32)
    same_salts = heads[:, 2:4] == header[4:6]
    summed = np.ascontiguousarray(np.hstack((frames[:, :8], frames[:, FRAME_HEADER:]))).view(order)
    own = summed.astype(np.uint32) @ _weights(8 + page).T
    carried = _powers((8 + page) // 8)[-1]
    before = np.vstack((start[None], heads[:-1, 4:6]))  # what each frame's sum goes on from
    sound = same_salts.all(axis=1) & ((before @ carried.T + own) == heads[:, 4:6]).all(axis=1)
    behind = slice(int(np.argmin(sound)), count) if not sound.all() else slice(count, count)
    return bool(np.any((heads[behind, 1] != 0) & same_salts[behind].any(axis=1)))


def same_log(a: bytes, b: bytes) -> bool:
    """Whether two copies are of one log, begun at one moment (its salts)."""
    return a[16:24] == b[16:24]


def _powers(n: int) -> np.ndarray:
    """(n + 1, 2, 2) uint32: powers of what a pair of words does to the two sums, modulo 2**32."""
    powers = np.empty((n + 1, 2, 2), np.uint32)
    powers[0] = np.eye(2)
    step = np.array([[1, 1], [1, 2]], np.uint32)
    for k in range(n):
        powers[k + 1] = step @ powers[k]
    return powers


def _weights(size: int) -> np.ndarray:
    """(2, size / 4) uint32: the two sums of so many bytes, begun at zero, are weights @ their words.

    For each pair of words x, y: s += x + t, then t += y + s.
    """
    pair = np.array([[1, 0], [1, 1]], np.uint32)
    powers = _powers(size // 8 - 1)[::-1]
    return np.concatenate(list(powers @ pair), axis=1)
