"""The command `evenfall`: nouns, then verbs.

Every module of this package whose name has no leading underscore is a command
module: importing it hangs its commands on `_root.root`.  A new one needs no
entry anywhere else.

Results go to stdout, progress and errors to stderr.  Exit codes: 0 done;
1 other failure; 2 bad input; 3 port or line; 4 the board refused; 5 damaged
data; 6 not found; 7 archive; 70 a fault of this program; 130 interrupted.
"""

from __future__ import annotations

import contextlib
import importlib
import logging
import os
import pkgutil
import sqlite3
import sys

import click

from evenfall.cli._root import echo, root
from evenfall.errors import EvenfallError, InputError, missing_part


def load_commands() -> click.Group:
    """Import every command module; return the root group."""
    for module in pkgutil.iter_modules(__path__):
        if not module.name.startswith("_"):
            importlib.import_module(f"{__name__}.{module.name}")
    return root


def main(args: list[str] | None = None) -> None:
    """Entry point: run a command, turn every failure into one sentence and an exit code."""
    code = run(args)
    try:
        sys.stdout.flush()
    except OSError:
        # a full disk, or a reader that left: Python would try once more at its end, and say so
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    sys.exit(code)


def run(args: list[str] | None) -> int:
    """Run a command; return its exit code."""
    _prepare_output()
    try:
        result = load_commands().main(args, prog_name="evenfall", standalone_mode=False)
        sys.stdout.flush()
        return result if isinstance(result, int) else 0
    except EvenfallError as error:
        return _say(error.for_command_line, error.exit_code)
    except click.Abort:
        echo(err=True)  # the question stands on this line
        return _say("stopped from the keyboard", 130)
    except click.ClickException as error:
        error.show(sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        return _say("stopped from the keyboard", 130)
    except sqlite3.Error as error:
        from evenfall.archive.database import explained

        told = explained(error)
        return _say(told.for_command_line, told.exit_code)
    except BrokenPipeError:
        return 0  # the reader of our output left (`| head`): not a failure of ours
    except OSError as error:
        if os.environ.get("EVENFALL_TRACE"):
            raise
        from evenfall.archive.files import reason

        return _say(f"{error.filename or 'a file or the output'}: {reason(error)}", 1)
    except Exception as error:
        if os.environ.get("EVENFALL_TRACE"):
            raise
        if isinstance(error, ImportError) and (sentence := missing_part(error)):
            return _say(sentence, InputError.exit_code)
        name = type(error).__name__
        return _say(f"a fault of this program ({name}: {error}); EVENFALL_TRACE=1 shows where", 70)


def _open_streams() -> None:
    """A stream that the shell closed (`>&-`) leads nowhere; else the archive's file would take its number."""
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "w" if number else "r", encoding="utf-8"))


def _prepare_output() -> None:
    """What a console's code page lacks is printed as a mark, never a failure; warnings go to stderr."""
    _open_streams()
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(AttributeError, ValueError, OSError):
            stream.reconfigure(errors="replace")  # type: ignore[union-attr]
    log = logging.getLogger("evenfall")
    if not log.handlers:
        log.addHandler(_Notices())
        log.propagate = False


class _Notices(logging.Handler):
    """Warnings of the library as lines on stderr."""

    def emit(self, record: logging.LogRecord) -> None:
        echo(f"evenfall: {record.getMessage()}", err=True)


def _say(sentence: str, code: int) -> int:
    echo(f"evenfall: {' '.join(sentence.splitlines())}", err=True)
    return code
