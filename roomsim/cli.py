"""The command line: read arguments, make one library call, print.

Exit codes: 0 good, 1 a fault of roomsim, 2 a mistake in the input or something the machine refuses,
130 interrupted.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated, Any

import typer

from . import __version__
from .commands.analyse import analyse
from .commands.bounce import bounce
from .commands.check import check
from .commands.compare import compare
from .commands.reference import reference
from .commands.report import report
from .commands.rooms import rooms
from .commands.schema import schema
from .commands.sensitivity import sensitivity
from .commands.speaker import speaker
from .commands.study import demo, predict
from .commands.terminal import FAULT, GOOD, INTERRUPTED, MISTAKE, Interrupted, clean, print_json
from .commands.uncertainty import uncertainty
from .errors import DefinitionError, Fault, InvalidValue, Problem, RoomsimError

app = typer.Typer(
    name="roomsim",
    help="Predicts how a loudspeaker design sounds in the rooms its buyers have.",
    add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"roomsim {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    pass


app.command()(demo)
app.command()(predict)
app.command()(compare)
app.command()(check)
app.command()(analyse)
app.command()(rooms)
app.command()(speaker)
app.command()(reference)
app.command()(sensitivity)
app.command()(bounce)
app.command()(uncertainty)
app.command()(report)
app.command()(schema)


def _say(error: str, as_json: bool, problems: list[dict[str, Any]] | None = None) -> None:
    if as_json:
        print_json({"problems": problems if problems is not None else [Problem(key="", rule=error).as_dict()]})
        return
    for line in error.splitlines() or [""]:
        typer.echo(clean(line), err=True)


def main(arguments: list[str] | None = None) -> int:
    """Run the command line and return the exit code; the installed command exits with it."""
    arguments = (sys.argv[1:] if arguments is None else arguments) or ["--help"]
    as_json = "--json" in arguments
    try:
        with _orderly_end():
            code = app(args=arguments, prog_name="roomsim", standalone_mode=False)
            sys.stdout.flush()
        if code == INTERRUPTED:   # newer argument parsers catch Ctrl-C themselves
            raise KeyboardInterrupt
        return code if isinstance(code, int) else GOOD
    except DefinitionError as error:
        _say(str(error), as_json, [problem.as_dict() for problem in error.problems])
        return MISTAKE
    except InvalidValue as error:
        problem = Problem(key=error.key, value=error.value, rule=error.rule, cure=error.cure)
        _say(str(problem), as_json, [problem.as_dict()])
        return MISTAKE
    except Interrupted as error:
        _say(str(error), False)
        return INTERRUPTED
    except RoomsimError as error:
        _say(str(error), as_json)
        return FAULT if isinstance(error, Fault) else MISTAKE
    except (KeyboardInterrupt, typer.Abort):
        _say("interrupted; nothing half-written was left", False)
        return INTERRUPTED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())   # no second complaint at exit
        return 128 + signal.SIGPIPE
    except Exception as error:
        return _other(error, as_json)


def _other(error: Exception, as_json: bool) -> int:
    if isinstance(error, typer.Exit):
        return error.exit_code
    said = getattr(error, "format_message", None)
    if said is not None:   # a slip in the arguments, as the argument parser words it
        context = getattr(error, "ctx", None)
        command = context.command_path if context else "roomsim"
        _say(f"{command}: {said()}\nsee {command} --help", as_json,
             [Problem(key="", rule=said(), cure=f"see {command} --help").as_dict()])
        return MISTAKE
    if isinstance(error, OSError):
        _say(f"{error.filename or 'the system'}: {error.strerror or error}", as_json)
        return MISTAKE
    if os.environ.get("ROOMSIM_TRACEBACK"):
        raise error
    _say(f"roomsim failed: {type(error).__name__}: {error}\n"
         "This is a fault of roomsim; ROOMSIM_TRACEBACK=1 shows where it happened.", as_json)
    return FAULT


@contextmanager
def _orderly_end() -> Iterator[None]:
    """A request to terminate unwinds like an error, so that nothing half-written is left."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def end(number: int, frame: Any) -> None:
        raise SystemExit(128 + number)

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before or signal.SIG_DFL)


if __name__ == "__main__":
    sys.exit(main())
