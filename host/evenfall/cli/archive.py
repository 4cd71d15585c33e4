"""evenfall archive ...: check, backup, restore."""

from __future__ import annotations

from pathlib import Path

import click

from evenfall.cli._root import archive_option, echo, noun
from evenfall.errors import DamageError, NotFoundError

archive = noun("archive", "Check, back up and restore the archive.")


def _must_be_there(folder: Path) -> None:
    """An archive to look at is not made by looking: a mistyped folder is said."""
    from evenfall.archive.archive import FILE_NAME

    if not (folder / FILE_NAME).exists():
        raise NotFoundError(f"there is no archive in {folder}: is it another folder (--archive)?")


@archive.command()
@archive_option
def check(archive_dir: Path) -> None:
    """Check the archive and the SHA-256 of every run."""
    from evenfall.archive.archive import Archive

    _must_be_there(archive_dir)
    with Archive(archive_dir) as kept:
        wrong = kept.check()
        (count,) = kept.db.execute("SELECT count(*) FROM runs").fetchone()
    for sentence in wrong:
        echo(sentence)
    if wrong:
        raise DamageError(
            f"{archive_dir} is not sound, see above; what is damaged comes back with a backup: "
            "evenfall archive restore BACKUP"
        )
    echo(f"sound: {count} runs in {archive_dir}")


@archive.command()
@click.argument("target", type=click.Path(path_type=Path))
@click.option("--yes", is_flag=True, help="Replace a file that is there.")
@archive_option
def backup(target: Path, yes: bool, archive_dir: Path) -> None:
    """Copy the archive to TARGET, checked.

    TARGET is a file or a folder. The archive may be in use.
    """
    from evenfall.archive.archive import FILE_NAME, Archive

    if target.is_dir():
        target = target / FILE_NAME
    _must_be_there(archive_dir)
    with Archive(archive_dir) as kept:
        kept.backup(target, replace=yes)
    echo(f"backup: {target}")


@archive.command()
@click.argument("source", type=click.Path(path_type=Path))
@click.option("--yes", is_flag=True, help="Do not ask.")
@archive_option
def restore(source: Path, yes: bool, archive_dir: Path) -> None:
    """Put the backup SOURCE in place of the archive.

    The old file is moved aside, not deleted.
    """
    from evenfall.archive.archive import restore as put_back

    if not yes:
        click.confirm(f"Put {source} in place of the archive in {archive_dir}?", abort=True, err=True)
    moved = put_back(archive_dir, source)
    echo(f"restored {archive_dir}" + (f"; the old file is {moved}" if moved else ""))
