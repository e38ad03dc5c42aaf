"""Collects the commands and turns Fourlight's errors into one line and an exit code."""

from __future__ import annotations

import sys
import traceback
from importlib import import_module

import typer

from fourlight import __version__
from fourlight.errors import FourlightError

__all__ = ["build"]

COMMANDS = ("run", "inspect", "simulate", "demo", "recipe")


def build(arguments: list[str]) -> int:
    """Run the command that ``arguments`` name and return its exit code.

    Only the module of the command that was asked for is imported, so that help stays fast.
    """
    debug = "--debug" in arguments
    arguments = [word for word in arguments if word != "--debug"]
    app = _app(arguments)
    try:
        app(args=arguments, prog_name="fourlight", standalone_mode=True)
    except SystemExit as stop:
        return stop.code if isinstance(stop.code, int) else 1
    except FourlightError as error:
        if debug:
            traceback.print_exc()
        sys.stderr.write(f"fourlight: {error}\n")
        return error.exit_code
    except KeyboardInterrupt:
        sys.stderr.write("fourlight: stopped; run the same command again to continue\n")
        return 1
    return 0


def _app(arguments: list[str]) -> typer.Typer:
    app = typer.Typer(
        add_completion=False,
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
        help="From raw nights of one-shot-colour frames to an honest deep-sky picture.",
        epilog="Any command takes --debug, which shows where an error came from.",
    )

    @app.callback(invoke_without_command=True)
    def _version(version: bool = typer.Option(False, "--version", help="Print the version and stop.")) -> None:
        if version:
            typer.echo(__version__)
            raise typer.Exit

    for name in COMMANDS:
        app.command(name)(getattr(import_module(f"fourlight.cli.{name}"), name))
    return app
