# ruff: noqa: I001
"""A board at its prompt: `micropython -i prompt_board.py IMAGE BLOCKS`, littlefs on a file as /."""

import sys

import os
import vfs


class Image:
    """Block device of 4 KiB blocks in a file."""

    def __init__(self, path, blocks):
        self._blocks = blocks
        try:
            self._f = open(path, "r+b")
            self.fresh = False
        except OSError:
            self._f = open(path, "w+b")
            self._f.write(b"\xff" * (4096 * blocks))
            self.fresh = True

    def ioctl(self, op, arg):
        if op == 4:
            return self._blocks
        if op == 5:
            return 4096
        if op == 6:
            self._f.seek(arg * 4096)
            self._f.write(b"\xff" * 4096)
        if op in (2, 3):
            self._f.flush()
        return 0

    def readblocks(self, block, buf, offset=0):
        self._f.seek(block * 4096 + offset)
        self._f.readinto(buf)

    def writeblocks(self, block, buf, offset=0):
        self._f.seek(block * 4096 + offset)
        self._f.write(buf)
        self._f.flush()


_image = Image(sys.argv[1], int(sys.argv[2]))
if _image.fresh:
    vfs.VfsLfs2.mkfs(_image, progsize=256)
vfs.umount("/")
vfs.mount(vfs.VfsLfs2(_image, progsize=256), "/")
sys.path[:] = ["", "/lib"]
del sys, os, vfs, Image
