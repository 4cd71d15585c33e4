"""First of all, in an image of our own (frozen): mounts the flash, never wipes it.

Goes in the place of ports/rp2/modules/_boot.py when MicroPython is built.

The stock script of the port makes a new file system whenever mounting fails,
which would take the stored runs with it.  Here only flash that was never used
(both blocks of the file system's head still erased) is formatted; otherwise
the board comes up without files, says store_damaged and stays reachable.
"""

import rp2
import vfs


def _never_used(flash):
    block = bytearray(4096)
    for number in (0, 1):
        flash.readblocks(number, block)
        if block != b"\xff" * 4096:
            return False
    return True


def _mount():
    flash = rp2.Flash()
    try:
        vfs.mount(vfs.VfsLfs2(flash, progsize=256), "/")
    except OSError:
        if _never_used(flash):
            vfs.VfsLfs2.mkfs(flash, progsize=256)
            vfs.mount(vfs.VfsLfs2(flash, progsize=256), "/")


_mount()
