# ruff: noqa: F821
# Appended to the board's own install functions: cuts power at each flash operation of fw_swap.
import gc

import vfs


class Ram:
    """Flash of 64 blocks that stops for good at operation `stop_at`."""

    def __init__(self):
        self.data = bytearray(b"\xff" * (64 * 4096))
        self.count = 0
        self.stop_at = 0

    def ioctl(self, op, arg):
        if op == 4:
            return 64
        if op == 5:
            return 4096
        if op == 6:
            self.step()
            self.data[arg * 4096 : (arg + 1) * 4096] = b"\xff" * 4096
        return 0

    def step(self):
        self.count += 1
        if self.stop_at and self.count >= self.stop_at:
            raise OSError(5)

    def readblocks(self, block, buf, offset=0):
        at = block * 4096 + offset
        buf[:] = self.data[at : at + len(buf)]

    def writeblocks(self, block, buf, offset=0):
        self.step()
        at = block * 4096 + offset
        self.data[at : at + len(buf)] = buf


def put(path, content):
    fw_dirs(path)
    with open(path, "w") as f:
        f.write(content)


def manifest(root, paths):
    put(root + "/firmware.json", json.dumps({"version": root, "files": {p: fw_sha(root + p) for p in paths}}))


OLD_PATHS = ["/boot.py", "/main.py", "/lib/evenfall_board/a.py", "/lib/evenfall_board/gone.py"]
NEW_PATHS = ["/boot.py", "/main.py", "/lib/evenfall_board/a.py", "/lib/evenfall_board/b.py"]

vfs.umount("/")
ram = Ram()
vfs.VfsLfs2.mkfs(ram, progsize=256)
vfs.mount(vfs.VfsLfs2(ram, progsize=256), "/")
put("/settings.json", "{}")
for p in OLD_PATHS:
    put(p, "old " + p)
    put("/firmware.old" + p, "older " + p)
manifest("", OLD_PATHS)
manifest("/firmware.old", OLD_PATHS)
for p in NEW_PATHS:
    put("/firmware.new" + p, "new " + p)
manifest("/firmware.new", NEW_PATHS)
vfs.umount("/")
start = bytes(ram.data)


def text(p):
    with open(p) as f:
        return f.read()


cuts = finished = 0
while True:
    ram.data[:] = start
    ram.count = 0
    ram.stop_at = cuts + 1
    vfs.mount(vfs.VfsLfs2(ram, progsize=256), "/")
    try:
        fw_swap()
        done = True
    except OSError:
        done = False
    gc.collect()  # closes the folder that the cut left open
    ram.stop_at = 0
    vfs.umount("/")
    # power comes back
    vfs.mount(vfs.VfsLfs2(ram, progsize=256), "/")
    fw_settle()
    if fw_cut_short():
        fw_swap()
        finished += 1
    m = fw_manifest("/firmware.json")
    paths = sorted(m["files"])
    assert paths in (sorted(OLD_PATHS), sorted(NEW_PATHS)), paths
    assert sorted(fw_list("")) == paths, (cuts, fw_list(""))
    for p in paths:
        assert fw_sha(p) == m["files"][p], (cuts, p)
    if paths == sorted(NEW_PATHS):
        for p in OLD_PATHS:
            assert text("/firmware.old" + p) == "old " + p, (cuts, p)
    assert text("/settings.json") == "{}"
    vfs.umount("/")
    if done:
        break
    cuts += 1
print(cuts, "cuts,", finished, "finished afterwards")
