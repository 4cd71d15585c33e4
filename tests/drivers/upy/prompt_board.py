"""A board at its prompt: `micropython -i prompt_board.py IMAGE BLOCKS`, littlefs on a file as /."""

import sys

sys.path.insert(0, __file__[: __file__.rfind("/")] + "/../../../bench_sim/evenfall_bench/shims")
import vfs
from flash_file import FlashFile

_image = FlashFile(sys.argv[1], int(sys.argv[2]))
if _image.fresh:
    vfs.VfsLfs2.mkfs(_image, progsize=256)
vfs.umount("/")
vfs.mount(vfs.VfsLfs2(_image, progsize=256), "/")
sys.path[:] = ["", "/lib"]
del sys, vfs, FlashFile
