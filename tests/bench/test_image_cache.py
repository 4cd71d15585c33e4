"""The cache of made images holds code that the bench runs as its user: nothing planted there is used."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from evenfall_bench import image
from evenfall_bench.image import BenchError

PLANTED = b"planted"


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    return image.image_cache()


def made(tmp_path: Path) -> bytes:
    target = tmp_path / "image"
    image.make_image(target)
    return target.read_bytes()


def test_it_lies_with_the_user_and_nobody_else_reads_it(cache: Path, tmp_path: Path) -> None:
    assert cache.is_relative_to(tmp_path / "cache") and cache.stat().st_mode & 0o077 == 0


def test_a_planted_image_is_made_anew(cache: Path, tmp_path: Path) -> None:
    whole = made(tmp_path)
    (kept,) = cache.glob("*.img")
    told = kept.read_bytes()
    assert told.endswith(whole)
    kept.write_bytes(told[:40] + PLANTED + told[47:])  # other content under the old hash
    again = made(tmp_path)
    assert PLANTED not in again and len(again) == len(whole)
    told = kept.read_bytes()
    victim = tmp_path / "elsewhere.img"
    victim.write_bytes(told)
    kept.unlink()
    kept.symlink_to(victim)  # a link, even to a sound one
    assert image._read_kept(kept) is None
    assert PLANTED not in made(tmp_path) and not kept.is_symlink()


@pytest.mark.skipif(os.geteuid() != 0, reason="changes owners")
def test_an_image_of_another_user_is_not_read(cache: Path, tmp_path: Path) -> None:
    made(tmp_path)
    (kept,) = cache.glob("*.img")
    os.chown(kept, 65534, 65534)
    assert image._read_kept(kept) is None


def test_a_folder_that_others_may_write_to_is_refused(cache: Path, tmp_path: Path) -> None:
    cache.chmod(0o777)
    with pytest.raises(BenchError, match="not yours alone"):
        made(tmp_path)
    cache.rmdir()
    cache.symlink_to(tmp_path)
    with pytest.raises(BenchError, match="not yours alone"):
        image.image_cache()
