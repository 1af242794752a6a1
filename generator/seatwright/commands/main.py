"""The command line: a table of verbs, each in a module of its own, loaded when it is used."""

from __future__ import annotations

import gc
import importlib
import os
import signal
import sys
import threading
import traceback
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import click

from seatwright import __version__
from seatwright.commands.common import STATUSES, Options, Refused, Status, log
from seatwright.findings.words import nearest, shown


@dataclass(frozen=True, slots=True)
class Verb:
    """Module below ``seatwright.commands`` whose ``command`` it is, and what it does in a line."""

    module: str
    help: str


VERBS: Mapping[str, Verb] = {
    "new": Verb("new", "Write a small site to start from."),
    "survey": Verb("survey", "Look at a client: its USB devices, which are onboard, its model."),
    "render": Verb("render", "Write the roles and the inventory of a site."),
    "check": Verb("check", "Say everything there is to say of a site; prove its promises."),
    "trace": Verb("trace", "Say what happens to one device at a seat, rule by rule, and why."),
    "plan": Verb("plan", "Print the plan of a site: everything looked up and compiled."),
    "budget": Verb("budget", "Say what links carry, and which peripherals fit."),
    "twin": Verb("twin", "Try a seat and its guest in an emulator, device by device."),
    "review": Verb("review", "Say what the change between two revisions does to whom."),
    "book": Verb("book", "Make one HTML page of a site, to read, print and try devices in."),
    "image": Verb("image", "Make the image that the seats of a model boot from."),
    "card": Verb("card", "Write an image to a card, and read it back."),
    "secrets": Verb("secrets", "Make authority, certificates and passwords, in vault files."),
    "enrol": Verb("enrol", "Take a new seat's host key, once it is known to be the seat's."),
    "rehearse": Verb("rehearse", "Try a room on this machine, from first boot to removal."),
    "policy": Verb("policy", "Turn filter strings from elsewhere into policy lines."),
    "schema": Verb("schema", "Print the JSON Schema of a file, for editors and other programs."),
}
"""In the order of ``--help``. Help stands here so that showing it loads no verb."""

EPILOG = f"""{STATUSES}

\b
Completion of verbs and options (bash; zsh and fish alike):
  eval "$(_SEATWRIGHT_COMPLETE=bash_source seatwright)"

Findings and results go to stdout, everything else to stderr. NO_COLOR is respected."""


class PipeClosed(Exception):
    """Whoever read the output went away; by another name, since click has an answer of its own."""


class Verbs(click.Group):
    """A group whose commands are those of the table."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            raise PipeClosed from None

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        verb = VERBS.get(cmd_name)
        if verb is None:
            return None
        module = importlib.import_module(f"seatwright.commands.{verb.module}")
        command: click.Command = module.command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """click's own, but for a verb that is misspelt: click knows no names of the table."""
        word = args[0]
        if self.get_command(ctx, word) is None and not word.startswith("-"):
            near = nearest(word, VERBS)
            ctx.fail(f"There is no verb {shown(word)}.{f' Did you mean {near}?' if near else ''}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Verbs"):
            formatter.write_dl([(name, verb.help) for name, verb in VERBS.items()])


@click.group(cls=Verbs, epilog=EPILOG, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, message="%(prog)s %(version)s")
@click.option("--traceback", is_flag=True, help="Show where in the program an error came from.")
@click.option("--no-color", is_flag=True, help="No colours, not even on a terminal.")
@click.pass_obj
def seatwright(options: Options, traceback: bool, no_color: bool) -> None:
    """From one description of a site of thin clients to proved USB filters, roles and guests."""
    options.traceback = traceback
    options.colour = not no_color


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the program; returns the exit status. A person sees a traceback only on request."""
    # The program makes many values that live to its end and few that do not: looking for garbage
    # as often as Python does by itself costs a third of the time on a big site.
    gc.set_threshold(200_000, 50, 100)
    options = Options()
    _clean_up_when_ended()
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    try:
        given = None if arguments is None else list(arguments)
        status = seatwright.main(given, "seatwright", standalone_mode=False, obj=options)
        sys.stdout.flush()
        return int(status or Status.FINE)
    except click.ClickException as error:
        error.show()
        return Status.UNUSABLE
    except Refused as refused:
        say_refused(refused, options)
        return refused.status
    except (click.Abort, KeyboardInterrupt):
        log("\nInterrupted.")
        return Status.INTERRUPTED
    except (BrokenPipeError, PipeClosed):
        # Python would complain once more when it flushes stdout at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        return Status.PIPE_CLOSED
    except Exception as error:
        return say_unexpected(error, options)


def _clean_up_when_ended() -> None:
    """Let whoever ends the program from outside interrupt it, as Ctrl-C does."""
    if threading.current_thread() is threading.main_thread():
        for number in (signal.SIGTERM, signal.SIGHUP):
            if signal.getsignal(number) is signal.SIG_DFL:  # nohup(1) has its reasons
                signal.signal(number, signal.default_int_handler)


def say_refused(refused: Refused, options: Options) -> None:
    """Why the verb did not do it."""
    if options.traceback:
        traceback.print_exception(refused)
    log(f"seatwright: {refused.message}")
    if refused.hint:
        log(f"hint: {refused.hint}")


def say_unexpected(error: Exception, options: Options) -> Status:
    """An error that nobody foresaw, or one of the machine (a full disk, a folder not writable)."""
    if options.traceback:
        traceback.print_exception(error)
    if isinstance(error, OSError):
        where = f"{error.filename}: " if error.filename else ""
        log(f"seatwright: {where}{error.strerror or error}")
    else:
        log(f"seatwright: this should not happen: {type(error).__name__}: {error}")
        log("hint: seatwright --traceback … shows where; please report it.")
    return Status.UNUSABLE


if __name__ == "__main__":
    sys.exit(main())
