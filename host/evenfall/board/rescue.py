"""Runs out of a board's raw flash when its file system cannot be mounted any more.

littlefs keeps a file of more than a block as blocks that point back: block n of a file begins with
ctz(n) + 1 block numbers of four bytes, little endian, the first of them that of block n - 1; block 0
has none (littlefs, DESIGN.md, "CTZ skip-lists").  A run is frames with CRC-32 that count from 0, so its
first block is known by the header's frame, and each next one by its pointer back and by the frame that
goes on across the border.  No directory and no superblock is needed.  Deleted runs whose blocks were
not used again are found, too.
"""

from __future__ import annotations

from base64 import b64decode
from collections import defaultdict
from collections.abc import Callable

from evenfall_wire import messages

from evenfall.board.firmware_install import Prompt
from evenfall.board.run_file import open_frame
from evenfall.errors import BoardError, LinkError

BLOCK = 4096  # bytes, the RP2040's and RP2350's erase sector
HEADER = messages.BY_NAME["run_header"][0]
END = messages.BY_NAME["run_end"][0]
MAX_STEPS = 2000  # looks at a next block for one run: an image made to mislead ends, too
MAX_FLASH = 64 << 20  # bytes
MAX_BLOCKS = 128  # of one run: half a megabyte, more than any board records


def runs_in(image: bytes, block: int = BLOCK) -> list[bytes]:
    """The runs in a flash image, bit for bit, in the order of their first blocks; each set of bytes once.

    A run whose later blocks are gone is given up to its last whole frame.
    """
    count = len(image) // block
    blocks = [image[n * block : (n + 1) * block] for n in range(count)]
    after: dict[int, list[int]] = defaultdict(list)
    for number, content in enumerate(blocks):
        before = int.from_bytes(content[:4], "little")
        if before < count and before != number:
            after[before].append(number)
    found: dict[bytes, None] = {}
    for number, content in enumerate(blocks):
        first = open_frame(content[: max(0, content.find(b"\0"))])
        if first is not None and (first.kind, first.sequence) == (HEADER, 0):
            found.setdefault(_longest(blocks, after, number))
    return list(found)


def _longest(blocks: list[bytes], after: dict[int, list[int]], first: int) -> bytes:
    """The most frames in order that the blocks from `first` on give."""
    best = b""
    waiting: list[tuple[tuple[int, ...], bytes]] = [((first,), blocks[first])]
    for _ in range(MAX_STEPS):
        if not waiting:
            break
        path, data = waiting.pop()
        whole, frames, ended = _in_order(data)
        if len(whole) > len(best):
            best = whole
        if ended:
            return whole
        block_index = len(path)
        if block_index >= MAX_BLOCKS:
            continue
        skip = 4 * ((block_index & -block_index).bit_length())  # ctz(place) + 1 pointers
        for number in after[path[-1]]:
            longer = data + blocks[number][skip:]
            if number not in path and _in_order(longer)[1] > frames:
                waiting.append(((*path, number), longer))
    return best


def _in_order(data: bytes) -> tuple[bytes, int, bool]:
    """(frames from 0 on that are whole and in order, their number, whether the run's end is there)."""
    at = frames = 0
    while (stop := data.find(b"\0", at)) >= 0:
        frame = open_frame(data[at:stop])
        if frame is None or frame.sequence != frames & 0xFFFF:
            break
        at, frames = stop + 1, frames + 1
        if frame.kind == END:
            return data[:at], frames, True
    return data[:at], frames, False


def flash_of(prompt: Prompt, progress: Callable[[int, int], None]) -> bytes:
    """The flash that the board's file system lies in, block by block from its prompt.

    Raises BoardError or LinkError; nothing on the board is changed.
    """
    prompt.run(
        f"import rp2, binascii\nfw_flash = rp2.Flash()\nfw_block = bytearray({BLOCK})\n"
        "def fw_read(n):\n"
        " fw_flash.readblocks(n, fw_block)\n"
        " if fw_block == b'\\xff' * len(fw_block):\n"
        "  return ''\n"
        " return binascii.b2a_base64(fw_block).decode().strip()\n"
    )
    count = int(prompt.value("fw_flash.ioctl(4, 0)"))
    if not 0 < count <= MAX_FLASH // BLOCK or int(prompt.value("fw_flash.ioctl(5, 0)")) != BLOCK:
        raise BoardError("the board says that its flash has a size that no such board has")
    image = bytearray()
    for number in range(count):
        text = str(prompt.value(f"fw_read({number})"))
        try:
            block = b64decode(text, validate=True) if text else b"\xff" * BLOCK
        except ValueError:
            block = b""
        if len(block) != BLOCK:
            raise LinkError(f"block {number} of the board's flash arrived damaged; try again")
        image += block
        progress(number + 1, count)
    return bytes(image)
