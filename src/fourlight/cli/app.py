"""Collects the commands and turns Fourlight's errors into one line and an exit code."""

from __future__ import annotations

import logging
import sys
import traceback
from importlib import import_module

import typer

from fourlight.cli.plain import PlainCommand, PlainGroup, UsageError, usage_line
from fourlight.errors import FourlightError, caused_by, one_line, reason

__all__ = ["build"]

INTERRUPTED = 130
"""Exit code to which the command library turns Ctrl-C (128 + SIGINT, POSIX shells)."""
STOPPED = "stopped; run the same command again to continue"

DEBUG = "Any command takes --debug, which shows where an error came from."

COMMANDS = (
    "run",
    "open",
    "picture",
    "channels",
    "lines",
    "claims",
    "solve",
    "inspect",
    "simulate",
    "demo",
    "recipe",
    "camera",
    "filter",
    "plan",
    "sub",
    "compare",
    "whatif",
    "watch",
)


def build(arguments: list[str]) -> int:
    """Run the command that ``arguments`` name and return its exit code.

    Only the module of the command that was asked for is imported, and none of them imports what does the work before
    it is called, so that help stays fast.
    """
    debug = "--debug" in arguments
    logging.getLogger("fourlight").handlers = [logging.NullHandler()]
    if debug:
        _tell_faults()
    arguments = [word for word in arguments if word != "--debug"]
    try:
        code = program(arguments)(args=arguments, prog_name="fourlight", standalone_mode=False)
    except SystemExit as stop:
        return stop.code if isinstance(stop.code, int) else 1
    except UsageError as error:
        line = usage_line(error, _named(error, arguments))
        return _failed(line, 2, debug=debug) if line else 2
    except FourlightError as error:
        return _failed(reason(error), error.exit_code, debug=debug)
    except (Exception, KeyboardInterrupt) as error:
        if caused_by(error, KeyboardInterrupt, typer.Abort):
            return _failed(STOPPED, 1, debug=debug)
        return _failed(reason(error), 1, debug=debug)
    if code == INTERRUPTED:
        return _failed(STOPPED, 1, debug=debug)
    return code if isinstance(code, int) else 0


def _named(error: Exception, arguments: list[str]) -> str:
    """The program with the command that was asked for, as far as there is one of that name."""
    path = getattr(getattr(error, "ctx", None), "command_path", "")
    return path or " ".join(["fourlight", *(name for name in arguments[:1] if name in COMMANDS)])


def _tell_faults() -> None:
    """Show on standard error where faults came from that did not end a run."""
    log = logging.getLogger("fourlight")
    log.handlers = [logging.StreamHandler(sys.stderr)]
    log.setLevel(logging.DEBUG)


def _failed(text: str, code: int, *, debug: bool) -> int:
    """One line on standard error, with the place before it where asked for; the exit code."""
    if debug:
        traceback.print_exc()
    sys.stderr.write(f"fourlight: {one_line(text)}\n")
    return code


def program(arguments: list[str]) -> typer.Typer:
    app = typer.Typer(
        add_completion=False,
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
        help="From raw nights of one-shot-colour frames to an honest deep-sky picture.",
        epilog=DEBUG,
        cls=PlainGroup,
    )

    @app.callback(invoke_without_command=True)
    def _version(
        version: bool = typer.Option(False, "--version", help="Print the version and stop."),
    ) -> None:
        if version:
            from fourlight import __version__

            typer.echo(__version__)
            raise typer.Exit

    asked = [name for name in COMMANDS if arguments[:1] == [name]]
    for name in asked or COMMANDS:
        command = getattr(import_module(f"fourlight.cli.{name}"), name)
        if isinstance(command, typer.Typer):
            app.add_typer(command, name=name, epilog=DEBUG)
        else:
            app.command(name, cls=PlainCommand, epilog=DEBUG)(command)
    return app
