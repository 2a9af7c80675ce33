"""The `oyez` command: finds the command's module, runs it, turns errors into one line and an exit status.

A command is a module in `oyez.commands` with `add_arguments(parser)` and `run(args) -> int`. Only the one asked
for is imported, so that `oyez --help` is instant.
"""

from __future__ import annotations

import argparse
import io
import sys
from collections.abc import Sequence
from importlib import import_module

from oyez import __version__
from oyez.errors import OyezError

COMMANDS = {
    "demo": "run the service on a ready-made venue",
    "serve": "run the service",
    "check": "read a venue file and report every fault",
    "load": "put a venue file into the service's database",
    "dump": "write the venue in the database as a venue file",
    "clips": "add audio files as clips, list them",
    "measure": "measure the loudness of audio files",
    "plan": "show the plan of a day or several, compare, export",
    "hours": "take opening hours over from a calendar file",
    "feed": "show the plan's private address for calendar programs",
    "rehearse": "render what a zone will sound like into a file",
    "log": "show or verify the log of what sounded and what did not",
}


def _overview() -> argparse.ArgumentParser:
    width = max(map(len, COMMANDS))
    table = "\n".join(f"  {name:<{width}}  {what}" for name, what in COMMANDS.items())
    parser = argparse.ArgumentParser(
        prog="oyez",
        usage="oyez [-h] [--version] COMMAND ...",
        description="Announcements for a venue: planned, levelled, played over the music, and logged.",
        epilog=f"commands:\n{table}\n\n`oyez COMMAND --help` documents each.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"oyez {__version__}")
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command. Returns 0 done, 1 the work failed or the answer is no, 2 wrong command line or input."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a file's name may hold what the terminal's encoding cannot say
            stream.reconfigure(errors="backslashreplace")
    words = list(sys.argv[1:] if argv is None else argv)
    if not words or words[0] not in COMMANDS:
        parser = _overview()
        parser.add_argument("command", nargs="?", choices=list(COMMANDS), help=argparse.SUPPRESS)
        parser.parse_args(words)
        parser.print_help(sys.stderr)
        return 2
    name, rest = words[0], words[1:]
    command = import_module(f"oyez.commands.{name}")
    parser = argparse.ArgumentParser(prog=f"oyez {name}", description=command.__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    command.add_arguments(parser)
    args = parser.parse_args(rest)
    try:
        status: int = command.run(args)
    except OyezError as error:
        print(error, file=sys.stderr)
        return error.exit_status
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except OSError as error:  # a disk that is full or gone, a folder that may not be read
        print(": ".join(str(said) for said in (error.filename, error.strerror or error) if said), file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130
    return status


if __name__ == "__main__":
    sys.exit(main())
