"""What pyproject.toml cannot say: a built package carries the board's files and their hashes.

They go to `evenfall/firmware/`, where `evenfall board install` and the bench find them; in a checkout both
take them from `firmware/` itself.
"""

import hashlib
import json
from pathlib import Path

from setuptools import setup
from setuptools.command.build_py import build_py

HERE = Path(__file__).resolve().parent


class BuildWithFirmware(build_py):
    """Copies firmware/ into the package and writes the SHA-256 of each file that goes onto a board."""

    def run(self) -> None:
        super().run()
        if self.editable_mode:
            return
        target = Path(self.build_lib) / "evenfall" / "firmware"
        hashes = {}
        for source in sorted((HERE / "firmware").rglob("*.py")):
            if "__pycache__" in source.parts:
                continue
            name = source.relative_to(HERE / "firmware").as_posix()
            content = source.read_bytes()
            (target / name).parent.mkdir(parents=True, exist_ok=True)
            (target / name).write_bytes(content)
            hashes["/" + name] = hashlib.sha256(content).hexdigest()
        for source in sorted((HERE / "protocol" / "evenfall_wire").glob("*.py")):
            hashes[f"/lib/evenfall_wire/{source.name}"] = hashlib.sha256(source.read_bytes()).hexdigest()
        text = json.dumps({"files": hashes}, indent=1, sort_keys=True) + "\n"
        (target / "hashes.json").write_text(text, encoding="utf-8")


setup(cmdclass={"build_py": BuildWithFirmware})
