# mounts the flash, nothing else; a bench test's own board
import rp2
import vfs

vfs.mount(vfs.VfsLfs2(rp2.Flash(), progsize=256), "/")
