# ruff: noqa: E402, F401
"""Makes a fresh flash image: `micropython make_image.py IMAGE BLOCKS LIST`.

LIST is a file of lines `source path<TAB>path on the board`.
"""

import sys

sys.path[:] = [__file__[: __file__.rfind("/")]]

import os

import vfs
from flash_file import FlashFile

image, blocks, listing = sys.argv[1], int(sys.argv[2]), sys.argv[3]
device = FlashFile(image, blocks)
vfs.VfsLfs2.mkfs(device, progsize=256)
vfs.mount(vfs.VfsLfs2(device, progsize=256), "/board")
with open(listing) as f:
    pairs = [line.rstrip("\n").split("\t") for line in f]
made = {"/board"}
for source, target in pairs:
    parts = ("/board" + target).split("/")
    for i in range(3, len(parts)):
        folder = "/".join(parts[:i])
        if folder not in made:
            os.mkdir(folder)
            made.add(folder)
    with open(source, "rb") as f:
        data = f.read()
    with open("/board" + target, "wb") as f:
        f.write(data)
vfs.umount("/board")
device.ioctl(3, 0)
