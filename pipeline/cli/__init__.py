"""The command line: arguments -> settings -> one call -> exit code."""

from __future__ import annotations

import codecs
import os
import sys
import traceback
from functools import cache
from importlib import import_module
from io import TextIOWrapper
from typing import Any

import typer
from typer.main import get_command, get_command_name, get_group

from pipeline.errors import AnnealogError

__all__ = ["app", "main"]

COMMANDS: dict[str, tuple[str, ...]] = {
    "work": ("demo", "init", "load", "render"),
    "watch": ("alert", "watch", "snapshot"),
    "serve": ("account", "serve"),
    "look": ("config", "status", "lot", "meter"),
    "look_back": ("trace", "block"),
    "bring": ("layout", "quarantine"),
    "decide": ("record",),
    "keep": ("verify", "backup", "restore", "rebuild"),
    "share": ("export",),
    "publish": ("publish",),
    "month": ("review",),
    "processes": ("process", "supplier", "components"),
    "paper": ("test-report", "label", "texts", "print"),
    "studies": ("study",),
    "reference": ("reference", "certificate"),
    "handbook": ("handbook",),
    "centre": ("centre",),
}
"""The modules with commands, in the order of the help, and what each holds: whoever names a command needs no other one, and to put
all together takes longer than most answers."""


@cache
def _module(name: str) -> Any:
    found = import_module(f"pipeline.cli.{name}")
    if name == "centre":
        for more in ("company", "centre_demo"):
            _module(more).add_to(found.centre)
    return found


def app(*names: str) -> typer.Typer:
    """Return the commands of some modules put together; without a name all there are."""
    together = typer.Typer(
        name="annealog",
        help="Conductivity readings in, verdicts for lots and meters out.",
        epilog="Exit codes: 0 done; 1 internal error; 2 usage or settings; 3 done, with held files or quarantined lines; "
        "4 done, with a hold, a reject or a meter out of control; 5 history busy; 6 integrity failure; 7 environment.",
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    for name in names or COMMANDS:
        _module(name).add_to(together)
    return together


# typer carries its own copy of click since 0.25; its public BadParameter leads to the base of all usage errors
_UsageProblem: type[Any] = next(base for base in typer.BadParameter.__mro__ if base.__name__ == "ClickException")


_STOPPED = 130
"""What a shell expects of a command stopped from the keyboard."""


def main(arguments: list[str] | None = None) -> None:
    """Run a command and exit with its code.

    Parameters
    ----------
    arguments
        Words after the program's name; None takes them from the shell.
    """
    _write_what_it_can()
    code = run(arguments)
    flows = sys.modules.get("pipeline.flows")
    if flows is not None and flows.lost.is_set():
        # its client would try for a minute to reach a server that is gone
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)
    sys.exit(code)


@cache
def _command(word: str) -> Any:
    """Put together the command that a word names, or all: once, for who runs several in one process."""
    name = next((name for name, held in COMMANDS.items() if word in held), None)
    if name is None:
        return get_command(app())
    alone = app(name)
    alone.registered_commands = [one for one in alone.registered_commands if word == _named(one)]
    alone.registered_groups = [one for one in alone.registered_groups if word == one.name]
    return get_group(alone)


def _named(command: Any) -> str:
    return str(command.name or get_command_name(command.callback.__name__))


_IN_ASCII = str.maketrans({"−": "-", "–": "-", "±": "+/-", "°": "deg ", "µ": "u", "·": "*", "…": "..."})


def _write_what_it_can() -> None:
    """Let a terminal whose encoding lacks a sign have it in plain letters, or by its number: a sentence is not cut off there."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper) and "utf" not in stream.encoding.lower():
            stream.reconfigure(errors="annealog")


def _in_ascii(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    signs = error.object[error.start : error.end].translate(_IN_ASCII)
    return signs.encode("ascii", "backslashreplace").decode(), error.end


codecs.register_error("annealog", _in_ascii)


def run(arguments: list[str] | None = None) -> int:
    """Run a command and return its exit code."""
    words = sys.argv[1:] if arguments is None else arguments
    try:
        result = _command(words[0] if words else "")(arguments, standalone_mode=False)
    except _UsageProblem as error:
        error.show()
        return 2
    except typer.Exit as stop:
        result = stop.exit_code
    except (typer.Abort, KeyboardInterrupt):
        result = _STOPPED
    except AnnealogError as error:
        print(f"annealog: {error}", file=sys.stderr)  # noqa: T201
        return error.exit_code
    except BrokenPipeError:
        # the reader of a pipe has gone; nothing is wrong here
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        return 0
    except OSError as error:
        # what bears no file's name was no file of ours: what is printed, or the folder the command was typed in
        where = error.filename or "what this command prints, or the folder it was typed in"
        print(f"annealog: {where}: {error.strerror or error}.", file=sys.stderr)  # noqa: T201
        return 7
    except MemoryError:
        print("annealog: the computer has no memory left. End other programs and try again.", file=sys.stderr)  # noqa: T201
        return 7
    except UnicodeEncodeError as error:
        if not any("\udc80" <= mark <= "\udcff" for word in words for mark in word):
            return _internal(error)
        print("annealog: a word of the command is no UTF-8 and names nothing here.", file=sys.stderr)  # noqa: T201
        return 2
    except Exception as error:
        return _internal(error)
    # typer turns a stop from the keyboard into this code by itself
    if result == _STOPPED:
        print("Stopped. What was loaded is whole; run the command again to go on.", file=sys.stderr)  # noqa: T201
    return result if isinstance(result, int) else 0


def _internal(error: Exception) -> int:
    print(f"annealog: internal error: {type(error).__name__}: {error}", file=sys.stderr)  # noqa: T201
    if os.environ.get("ANNEALOG_TRACEBACK"):
        traceback.print_exception(error)
    else:
        print("Set ANNEALOG_TRACEBACK=1 and run again for the details a developer needs.", file=sys.stderr)  # noqa: T201
    return 1
